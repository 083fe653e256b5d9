package main

import (
	"bufio"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/commission/commissiontest"
	"flume.example/sequencerd/internal/settings"
)

// lively is a flume whose motor and water need little time, with a wall that is pressed through a socket.
func lively(dir string) string {
	return fmt.Sprintf(`[flume]
name = "Otterford Mill"
inertia_m = 0.6
[drive]
accel_rpm_per_s = 3000
[drive.simulated]
quick_stop_rpm_per_s = 6000
enable_time = "50ms"
[wall]
simulated = true
socket = %q
[store]
path = %q
`, filepath.Join(dir, "wall"), filepath.Join(dir, "store"))
}

var floated = regexp.MustCompile(`SIMULATED floats took ([0-9. ]+) s\.`)
var coasted = regexp.MustCompile(`SIMULATED floats, half way at and took: ([0-9./ ]+)\r?\n`)

// installer is somebody at a terminal who reads, presses and types.
type installer struct {
	p     *process
	wall  *fingers
	place int
	rules map[string]func() // what to do at what is printed; nil for does
}

// last is what was last printed in that shape.
func (i *installer) last(r *regexp.Regexp) string {
	all := r.FindAllStringSubmatch(i.p.output(), -1)
	if len(all) == 0 {
		return ""
	}
	return strings.TrimSpace(all[len(all)-1][1])
}

func (i *installer) answer(line string) {
	if _, err := fmt.Fprintf(i.p.terminal, "%s\n", line); err != nil {
		i.p.t.Fatalf("%s: %v", line, err)
	}
}

// does is what an installer does at what is printed. The earliest that has not been answered is next.
func (i *installer) does() map[string]func() {
	press := func(line string) func() { return func() { i.wall.do(line) } }
	say := func(line string) func() { return func() { i.answer(line) } }
	return map[string]func(){
		"Your name, for the record: ":          say("Odile Farrow"),
		"licence, for the record: ":            say("Bram Hesketh, licence 0417"),
		"[yes/no]: ":                           say("yes"),
		"[yes]: ":                              say("yes"),
		"that the heartbeat holds? [yes/no]: ": say("no"), // the simulated wall has none
		"[right/wrong/none]: ":                 say("right"),
		"[floats/meter]: ":                     say("floats"),
		"Press the stop button, and hold":      press("stop press"),
		"Release it.":                          press("stop release"),
		"Take one of its wires off":            press("stop open"),
		"Put the wire back":                    press("stop release"),
		"Release the stop button.":             press("stop release"),
		"Press the stop button now":            press("stop press"),
		`Press the "press" button`:             press("press"),
		`Press the "slower" button`:            press("slower"),
		`Press the "faster" button`:            press("faster"),
		`Press the "skip" button`:              press("skip"),
		"occupancy sensor sees nobody":         press("occupancy empty"),
		"Step where it sees you":               press("occupancy seen"),
		"Take the cover away":                  press("cover open"),
		"Put the cover back":                   press("cover closed"),
		"Make the water level contact open":    press("level low"),
		"Let it close again":                   press("level good"),
		"Somebody is seen in the water":        press("occupancy empty"),
		"Now press Ctrl-C":                     func() { i.p.terminal.Write([]byte{3}) },
		`"none" where neither is there: `:      say("none"),
		"as in 3.00: ":                         say("3"),
		"as in 1.50: ":                         say("0.3"),
		"middle at the place: ":                say("1"),
		"parted by blanks: ": func() {
			times := i.last(floated)
			if i.place == 2 { // the second place has slower water
				var slower []string
				for _, f := range strings.Fields(times) {
					v, _ := strconv.ParseFloat(f, 64)
					slower = append(slower, fmt.Sprintf("%.2f", 1.06*v))
				}
				times = strings.Join(slower, " ")
			}
			i.answer(times)
		},
		"at least five: ": func() { i.answer(i.last(coasted)) },
		`as in "swimmer 2.5": `: func() {
			i.place++
			i.answer([]string{"swimmer 1.5", "back 3"}[i.place-1])
		},
		`where that was all: `: say("done"),
	}
}

// work does all that until the program ends.
func (i *installer) work(within time.Duration) {
	rules, seen := i.rules, 0
	if rules == nil {
		rules = i.does()
	}
	deadline := time.NewTimer(within)
	defer deadline.Stop()
	for {
		out := i.p.output()[seen:]
		at, hit := -1, ""
		for text := range rules {
			if k := strings.Index(out, text); k >= 0 && (at < 0 || k < at) {
				at, hit = k, text
			}
		}
		if hit != "" {
			seen += at + len(hit)
			rules[hit]()
			continue
		}
		i.p.mu.Lock()
		more := i.p.more
		i.p.mu.Unlock()
		if i.p.output()[seen:] != out {
			continue
		}
		select {
		case <-more:
		case <-i.p.over:
			return
		case <-deadline.C:
			i.p.t.Fatalf("after %v it still says: %s", within, i.p.output()[max(0, seen-500):])
		}
	}
}

