package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission/commissiontest"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// A swim over a serial line to a drive that nobody here wrote. In the middle of it the program is killed, and the supervisor's command stops the motor,
// which by itself would have turned on for ten seconds. The motor's own record is the witness.
func TestASwimOverASerialLineThatIsKilled(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	try(t, func(tr *trial) { swimAndKill(t, tr, "velocity", "tarnholm-v") })
}

func swimAndKill(t *testing.T, tr *trial, kind, mapped string) {
	line := linetest.NewLine(t, 19200)
	d := linetest.StartDrive(t, kind, line)
	text := commissiontest.Passed(t, fmt.Sprintf(`[drive]
backend = "serial"
[drive.serial]
port = %q
parity = "none"
stop_bits = 2
address = %d
map = %q
link_loss = "10s"
`, line.Master, linetest.Unit, mapped))
	configuration := file(t, "serial.toml", text)
	session := file(t, "steady.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"5:00\"\npace = \"1:40\"\n")
	if code, out, errs := typed(t, "check", configuration); code != exitOK {
		tr.Fatalf("check: exit %d, %s%s", code, out, errs)
	}

	p := start(tr, "--config", configuration, "run", session)
	s, err := settings.Parse("serial.toml", []byte(text), config.Default())
	if err != nil {
		tr.Fatalf("%v", err)
	}
	want := s.Model.MotorFor(units.MetresPerSecond(1), units.Accel{}).RPM() // 1:40 per 100 m
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	begun := time.Now()
	for settled := 0; settled < 10; <-tick.C {
		if math.Abs(d.Ask().RPM-want) < 0.005*want {
			settled++
		} else {
			settled = 0
		}
		select {
		case <-p.over:
			tr.blame(p)
			tr.Fatalf("the program ended: %s", p.output())
		default:
		}
		if time.Since(begun) > patience {
			tr.Fatalf("after %v the motor turns at %+v, want %.1f rpm; %s", patience, d.Ask(), want, p.output())
		}
	}

	if code, _, errs := typed(t, "--config", configuration, "run", session); code != exitRefused || !strings.Contains(errs, "is held by") {
		tr.Errorf("a second program on the same drive: exit %d, %s", code, errs)
	}
	if err := p.cmd.Process.Kill(); err != nil {
		tr.Fatalf("%v", err)
	}
	<-p.over
	before := d.Ask()
	if !before.Enabled || before.Word != "well" {
		tr.Errorf("the motor was to be found turning: %+v", before)
	}
	if code, out, errs := typed(t, "stop-drive"); code != exitOK || !strings.Contains(out, "at rest") {
		tr.Errorf("stop-drive: exit %d, %s%s", code, out, errs)
	}
	after := d.Ask()
	if after.Enabled || after.RPM != 0 || after.Halted < before.Now || after.Halted > before.Now+5 {
		tr.Errorf("stopped, and the motor says %+v; before %+v", after, before)
	}
	line.Cut(true)
	if code, _, errs := typed(t, "--config", configuration, "stop-drive"); code != exitUncertain || !strings.Contains(errs, "emergency stop") {
		tr.Errorf("stop-drive on a dead line: exit %d, %s", code, errs)
	}
}

// A record that nobody can read is told, and does not keep stop-drive from the drive of another record, or of the configuration.
func TestStopDriveStopsBesideABadRecord(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	dir := t.TempDir()
	t.Setenv("RUNTIME_DIRECTORY", dir)
	bad := filepath.Join(dir, "drive-bad.json")
	if err := os.WriteFile(bad, []byte("{\"pid\":"), 0o600); err != nil {
		t.Fatal(err)
	}
	line := linetest.NewLine(t, 19200)
	d := linetest.StartDrive(t, "plain", line)
	s, err := settings.Parse("serial.toml", fmt.Appendf(nil, "[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nparity = \"none\"\nstop_bits = 2\naddress = %d\nmap = \"oxbow-f\"\n",
		line.Master, linetest.Unit), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	r, err := resolve(s)
	if err != nil {
		t.Fatal(err)
	}
	lock, err := drive.Acquire(r.link(), "one that died", r.String())
	if err != nil {
		t.Fatal(err)
	}
	if err := lock.Release(); err != nil { // as the kernel does
		t.Fatal(err)
	}
	before := d.Ask()
	code, out, errs := typed(t, "stop-drive")
	if code != exitUncertain || !strings.Contains(out, "at rest") || !strings.Contains(errs, bad) {
		t.Errorf("beside a bad record: exit %d, %s%s", code, out, errs)
	}
	if said := d.Ask(); said.Heard <= before.Now || said.Enabled {
		t.Errorf("nobody has spoken to the drive: %+v", said)
	}
	flume := file(t, "flume.toml", "[drive]\nbackend = \"simulated\"\n")
	if code, out, errs := typed(t, "stop-drive", "--config", flume); code != exitUncertain || !strings.Contains(out, "Nothing moves") || !strings.Contains(errs, bad) {
		t.Errorf("a bad record alone: exit %d, %s%s", code, out, errs)
	}
}

func TestCheckKnowsMapsOfDrives(t *testing.T) {
	good, err := readMap("oxbow-f")
	if err != nil {
		t.Fatal(err)
	}
	name := file(t, "mine.toml", string(good))
	if code, out, errs := typed(t, "check", name); code != exitOK || !strings.Contains(out, "a map of a drive, all well: Oxbow F.") {
		t.Errorf("a good map: exit %d, %s%s", code, out, errs)
	}
	name = file(t, "mine.toml", strings.Replace(string(good), "run = 0x0001", "run = 70000", 1))
	if code, _, errs := typed(t, "check", name); code != exitRefused || !strings.Contains(errs, ":11:1: run = 70000: allowed is 0 to 65535") {
		t.Errorf("a bad map: exit %d, %s", code, errs)
	}
	name = file(t, "config.toml", "[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/ttyUSB0\"\nmap = \"steam\"\n")
	if code, _, errs := typed(t, "check", name); code != exitRefused || !strings.Contains(errs, `no map of a drive is called "steam": known are oxbow-f, siltmark-2, tarnholm-v`) {
		t.Errorf("a map that is not there: exit %d, %s", code, errs)
	}
}
