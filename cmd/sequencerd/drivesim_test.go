package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// poll is mbpoll (of libmodbus), a master that nobody here wrote, on a played drive. It gives what mbpoll says.
func poll(tr *trial, line string, args ...string) string {
	all := append([]string{"-m", "rtu", "-a", "1", "-b", "19200", "-P", "even", "-s", "1", "-0", "-1", "-q", "-o", "2"}, args...)
	i := len(all)
	for j := len(all) - 1; j >= 0 && all[j][0] != '-' && all[j-1][0] != '-'; j-- { // values to be written stand behind the device
		i = j
	}
	all = append(all[:i:i], append([]string{line}, all[i:]...)...)
	out, _ := exec.Command("mbpoll", all...).CombinedOutput() // that it fails is for the test to see
	return string(out)
}

// A drive of each map, played by the real program on a line without wires: an independent master sets it up, starts it, reads the exact numbers of the map's
// scales and the standard's words, and is refused what is not there.
func TestPlayedDriveUnderAnIndependentMaster(t *testing.T) {
	if _, err := exec.LookPath("mbpoll"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mbpoll is not here: apt-get install mbpoll")
		}
		t.Log("NOT CHECKED: mbpoll is not here (apt-get install mbpoll)")
		return
	}
	type say struct {
		args string // after the line
		want string
	}
	for _, c := range []struct {
		drive string
		says  []say // one after the other; each is tried until it is so
		reads say   // that the motor turns at 600 rpm
		loss  []say // what makes it stop when nobody speaks to it
		lost  say   // how it is after it has
	}{
		{"tarnholm-v", []say{
			// Words by the state table of CiA 402, with the bits for voltage (4) and for a drive that listens to its line (9).
			{"-t 4:hex -r 0x0610", "0x0250"}, // switch-on disabled
			{"-r 0x0600 6", "Written 1"},
			{"-t 4:hex -r 0x0610", "0x0231"}, // ready to switch on
			{"-r 0x0600 7", "Written 1"},
			{"-t 4:hex -r 0x0610", "0x0233"},   // switched on
			{"-r 0x0600 127 600", "Written 2"}, // operation enabled, 600 rpm
			{"-t 4:hex -r 0x0610", "0x0237"},
			{"-r 0x0601", "600"},
			{"-r 0x0612", "0"},
		}, say{"-r 0x0611", "600"}, []say{{"-r 0x0621 3", "Written 1"}, {"-r 0x0622 500", "Written 1"}}, say{"-t 4:hex -r 0x0610", "0x0250"}},
		{"oxbow-f", []say{
			{"-t 4:hex -r 0x2100", "0x0001"}, // ready, as its map says
			{"-r 0x2001 2000", "Written 1"},  // 20.00 Hz: 600 rpm with two pole pairs
			{"-r 0x2000 1", "Written 1"},
			{"-t 4:hex -r 0x2100", "0x000"},
		}, say{"-r 0x2101", "2000"}, []say{{"-r 0x3010 5 2", "Written 2"}}, say{"-t 4:hex -r 0x2100", "0x0001"}},
		{"siltmark-2", []say{
			{"-r 0x0005 600", "Written 1"},
			{"-r 0x0001 1", "Written 1"},
		}, say{"-t 3 -r 0x0012", "200"}, []say{{"-r 0x0100 50", "Written 1"}}, say{"-t 3 -r 0x0012", "0"}}, // 20.0 Hz
	} {
		t.Run(c.drive, func(t *testing.T) {
			t.Parallel()
			try(t, func(tr *trial) {
				line := filepath.Join(t.TempDir(), "line")
				d := start(tr, "drive-sim", "--map", c.drive, "--link", line)
				d.until("map = ")
				becomes := func(s say) {
					var got string
					for range 100 {
						got = poll(tr, line, strings.Fields(s.args)...)
						if polled(got, s.want) {
							return
						}
					}
					tr.Fatalf("mbpoll %s: want %s, it says %s", s.args, s.want, got)
				}
				for _, s := range c.says {
					becomes(s)
				}
				becomes(c.reads)
				for _, s := range []say{
					{"-r 9", "Illegal data address"},
					{"-r 0x7000 1", "Illegal data address"},
					{"-t 0 -r 0x0610", "Illegal function"},
					{"-t 1 -r 0x0610", "Illegal function"},
				} {
					becomes(s)
				}
				d.until("running")
				for _, s := range c.loss {
					becomes(s)
				}
				d.until("disabled")
				becomes(c.lost)
				d.signal(syscall.SIGTERM)
				d.ends(exitOK)
				if _, err := os.Lstat(line); err == nil {
					tr.Errorf("the line's name is left behind")
				}
			})
		})
	}
}

// polled reports whether mbpoll says that, as a number of its own or as words.
func polled(said, want string) bool {
	return strings.Contains(said, "\t"+want) || strings.Contains(said, want) && strings.Contains(want, " ")
}

// What an installer learns on: the program's own commands on a played drive.
func TestTheInstallersCommandsOnAPlayedDrive(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	try(t, func(tr *trial) {
		line := filepath.Join(t.TempDir(), "line")
		configuration := file(t, "training.toml", fmt.Sprintf("[flume]\nname = \"Training\"\n[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nmap = \"oxbow-f\"\n", line))
		d := start(tr, "--config", configuration, "drive-sim", "--link", line)
		d.until("SIMULATED Oxbow F")
		d.until("map = ")
		if code, _, errs := typed(t, "drive-sim", "--map", "oxbow-f", "--link", line); code != exitRefused || !strings.Contains(errs, "cannot name the line") {
			tr.Errorf("a second line of that name: exit %d, %s", code, errs)
		}
		for _, c := range []struct {
			args []string
			want []string
		}{
			{[]string{"drive", "status"}, []string{"serial: switched off, motor 0 rpm"}},
			{[]string{"drive", "jog", "--rpm", "300", "--for", "2s", "--yes"}, []string{"300 rpm of 300 rpm ordered"}},
			{[]string{"drive", "registers"}, []string{"ready", "link-loss time", "as it must be"}},
		} {
			p := start(tr, append([]string{"--config", configuration}, c.args...)...)
			<-p.over
			tr.blame(p)
			p.ends(exitOK)
			for _, w := range c.want {
				if out := p.output(); !strings.Contains(out, w) {
					tr.Errorf("%v does not say %q: %s", c.args, w, out)
				}
			}
		}
		d.until("300.0 rpm")
	})
	if code, _, errs := typed(t, "drive-sim"); code != exitRefused || !strings.Contains(errs, "which drive?") {
		t.Errorf("a played drive of no map: exit %d, %s", code, errs)
	}
}

// A daemon whose drive goes away and comes back says so in its log, with the technical cause.
func TestTheLogNamesWhatIsWrongWithALink(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	try(t, func(tr *trial) {
		dir := t.TempDir()
		line := filepath.Join(dir, "line")
		played := start(tr, "drive-sim", "--map", "siltmark-2", "--link", line)
		played.until("map = ")
		p, _ := daemon(tr, dir, fmt.Sprintf("[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nmap = \"siltmark-2\"\n", line))
		played.signal(syscall.SIGTERM)
		played.ends(exitOK)
		p.until("the link to the drive failed: ")
		p.until(line)
		again := start(tr, "drive-sim", "--map", "siltmark-2", "--link", line)
		again.until("map = ")
		p.until("the drive is well again")
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
	})
}