func fingersAt(t *trial, socket string) *fingers {
	c, err := net.Dial("unix", socket)
	if err != nil {
		t.Fatalf("%v", err)
	}
	t.ends = append(t.ends, func() { c.Close() })
	return &fingers{t, c, bufio.NewReader(c)}
}

// TestTheCourseOnATerminal: the real program on a real terminal, from the first part to the last, in real time, and what was measured goes into the
// configuration.
func TestTheCourseOnATerminal(t *testing.T) {
	t.Parallel()
	try(t, func(tr *trial) {
		dir := t.TempDir()
		configuration := filepath.Join(dir, "flume.toml")
		if err := os.WriteFile(configuration, []byte(lively(dir)), 0o600); err != nil {
			tr.Fatalf("%v", err)
		}
		p := startOnTerminal(tr, "--config", configuration, "commission")
		p.until("Your name")
		p.seen = 0
		(&installer{p: p, wall: fingersAt(tr, filepath.Join(dir, "wall"))}).work(8 * time.Minute)
		tr.blame(p)
		p.ends(exitOK)
		out := p.output()
		for _, w := range []string{"SIMULATED", "The safety part is passed", "Stop button at full speed, 1500 rpm, to rest in", "Stop from here at full speed", "Inertia length"} {
			if !strings.Contains(out, w) {
				tr.Errorf("it does not say %q", w)
			}
		}
		if strings.Contains(out, "BAD") {
			tr.Errorf("something is bad:\n%s", out)
		}
		found := regexp.MustCompile(`The record, to print and sign: (\S+)\s+The same for programs: (\S+)`).FindStringSubmatch(out)
		if found == nil {
			tr.Fatalf("it does not say where the record is: %s", out[max(0, len(out)-500):])
		}
		for _, path := range found[1:] {
			if text, err := os.ReadFile(path); err != nil || !strings.Contains(string(text), "Odile Farrow") {
				tr.Errorf("the record %s: %v, %d bytes", path, err, len(text))
			}
		}
		if code, out, errs := typed(tr, "--config", configuration, "commission", "--record"); code != exitOK || !strings.Contains(out, "-2.html") {
			tr.Errorf("--record: exit %d, %s%s", code, out, errs)
		}
		if code, out, errs := typed(tr, "--config", configuration, "commission", "--keep", "--yes"); code != exitOK || !strings.Contains(out, "Done") {
			tr.Errorf("--keep: exit %d, %s%s", code, out, errs)
		}
		s, err := settings.Load(configuration, config.Default())
		if err != nil {
			tr.Fatalf("%v", err)
		}
		// The simulated water is 3 % slower than the default calibration, and its inertia 5 % more than the configured 0.6 m.
		if v := s.Model.Steady(s.Drive.Motor.Max).MetresPerSecond(); v < 1.80*0.97*0.97 || v > 1.80*0.97*1.03 || len(s.Calibration.Stations) != 2 {
			tr.Errorf("calibrated to %.3f m/s at full speed, %d places", v, len(s.Calibration.Stations))
		}
		if code, out, errs := typed(tr, "--config", configuration, "commission", "--marks"); code != exitOK || strings.Count(out, "\n") < 10 {
			tr.Errorf("--marks: exit %d, %s%s", code, out, errs)
		}
		if code, out, _ := typed(tr, "--config", configuration, "commission", "--list"); code != exitOK || strings.Contains(out, "open") {
			tr.Errorf("--list: exit %d, %s", code, out)
		}
	})
}

// TestAGoThatWasTypedBeforeItWasAskedIsNone: somebody has pressed Enter twice.
func TestAGoThatWasTypedBeforeItWasAskedIsNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hand := &terminalHand{out: io.Discard, lines: make(chan string)}
		answers := make(chan string)
		go func() { hand.lines <- "yes" }()
		synctest.Wait()
		go func() {
			a, err := hand.Ask(t.Context(), commission.Question{Text: "The motor will turn. Ready?", Choices: []string{"yes"}})
			if err != nil {
				t.Error(err)
			}
			answers <- a
		}()
		synctest.Wait()
		select {
		case a := <-answers:
			t.Fatalf("%q, typed before, is taken for a go", a)
		case hand.lines <- "Yes":
		}
		if a := <-answers; a != "Yes" {
			t.Errorf("answered %q", a)
		}
	})
}

