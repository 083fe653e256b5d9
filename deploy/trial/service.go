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
StandardOutput=append:/packages/log
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

// firstPackage and nextPackage are the files as the documents have them; here they are for this computer.
const (
	firstPackage = "sequencerd_VERSION_arm64.deb"
	nextPackage  = "sequencerd_NEWER_arm64.deb"
)

// tries are how often a trial is begun anew on a computer that was too busy.
const tries = 3

// service tries the package in the Debian under its own systemd. The guard stops a swim whose loop or whose drive's answers came late, and is right to: on a
// computer that has too much to do, at that priority, the trial is begun anew.
func (d *debian) service(t *table) error {
	for left := tries; ; left-- {
		busy, err := d.tryService(t)
		if !busy || left == 1 {
			return err
		}
		t.saw("too busy to swim on; once more", "%v", err)
	}
}

func (d *debian) tryService(t *table) (busy bool, err error) {
	root, remove, err := d.root()
	if err != nil {
		return false, err
	}
	defer remove()
	at := func(path string) string { return filepath.Join(root, path) }
	self, err := os.Executable()
	if err != nil {
		return false, err
	}
	if err := command("cp", self, at("packages/trial")); err != nil {
		return false, err
	}
	if err := giveDocuments(root); err != nil {
		return false, err
	}
	for shown, deb := range map[string]string{firstPackage: "old.deb", nextPackage: "new.deb"} {
		if err := os.Link(at("packages/"+deb), at("packages/"+shown)); err != nil {
			return false, err
		}
	}
	if err := d.boot(root, "/packages/trial -inside /packages/table", 6*time.Minute); err != nil {
		return false, err
	}
	var texts [3]string
	for i, name := range []string{"table", "log", "journal"} {
		text, err := os.ReadFile(at("packages/" + name))
		if err != nil {
			return false, err
		}
		texts[i] = string(text)
	}
	t.rows = append(t.rows, strings.TrimRight(texts[0], "\n"))
	if strings.Contains(texts[1], allGood) {
		return false, nil
	}
	busy = strings.Contains(texts[2], "why=tick-late") || strings.Contains(texts[2], "why=feedback-old")
	kept := filepath.Join(d.keep, "journal")
	return busy, errors.Join(fmt.Errorf("%s\nthe journal is in %s", tail(texts[1], 20), kept), os.WriteFile(kept, []byte(texts[2]), 0o644))
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
