package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// trialUnit runs a command within the Debian and switches that off. Results come by files: a console loses lines.
const trialUnit = `[Unit]
After=multi-user.target mosquitto.service
[Service]
Type=oneshot
TimeoutStartSec=infinity
ExecStart=%s
StandardOutput=file:/packages/log
StandardError=inherit
ExecStopPost=/bin/sh -c 'journalctl -b --no-pager -o short-monotonic -u sequencerd -u node >/packages/journal'
ExecStopPost=systemctl --force --force poweroff
`

// boots sees whether this computer can do it at all.
func (d *debian) boots(t *table) error {
	root, remove, err := d.root()
	if err != nil {
		return err
	}
	defer remove()
	if err := d.boot(root, "/bin/touch /packages/table", time.Minute); err != nil {
		return err
	}
	t.saw("a Debian boots in a container here", "and switches itself off")
	return nil
}

// service boots the Debian under its own systemd and tries the package there.
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
	if err := command("cp", self, at("packages/trial")); err != nil {
		return err
	}
	if err := d.boot(root, "/packages/trial -inside /packages/table", 6*time.Minute); err != nil {
		return err
	}
	table, err := os.ReadFile(at("packages/table"))
	if err != nil {
		return err
	}
	t.rows = append(t.rows, strings.TrimRight(string(table), "\n"))
	log, err := os.ReadFile(at("packages/log"))
	if err != nil {
		return err
	}
	if strings.Contains(string(log), allGood) {
		return nil
	}
	journal, err := os.ReadFile(at("packages/journal"))
	if err != nil {
		return err
	}
	kept := filepath.Join(d.keep, "journal")
	return errors.Join(fmt.Errorf("%s\nthe journal is in %s", tail(string(log), 20), kept), os.WriteFile(kept, journal, 0o644))
}

// allGood is what a run without a fault says at its end.
const allGood = "all as it should be"

// boot boots a Debian, has it run a command that makes /packages/table, and waits until it is off again.
func (d *debian) boot(root, run string, patience time.Duration) error {
	at := func(path string) string { return filepath.Join(root, path) }
	if err := errors.Join(
		os.WriteFile(at("etc/machine-id"), nil, 0o444),
		os.WriteFile(at("etc/systemd/system/trial.service"), fmt.Appendf(nil, trialUnit, run), 0o644),
		os.WriteFile(at("etc/systemd/system/trial.timer"), []byte("[Timer]\nOnBootSec=1s\nAccuracySec=1ms\n"), 0o644),
		os.MkdirAll(at("etc/systemd/system/timers.target.wants"), 0o755),
		os.Symlink("/etc/systemd/system/trial.timer", at("etc/systemd/system/timers.target.wants/trial.timer")),
	); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	c := exec.CommandContext(ctx, "systemd-nspawn", "-q", "--register=no", "--keep-unit", "--private-network", "-D", root, "-b")
	c.WaitDelay = 5 * time.Second
	c.Cancel = func() error { return c.Process.Signal(syscall.SIGTERM) } // nspawn then takes down what it started
	console, err := c.CombinedOutput()
	if _, stat := os.Stat(at("packages/table")); stat != nil {
		return cannot{fmt.Errorf("a Debian does not boot in a container here (%v): %s", err, tail(string(console), 15))}
	}
	return nil
}

func tail(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