// TestTheCourseCanBeLeft: at a question, and by Ctrl-C; what was passed is kept.
func TestTheCourseCanBeLeft(t *testing.T) {
	t.Parallel()
	try(t, func(tr *trial) {
		dir := t.TempDir()
		configuration := file(t, "flume.toml", lively(dir))
		p := startOnTerminal(tr, "--config", configuration, "commission")
		p.until("Your name, for the record: ")
		fmt.Fprint(p.terminal, "later\n")
		p.until("Nothing of it was kept")
		p.until("[yes/no]: ")
		fmt.Fprint(p.terminal, "yes\n")
		p.until("Leave the stop button released")
		p.until("[yes]: ")
		p.terminal.Write([]byte{3})
		p.ends(exitByPerson)
		if r, err := commission.Load(filepath.Join(dir, "store", "commissioning")); err != nil || r != nil && len(r.Parts) > 0 {
			tr.Errorf("something was kept: %+v, %v", r, err)
		}
	})
	if code, _, errs := typed(t, "--config", file(t, "flume.toml", lively(t.TempDir())), "commission", "plumbing"); code != exitRefused || !strings.Contains(errs, "first-turn") {
		t.Errorf("a part that is none: exit %d, %s", code, errs)
	}
	if code, _, errs := typed(t, "--config", file(t, "flume.toml", lively(t.TempDir())), "commission", "--record"); code != exitRefused || !strings.Contains(errs, "nothing to record") {
		t.Errorf("--record before anything was gone through: exit %d, %s", code, errs)
	}
	if code, out, errs := typed(t, "commission", "--sheet"); code != exitOK || !strings.Contains(out, "INSTALLATION SHEET") {
		t.Errorf("--sheet: exit %d, %s%s", code, out, errs)
	}
	if code, _, errs := typed(t, "commission", "--marks"); code != exitRefused || !strings.Contains(errs, "no stations") {
		t.Errorf("--marks without stations: exit %d, %s", code, errs)
	}
	if code, _, errs := typed(t, "--config", file(t, "flume.toml", lively(t.TempDir())), "commission", "--keep"); code != exitRefused || !strings.Contains(errs, "nothing was measured") {
		t.Errorf("--keep before anything was measured: exit %d, %s", code, errs)
	}
}

// TestARealDriveHasToBeCommissioned: no swim starts before the safety part is passed for just this drive, in date; the installer's own is slow.
func TestARealDriveHasToBeCommissioned(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	t.Setenv("STATE_DIRECTORY", t.TempDir())
	const wired = "[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/none\"\nmap = \"oxbow-f\"\n"
	session := file(t, "steady.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"0:20\"\npace = \"1:40\"\n")
	passed := commissiontest.Passed(t, wired)
	old := commissiontest.Passed(t, wired)
	s, err := settings.Parse("old", []byte(old), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	record, err := commissiontest.Record(s, time.Now().Add(-366*24*time.Hour))
	if err == nil {
		err = os.WriteFile(filepath.Join(s.Store, "commissioning", "course.json"), record, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	mapText, err := fs.ReadFile(config.Drives, "oxbow-f.toml")
	if err != nil {
		t.Fatal(err)
	}
	own := file(t, "own.toml", string(mapText))
	remapped := commissiontest.Passed(t, strings.Replace(wired, "oxbow-f", own, 1))
	if err := os.WriteFile(own, append(mapText, "# another scale, say\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		text string
		args []string
		says string
	}{
		"passed for another map":     {remapped, nil, "set otherwise"},
		"nobody has been here":       {wired, nil, "not-commissioned"},
		"passed":                     {passed, nil, "link-lost"}, // which is what fails next
		"passed for another drive":   {strings.Replace(passed, "[drive.serial]\n", "[drive.serial]\naddress = 9\n", 1), nil, "set otherwise"},
		"passed a year and more ago": {old, nil, "365 days ago"},
		"the installer, too fast":    {wired, []string{"--uncommissioned"}, "the cap is 0.50 m/s"},
	} {
		code, out, errs := typed(t, append([]string{"--config", file(t, "c.toml", c.text), "run", session}, c.args...)...)
		if code == exitOK || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit %d, %s%s; want %q", name, code, out, errs, c.says)
		}
	}
	// The daemon comes up and starts nothing, from wherever it is asked.
	try(t, func(tr *trial) {
		dir := t.TempDir()
		line := filepath.Join(dir, "line")
		played := start(tr, "drive-sim", "--map", "siltmark-2", "--link", line)
		played.until("map = ")
		p, wall := daemon(tr, dir, fmt.Sprintf("[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nmap = \"siltmark-2\"\n", line))
		wall.ready(p)
		wall.do("press")
		p.until("not-commissioned")
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
		if strings.Contains(p.output(), "state=count-in") {
			tr.Errorf("a swim was started: %s", p.output())
		}
	})
}
