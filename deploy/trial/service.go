package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// trialUnit runs this program within the Debian and switches that off.
const trialUnit = `[Unit]
After=multi-user.target mosquitto.service
[Service]
Type=oneshot
TimeoutStartSec=infinity
ExecStart=/packages/trial -inside /packages/table
StandardOutput=file:/packages/log
StandardError=inherit
ExecStopPost=/bin/sh -c 'journalctl -b --no-pager -o short-monotonic -u sequencerd -u node >/packages/journal'
ExecStopPost=systemctl --force --force poweroff
`

// service boots the Debian under its own systemd and tries the package there. The results come by files: a console loses lines.
func (d *debian) service(t *table) error {
	root, remove, err := d.root()
	if err != nil {
		return err
	}
	defer remove()
	at := func(path string) string { return filepath.Join(root, path) }
	self, err := os.Executable()
	if err != nil {
		return err
	}
	if err := errors.Join(
		command("cp", self, at("packages/trial")),
		os.WriteFile(at("etc/machine-id"), nil, 0o444),
		os.WriteFile(at("etc/systemd/system/trial.service"), []byte(trialUnit), 0o644),
		os.WriteFile(at("etc/systemd/system/trial.timer"), []byte("[Timer]\nOnBootSec=1s\nAccuracySec=1ms\n"), 0o644),
		os.MkdirAll(at("etc/systemd/system/timers.target.wants"), 0o755),
		os.Symlink("/etc/systemd/system/trial.timer", at("etc/systemd/system/timers.target.wants/trial.timer")),
	); err != nil {
		return err
	}
	container := func(patience time.Duration, args ...string) (string, error) {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		c := exec.CommandContext(ctx, "systemd-nspawn", append([]string{"-q", "--register=no", "--keep-unit", "--private-network", "-D", root}, args...)...)
		c.WaitDelay = time.Second
		c.Cancel = func() error { return c.Process.Signal(os.Interrupt) }
		text, err := c.CombinedOutput()
		return string(text), err
	}
	if text, err := container(20*time.Second, "/bin/true"); err != nil {
		return cannot{fmt.Errorf("this computer cannot start a container: %w: %s", err, text)}
	}
	console, err := container(6*time.Minute, "-b")
	table, readErr := os.ReadFile(at("packages/table"))
	if readErr != nil {
		return cannot{fmt.Errorf("a Debian does not boot in a container here (%v): %s", err, tail(console, 15))}
	}
	t.rows = append(t.rows, strings.TrimRight(string(table), "\n"))
	log, err := os.ReadFile(at("packages/log"))
	if err != nil {
		return err
	}
	if !strings.Contains(string(log), allGood) {
		journal, err := os.ReadFile(at("packages/journal"))
		if err != nil {
			return err
		}
		kept := filepath.Join(d.keep, "journal")
		return errors.Join(fmt.Errorf("%s\nthe journal is in %s", tail(string(log), 20), kept), os.WriteFile(kept, journal, 0o644))
	}
	return nil
}

// allGood is what a run without a fault says at its end.
const allGood = "all as it should be"

func tail(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
