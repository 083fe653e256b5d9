package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

// named is a water as sluggish as the others, with a name to tell configurations apart.
func named(name string) string {
	return fmt.Sprintf("[flume]\nname = %q\n", name) + strings.TrimPrefix(sluggish, "[flume]\n")
}

// reloaded: a changed configuration is taken at standstill, one with a mistake is not, and in mid-swim it waits. All of it without a new process.
func reloaded(t *table) error {
	pid := property("sequencerd", "MainPID")
	for _, step := range []func(*table) error{takenAtStandstill, notTakenWithAMistake, waitsInMidSwim} {
		if err := step(t); err != nil {
			return err
		}
		if now := property("sequencerd", "MainPID"); now != pid || property("sequencerd", "ActiveState") != "active" {
			return fmt.Errorf("reload: process %s is now %s, %s", pid, now, property("sequencerd", "ActiveState"))
		}
	}
	return nil
}

const reload = "systemctl reload sequencerd"

// change writes another configuration and has the service asked to read it.
func change(text string) (from time.Duration, err error) {
	if from, err = sinceStart(); err != nil {
		return from, err
	}
	if err := os.WriteFile(configuration, []byte(text), 0o644); err != nil {
		return from, err
	}
	_, err = asShown(reload)
	return from, err
}

// inForce waits until a configuration is, as journal and panel show it.
func inForce(name string, from time.Duration, patience time.Duration) (time.Duration, error) {
	return until(name+" in force", patience, func() bool {
		lines, err := journal("sequencerd")
		if err != nil || said(lines, "the changed configuration is in force", from).at == 0 {
			return false
		}
		page, err := request("GET", "/installation", nil, "")
		return err == nil && strings.Contains(string(page), name)
	})
}

func takenAtStandstill(t *table) error {
	from, err := change(named("Harrow Weir"))
	if err != nil {
		return err
	}
	took, err := inForce("Harrow Weir", from, 10*time.Second)
	if err != nil {
		return err
	}
	s, err := atRest()
	if err != nil {
		return err
	}
	t.saw("reload at standstill", "in force after %.1f s, same process; state %s (%s)", took.Seconds(), s.State, s.Reason)
	return nil
}

func notTakenWithAMistake(t *table) error {
	const told = configuration + ":2:1: top_speed_mps = 99"
	from, err := change("[flume]\ntop_speed_mps = 99\n")
	if err == nil {
		return errors.New("reload with a mistake in the configuration: systemctl says that all is well")
	}
	var s status
	if _, err := until("a panel that says that the configuration was not taken", 10*time.Second, func() bool {
		now, err := look()
		s = now
		return err == nil && s.shows("bad-config")
	}); err != nil {
		return err
	}
	lines, err := journal("sequencerd")
	if err != nil {
		return err
	}
	status := property("sequencerd", "StatusText")
	page, err := request("GET", "/installation", nil, "")
	if err != nil || said(lines, told, from).at == 0 || !strings.Contains(status, "was not taken") || !strings.Contains(string(page), "Harrow Weir") {
		return fmt.Errorf("reload with a mistake: journal %v, status %q, the old one in force %v (%v)", said(lines, told, from), status, strings.Contains(string(page), "Harrow Weir"), err)
	}
	// What whoever looks at the log finds by the lines that the documents show.
	faults, err := asShown("journalctl -u sequencerd -p err")
	if err != nil {
		return err
	}
	day, err := asShown("journalctl -u sequencerd --since -24h")
	if err != nil {
		return err
	}
	all, err := asShown("journalctl -u sequencerd")
	if err != nil {
		return err
	}
	const taken = "the changed configuration is in force"
	if !strings.Contains(faults, told) || strings.Contains(faults, taken) || !strings.Contains(day, told) || !strings.Contains(day, taken) || !strings.Contains(all, taken) {
		return fmt.Errorf("the log shows of faults %s\nand of the day %s", faults, day)
	}
	t.saw("reload with a mistake", "systemctl fails; journal, panel and status (%q) say why; the old one is in force, same process", status)
	return nil
}

func waitsInMidSwim(t *table) error {
	if _, err := request("PUT", "/api/v1/sessions/long", []byte(session), "application/toml"); err != nil {
		return err
	}
	if err := errors.Join(do("lay-out", map[string]any{"session": "long"}), do("reset", nil)); err != nil {
		return err
	}
	if _, err := untilState("ready", 5*time.Second); err != nil {
		return err
	}
	if err := do("start", nil); err != nil {
		return err
	}
	if _, err := untilState("running", 40*time.Second); err != nil {
		return err
	}
	moves := func() bool { s, err := look(); return err == nil && s.Water > 0.3 }
	if _, err := until("water that moves", 20*time.Second, moves); err != nil {
		return err
	}
	before, err := look()
	if err != nil {
		return err
	}
	from, err := change(named("Otterford Mill"))
	if err != nil {
		return err
	}
	waits := "the changed configuration waits until the flume is at rest"
	if _, err := until("a status that says that it waits", 5*time.Second, func() bool { return strings.Contains(property("sequencerd", "StatusText"), waits) }); err != nil {
		return err
	}
	status := property("sequencerd", "StatusText")
	if _, err := until("two more metres", 20*time.Second, func() bool {
		s, err := look()
		return err == nil && s.State == "running" && s.Distance > before.Distance+2
	}); err != nil {
		return err
	}
	lines, err := journal("sequencerd")
	if err != nil {
		return err
	}
	if said(lines, "is read again once the flume is at rest", from).at == 0 || said(lines, "is in force", from).at != 0 {
		return errors.New("reload in mid-swim: the journal does not say that it waits, or it did not wait")
	}
	began := time.Now()
	if err := do("stop", nil); err != nil {
		return err
	}
	if _, err := inForce("Otterford Mill", from, 30*time.Second); err != nil {
		return err
	}
	took := time.Since(began)
	s, err := atRest()
	if err != nil {
		return err
	}
	t.saw(fmt.Sprintf("reload at %.2f m/s", before.Water), "%q, swum on; in force %.1f s after the stop; state %s (%s)", status, took.Seconds(), s.State, s.Reason)
	return nil
}

// restarted: stopped, started and started anew by the lines that the documents show.
func restarted(t *table) error {
	pid := property("sequencerd", "MainPID")
	if _, err := asShown("systemctl stop sequencerd"); err != nil {
		return err
	}
	if _, err := look(); err == nil || property("sequencerd", "ActiveState") != "inactive" {
		return fmt.Errorf("stopped, it is %s, and the panel answers %v", property("sequencerd", "ActiveState"), err == nil)
	}
	for _, line := range []string{"systemctl start sequencerd", "systemctl restart sequencerd"} {
		if _, err := asShown(line); err != nil {
			return err
		}
		if _, err := atRest(); err != nil {
			return err
		}
		now := property("sequencerd", "MainPID")
		if now == pid || property("sequencerd", "ActiveState") != "active" {
			return fmt.Errorf("%s: process %s, before it %s, %s", line, now, pid, property("sequencerd", "ActiveState"))
		}
		pid = now
	}
	t.saw("stopped, started, restarted", "by hand; each time stopped, and at rest")
	return nil
}
