package main

import (
	"fmt"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

func TestTheInstallersViewOfASimulatedDrive(t *testing.T) {
	for _, c := range []struct {
		rule string
		args []string
		code int
		says []string
	}{
		{"status stops it and says how it is", []string{"drive", "status"}, exitOK, []string{"simulated: switched off, motor 0 rpm", "SIMULATED"}},
		{"a jog turns the motor, and says that the water moves on", []string{"drive", "jog", "--rpm", "300", "--for", "2s", "--yes"}, exitOK, []string{"300 rpm of 300 rpm ordered", "SIMULATED", "still moves"}},
		{"a jog slower than the motor turns", []string{"drive", "jog", "--rpm", "30", "--yes"}, exitRefused, []string{"120 to 1500 rpm"}},
		{"a jog for too long", []string{"drive", "jog", "--rpm", "300", "--for", "2m", "--yes"}, exitUsage, []string{"1s to 60s"}},
		{"a jog that nobody confirmed", []string{"drive", "jog", "--rpm", "300"}, exitRefused, []string{"nothing was started"}},
		{"registers of a drive that has none", []string{"drive", "registers"}, exitRefused, []string{"only a drive on a serial line"}},
	} {
		t.Run(c.rule, func(t *testing.T) {
			t.Parallel()
			code, out, errs := typed(t, c.args...)
			if code != c.code {
				t.Errorf("exit %d, want %d: %s%s", code, c.code, out, errs)
			}
			for _, s := range c.says {
				if !strings.Contains(out+errs, s) {
					t.Errorf("does not say %q: %s%s", s, out, errs)
				}
			}
		})
	}
}

// TestTheInstallerSeesTheFlowSensor: with status and while the motor turns; nothing of it where there is none.
func TestTheInstallerSeesTheFlowSensor(t *testing.T) {
	t.Parallel()
	configuration := file(t, "sensor.toml", "[drive.simulated]\nflow_sensor = 0.9\n[water]\nflow_sensor_factor = 1.1\n")
	_, out, errs := typed(t, "--config", configuration, "drive", "status")
	if !strings.Contains(out, "Its flow sensor: 0.000 m/s at the reference\n") {
		t.Errorf("status: %s%s", out, errs)
	}
	_, out, errs = typed(t, "--config", configuration, "drive", "jog", "--rpm", "300", "--for", "3s", "--yes")
	if !regexp.MustCompile(`rpm, flow sensor 0\.[0-3]\d[1-9] m/s`).MatchString(out) {
		t.Errorf("jog: %s%s", out, errs)
	}
	if _, out, _ = typed(t, "drive", "status"); strings.Contains(out, "flow sensor") {
		t.Errorf("without one: %s", out)
	}
}

// TestAJogEndsWithWhoeverLooksOn: a signal that would end or halt a program before it has stopped its motor, ends the jog in good order.
func TestAJogEndsWithWhoeverLooksOn(t *testing.T) {
	t.Parallel()
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGHUP, syscall.SIGTSTP, syscall.SIGPIPE} {
		t.Run(sig.String(), func(t *testing.T) {
			t.Parallel()
			try(t, func(tr *trial) {
				p := start(tr, "drive", "jog", "--rpm", "300", "--for", "1m", "--yes")
				p.until("SIMULATED")
				p.signal(sig)
				p.ends(exitByPerson)
			})
		})
	}
}

func TestRegistersOfADriveOnALine(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	line := linetest.NewLine(t, 19200)
	linetest.StartDrive(t, "velocity", line)
	configuration := file(t, "serial.toml", fmt.Sprintf("[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nparity = \"none\"\nstop_bits = 2\naddress = %d\nmap = \"tarnholm-v\"\n",
		line.Master, linetest.Unit))
	code, out, errs := typed(t, "drive", "registers", "--config", configuration)
	if code != exitOK {
		t.Fatalf("exit %d: %s%s", code, out, errs)
	}
	for _, s := range []string{"status", "actual speed", "0 rpm", "link-loss time"} {
		if !strings.Contains(out, s) {
			t.Errorf("no %q among the registers:\n%s", s, out)
		}
	}
	t.Log("\n" + out)
}
