package main

import (
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

// wired is a flume whose drive is at the end of a line, with a wall that is pressed through a socket.
func wired(dir string, line *linetest.Line, linkLoss time.Duration) string {
	return fmt.Sprintf(`[flume]
name = "Otterford Mill"
[drive]
backend = "serial"
accel_rpm_per_s = 3000
[drive.serial]
port = %q
parity = "none"
stop_bits = 2
address = %d
map = "tarnholm-v"
quick_stop_rpm_per_s = 6000
link_loss = %q
[wall]
simulated = true
socket = %q
[store]
path = %q
`, line.Master, linetest.Unit, linkLoss, filepath.Join(dir, "wall"), filepath.Join(dir, "store"))
}

// atLine is the installer at a drive on a line: cables are pulled too. killed is told when the program that turns the motor is.
func (i *installer) atLine(line *linetest.Line, killed func()) map[string]func() {
	rules := i.does()
	early := true // who puts it back too soon has to do it again
	rules["Pull the cable"] = func() { line.Cut(true) }
	rules["seconds, then put it back."] = func() {
		if early {
			early = false
			line.Cut(false)
			return
		}
		var s float64
		out := i.p.output()
		if _, err := fmt.Sscanf(out[strings.LastIndex(out, "Wait for "):], "Wait for %f", &s); err != nil {
			i.p.t.Fatalf("%v", err)
		}
		<-time.After(time.Duration(s * float64(time.Second))) // as it says
		line.Cut(false)
	}
	rules["rpm, and was killed."] = killed
	return rules
}

// TestTheStopsOfADriveOnALine: the safety parts that turn the motor, on a drive that nobody here wrote, whose own record is the witness of what a killed
// program leaves behind: a drive that hears nothing more and stops by itself, a link-loss time later.
func TestTheStopsOfADriveOnALine(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	const linkLoss = time.Second
	for _, c := range []struct {
		name string
		deaf bool // the drive takes its link-loss time, and does not keep to it
	}{{"well", false}, {"a drive that goes on", true}} {
		t.Run(c.name, func(t *testing.T) {
			try(t, func(tr *trial) {
				dir := t.TempDir()
				line := linetest.NewLine(t, 19200)
				d := linetest.StartDrive(t, "velocity", line)
				configuration := file(t, "flume.toml", wired(dir, line, linkLoss))
				if c.deaf {
					d.Tell("deaf")
				}
				p := startOnTerminal(tr, "--config", configuration, "commission", "stops")
				p.until("Stops from slow")
				kills := 0
				i := &installer{p: p, wall: fingersAt(tr, filepath.Join(dir, "wall"))}
				i.wall.do("occupancy empty") // the sensor sees nobody
				i.wall.do("stop press")      // which the guard wants to have seen
				i.wall.do("stop release")
				i.rules = i.atLine(line, func() {
					kills++
					if !c.deaf {
						stopsByItself(tr, d, linkLoss)
					}
				})
				i.work(6 * time.Minute)
				tr.blame(p)
				tr.late = tr.late || lateDrive.MatchString(p.output()) // on a busy machine the drive, which is another's program, is late as well
				p.ends(exitOK)
				out := p.output()
				if strings.Count(out, "too soon to tell") != 1 {
					tr.Errorf("a cable that is back at once is taken for a pulled one")
				}
				if kills != 3 {
					tr.Errorf("%d programs were killed, want 3", kills)
				}
				for _, speed := range []string{"slow speed", "middle speed", "full speed"} {
					for _, what := range []string{"Stop button at ", "Stop from here at ", "The program killed at ", "Cable pulled at "} {
						verdict := "good  "
						if c.deaf && what[0] != 'S' {
							verdict = "BAD   "
						}
						if !strings.Contains(out, verdict+what+speed) {
							tr.Errorf("it does not say %q", verdict+what+speed)
						}
					}
				}
				bad := 0
				if c.deaf {
					bad = 6
				}
				if strings.Count(out, "BAD") != bad || strings.Count(out, "link-loss time (communication time-out) to 1s")+strings.Count(out, "set the drive's link-loss time to 1s") != bad {
					tr.Errorf("a deaf drive %v, and it says:\n%s", c.deaf, out)
				}
			})
		})
	}
}

var lateDrive = regexp.MustCompile(`\[(motor-slow|feedback-old|link-lost)\]`)

// stopsByItself waits for the motor to stop, and holds it to have begun a link-loss time after its drive was last spoken to: so nobody has stopped it.
func stopsByItself(t *trial, d *linetest.Drive, linkLoss time.Duration) {
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	s := d.Ask()
	for end := time.After(patience); s.Enabled; s = d.Ask() {
		select {
		case <-look.C:
		case <-end:
			t.Fatalf("it turns on: %+v", s)
		}
	}
	if after := s.Halted - s.Heard; math.Abs(after-linkLoss.Seconds()) > 0.05 {
		t.Errorf("its stop began %.3f s after it was last spoken to, want %v: %+v", after, linkLoss, s)
	}
}

// TestEveryStopEndsTheProcessThatTurnsTheMotor: while a second program turns it, on a drive that would go on by itself, somebody presses stop, or the program
// that has started it is gone.
func TestEveryStopEndsTheProcessThatTurnsTheMotor(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	for _, c := range []struct {
		name string
		stop func(*trial, *installer)
		says string
		code int
	}{
		{"the program hangs", func(_ *trial, i *installer) { i.p.cmd.Process.Signal(syscall.SIGSTOP) }, "", -1},
		{"the button", func(_ *trial, i *installer) { i.wall.do("stop press") }, "That was interrupted", exitOK},
		{"Ctrl-C", func(_ *trial, i *installer) { i.p.terminal.Write([]byte{3}) }, "That was interrupted", exitOK},
		{"the program is killed", func(_ *trial, i *installer) { i.p.cmd.Process.Kill() }, "", -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			try(t, func(tr *trial) {
				dir := t.TempDir()
				line := linetest.NewLine(t, 19200)
				d := linetest.StartDrive(t, "velocity", line)
				d.Tell("deaf")
				p := startOnTerminal(tr, "--config", file(t, "flume.toml", wired(dir, line, time.Second)), "commission", "stops")
				p.until("Stops from slow")
				i := &installer{p: p, wall: fingersAt(tr, filepath.Join(dir, "wall"))}
				for _, line := range []string{"occupancy empty", "stop press", "stop release"} {
					i.wall.do(line)
				}
				i.rules = i.does()
				i.rules["A second program turns it now, and"] = func() {
					look := time.NewTicker(5 * time.Millisecond)
					defer look.Stop()
					for end := time.After(patience); d.Ask().RPM < 100; {
						select {
						case <-look.C:
						case <-p.over:
							tr.Fatalf("it has ended: %s", p.output())
						case <-end:
							tr.Fatalf("it never turned: %+v; %s", d.Ask(), p.output())
						}
					}
					pressed := d.Ask().Now
					c.stop(tr, i)
					for end := time.After(patience); ; {
						s := d.Ask()
						if s.Halted >= pressed && !s.Enabled {
							if late := s.Halted - pressed; late > 0.3 && (c.code != -1 || late > parentSilent.Seconds()+0.3) {
								tr.Errorf("its stop began %.3f s later", late)
							}
							if c.code == -1 {
								p.cmd.Process.Kill()
							}
							break
						}
						select {
						case <-look.C:
						case <-end:
							tr.Fatalf("it turns on: %+v; %s", s, p.output())
						}
					}
				}
				i.rules["Go through this part again? [yes/no]: "] = func() { i.answer("no") }
				i.work(2 * time.Minute)
				tr.blame(p)
				p.ends(c.code)
				if !strings.Contains(p.output(), c.says) {
					tr.Errorf("it does not say %q", c.says)
				}
				if s := d.Ask(); s.Enabled || s.RPM != 0 {
					tr.Errorf("in the end %+v", s)
				}
			})
		})
	}
}

// TestTheProcessThatIsThereToBeKilled is for nobody but the course.
func TestTheProcessThatIsThereToBeKilled(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	dir := t.TempDir()
	for name, c := range map[string]struct{ text, says string }{
		"a simulated drive": {"", "simulated drive is in the program"},
		"nobody's child":    {"[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/none\"\nmap = \"oxbow-f\"\n[store]\npath = \"" + dir + "\"\n", "for the installer's course alone"},
	} {
		if code, out, errs := typed(t, "--config", file(t, "flume.toml", c.text), "drive", "apart", "--rpm", "300"); code != exitRefused || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit %d, %s%s", name, code, out, errs)
		}
	}
}
