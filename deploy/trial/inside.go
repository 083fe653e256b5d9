package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission/commissiontest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
)

// session is short: what is tried here is the service.
const session = `format = 1
title = "Trial"
[[step]]
name = "Ease in"
time = "0:08"
pace = "2:20"
[[step]]
name = "On"
time = "4:00"
pace = "2:00"
`

// quick has only the first step.
var quick, _, _ = strings.Cut(session, "[[step]]\nname = \"On\"")

// sluggish is a water that comes to rest within seconds, so that nobody has to wait for it.
const sluggish = "[flume]\ninertia_m = 0.3\n[store]\npath = \"/var/lib/sequencerd\"\n"

// overBroker is a motor that outlives the program, and a wall.
const overBroker = sluggish + "[drive]\nbackend = \"mqtt\"\n[wall]\nsimulated = true\nsocket = \"" + wallSocket + "\"\n"

func withinDebian(file string) error {
	t := &table{began: time.Now(), file: file}
	for _, step := range []func(*table) error{installed, swum, reloaded, restarted, hung, upgraded, purged, allTyped} {
		if err := step(t); err != nil {
			t.saw("NOT AS IT SHOULD BE", "%v", err)
			return err
		}
	}
	fmt.Println(allGood)
	return nil
}

// installed: the service starts by itself, moves nothing, and is as shut in and as urgent as its unit says.
func installed(t *table) error {
	began := time.Now()
	if _, err := asShown("apt install ./" + firstPackage); err != nil {
		return err
	}
	took := time.Since(began)
	s, err := atRest()
	if err != nil {
		return err
	}
	if active, enabled := property("sequencerd", "ActiveState"), property("sequencerd", "UnitFileState"); active != "active" || enabled != "enabled" {
		return fmt.Errorf("after the installation it is %s, %s, %+v", active, enabled, s)
	}
	t.saw("installed", "in %.1f s, active, enabled; state %s (%s), motor at %g rpm", took.Seconds(), s.State, s.Reason, s.RPM)

	pid := property("sequencerd", "MainPID")
	threads, err := scheduling(pid)
	if err != nil {
		return err
	}
	const realTime = "policy 2 priority 20" // SCHED_RR, sched(7)
	if len(threads) != 1 || threads[realTime] == 0 {
		return fmt.Errorf("threads run at %v, wanted %s", threads, realTime)
	}
	who, err := output("ps", "-o", "user=", "-p", pid)
	if err != nil || strings.TrimSpace(who) != "sequencerd" {
		return fmt.Errorf("it runs as %s (%v)", who, err)
	}
	if err := command("systemd-analyze", "verify", "--man=no", "sequencerd.service"); err != nil {
		return err
	}
	exposure, err := output("systemd-analyze", "security", "--no-pager", "--threshold=20", "sequencerd.service")
	if err != nil {
		return err
	}
	t.saw("shut in", "as user %s, all %d threads at round-robin 20; verify is clean; %s", strings.TrimSpace(who), threads[realTime], strings.TrimLeft(tail(exposure, 1), "→ "))
	return nil
}

// swum: a session through the API, from laying out to the last drop, and it is in the logbook.
func swum(t *table) error {
	if err := configure(sluggish); err != nil {
		return err
	}
	if _, err := request("PUT", "/api/v1/sessions/quick", []byte(quick), "application/toml"); err != nil {
		return err
	}
	if err := do("lay-out", map[string]any{"session": "quick"}); err != nil {
		return err
	}
	if err := do("reset", nil); err != nil {
		return err
	}
	if _, err := untilState("ready", 5*time.Second); err != nil {
		return err
	}
	if err := do("start", nil); err != nil {
		return err
	}
	counted, err := untilState("running", 40*time.Second)
	if err != nil {
		return err
	}
	took, err := untilState("finished", 40*time.Second)
	if err != nil {
		return err
	}
	s, err := look()
	if err != nil {
		return err
	}
	list, err := output("runuser", "-u", "sequencerd", "--", "sequencerd", "swims", "list")
	if err != nil || !strings.Contains(list, "Trial") || s.Distance < 1 || s.RPM != 0 {
		return fmt.Errorf("after the swim: %+v; logbook: %s (%v)", s, list, err)
	}
	t.saw("a session swum through the API", "counted in for %.0f s; %.1f s, %.1f m, finished, motor at rest; in the logbook", counted.Seconds(), took.Seconds(), s.Distance)
	return nil
}

// commissioned puts the record of an installer's course for that configuration into the store: on a drive that is not simulated nobody swims without one.
func commissioned(text string) error {
	s, err := settings.Parse("the trial's configuration", []byte(text), config.Default())
	if err != nil {
		return err
	}
	record, err := commissiontest.Record(s, time.Now())
	if err != nil {
		return err
	}
	dir := filepath.Join(state, "commissioning")
	return errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, "course.json"), record, 0o644))
}

// hung: in a swim on a motor that outlives the program, that is stopped in its tracks.
func hung(t *table) error {
	if err := errors.Join(os.WriteFile("/etc/node.toml", []byte("[flume]\ninertia_m = 0.3\n"), 0o644), command("systemctl", "start", "mosquitto"),
		command("systemd-run", "--unit=node", "sequencerd", "node-sim", "--config", "/etc/node.toml")); err != nil {
		return err
	}
	if err := commissioned(overBroker); err != nil {
		return err
	}
	if err := configure(overBroker); err != nil {
		return err
	}
	if err := swimAtTheWall(); err != nil {
		return err
	}
	before, err := look()
	if err != nil {
		return err
	}
	pid, restarts := property("sequencerd", "MainPID"), property("sequencerd", "NRestarts")
	from, err := sinceStart()
	if err != nil {
		return err
	}
	began := time.Now()
	if err := command("kill", "-STOP", pid); err != nil {
		return err
	}
	if _, err := until("a new process that answers", 20*time.Second, func() bool {
		now := property("sequencerd", "MainPID")
		_, err := look()
		return now != pid && now != "0" && err == nil
	}); err != nil {
		return err
	}
	took := time.Since(began)
	s, err := atRest()
	if err != nil {
		return err
	}
	lines, err := journal("sequencerd")
	if err != nil {
		return err
	}
	// Of one start after another the journal has: the watchdog's kill, the stop seen at the drive, the new program.
	killed := said(lines, "Watchdog timeout", from)
	stopped := said(lines, "is stopped, its motor is at rest", from)
	again := said(lines, "msg=serving", from)
	if killed.at == 0 || stopped.at < killed.at || again.at < stopped.at {
		return fmt.Errorf("the journal has the watchdog at %v, the stop at %v, the new start at %v", killed.at, stopped.at, again.at)
	}
	if s.Boot == before.Boot || property("sequencerd", "NRestarts") == restarts {
		return fmt.Errorf("after the watchdog it is %+v", s)
	}
	t.saw("hung (SIGSTOP) at "+fmt.Sprintf("%.0f rpm", before.RPM), "watchdog kills after %.1f s; stop-drive sees the motor at rest after %.1f s; new program after %.1f s; answers after %.1f s, state %s (%s)",
		(killed.at - from).Seconds(), (stopped.at - from).Seconds(), (again.at - from).Seconds(), took.Seconds(), s.State, s.Reason)
	return nil
}

// upgraded in mid-swim: the old program lets the water down, the new one comes up stopped, and what is the owner's is still there.
func upgraded(t *table) error {
	if err := swimAtTheWall(); err != nil {
		return err
	}
	before, err := look()
	if err != nil {
		return err
	}
	from, err := sinceStart()
	if err != nil {
		return err
	}
	began := time.Now()
	var told string
	var took time.Duration
	var d descent
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	err = task.Run(ctx, func(fault.Code) {},
		task.Task{Name: "the upgrade", Run: func(context.Context) (err error) {
			defer cancel()
			told, err = asShown("apt install ./"+nextPackage, "N") // the configuration has changed here and there, and is kept
			took = time.Since(began)
			return err
		}},
		task.Task{Name: "who watches the water", Run: func(ctx context.Context) error { d = watchDescent(ctx); return nil }})
	if err != nil {
		return err
	}
	if !strings.Contains(told, "a swim is under way") {
		return fmt.Errorf("dpkg does not say that somebody swims: %s", told)
	}
	lines, err := journal("sequencerd")
	if err != nil {
		return err
	}
	if end := said(lines, "Deactivated successfully", from); end.at == 0 || said(lines, "Watchdog timeout", from).at != 0 {
		return errors.New("the old program did not end in good order")
	}
	// The default decel is 0.12 m/s²; looked at twenty times a second, a step of it is not above 0.3 m/s².
	if d.looks < 20 || d.steepest > 0.3 || d.last > 0.5 || d.state != "stopping" {
		return fmt.Errorf("the water was not let down softly: %+v", d)
	}
	s, err := atRest()
	if err != nil {
		return err
	}
	text, err := os.ReadFile(configuration)
	if err != nil {
		return err
	}
	list, err := output("runuser", "-u", "sequencerd", "--", "sequencerd", "swims", "list")
	if err != nil {
		return err
	}
	version, err := output("dpkg-query", "-W", "-f", "${Version}", "sequencerd")
	if err != nil {
		return err
	}
	if s.Boot == before.Boot || string(text) != overBroker || strings.Count(list, "Trial") != 4 || version == olderVersion {
		return fmt.Errorf("after the upgrade to %s: %+v; configuration %q; logbook: %s", version, s, text, list)
	}
	t.saw(fmt.Sprintf("upgraded at %.2f m/s", before.Water), "dpkg says that somebody swims; let down within %.1f s, at most %.2f m/s²; in all %.1f s; state %s; configuration and 4 swims kept",
		d.took.Seconds(), d.steepest, took.Seconds(), s.State)
	return nil
}

// descent is how the wished speed went down while the program was told to end.
type descent struct {
	looks    int
	state    string // the last
	last     float64
	steepest float64 // m/s², over a quarter of a second
	took     time.Duration
}

// watchDescent looks until ctx is done.
func watchDescent(ctx context.Context) (d descent) {
	var at []time.Time
	var wish []float64
	var began time.Time
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	var halves []net.Conn // requests that were begun and never end, as of a phone that went: the end must not wait for them
	defer func() {
		for _, c := range halves {
			c.Close()
		}
	}()
	for n := 0; ; n++ {
		if n%20 == 0 {
			if c, err := net.Dial("tcp", strings.TrimPrefix(panel, "http://")); err == nil {
				_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHost:")
				halves = append(halves, c)
			}
		}
		select {
		case <-ctx.Done():
			return d
		case <-tick.C:
		}
		s, err := look()
		if err != nil || s.State != "stopping" {
			continue
		}
		now := time.Now()
		if began.IsZero() {
			began = now
		}
		d.looks, d.state, d.last, d.took = d.looks+1, s.State, s.Wish, now.Sub(began)
		at, wish = append(at, now), append(wish, s.Wish)
		for i := range at {
			if span := now.Sub(at[i]); span > 250*time.Millisecond && span < 400*time.Millisecond {
				d.steepest = max(d.steepest, (wish[i]-s.Wish)/span.Seconds())
			}
		}
	}
}

// purged: removed, the owner's things are there; purged, they are not.
func purged(t *table) error {
	if _, err := asShown("apt remove sequencerd", "y"); err != nil {
		return err
	}
	if pid := property("sequencerd", "MainPID"); pid != "0" && pid != "" {
		return fmt.Errorf("removed, and process %s still runs", pid)
	}
	if _, err := look(); err == nil {
		return errors.New("removed, and the panel still answers")
	}
	for _, f := range []string{configuration, filepath.Join(state, "sessions", "quick.toml")} {
		if _, err := os.Stat(f); err != nil {
			return fmt.Errorf("removed: %w", err)
		}
	}
	failed, err := output("systemctl", "list-units", "--failed", "--no-legend", "--plain", "sequencerd*")
	if err != nil || strings.TrimSpace(failed) != "" {
		return fmt.Errorf("removed, and systemd has %s (%v)", failed, err)
	}
	t.saw("removed", "no process, no panel, nothing failed; configuration, swims and sessions are there")
	if err := command("systemctl", "stop", "node"); err != nil {
		return err
	}
	if _, err := asShown("apt purge sequencerd", "y"); err != nil {
		return err
	}
	left, err := left("/")
	if err != nil || len(left) > 0 {
		return fmt.Errorf("purge leaves %s (%v)", strings.Join(left, " "), err)
	}
	t.saw("purged", "nothing left but the user")
	return nil
}

// configure gives the service another configuration and starts it again.
func configure(text string) error {
	if err := os.WriteFile(configuration, []byte(text), 0o644); err != nil {
		return err
	}
	if err := command("systemctl", "restart", "sequencerd"); err != nil {
		return err
	}
	_, err := untilState("stopped", 5*time.Second)
	return err
}

// swimAtTheWall lays out the long session and starts it by hand, after trying the stop button as one must.
func swimAtTheWall() error {
	if _, err := request("PUT", "/api/v1/sessions/long", []byte(session), "application/toml"); err != nil {
		return err
	}
	if err := do("lay-out", map[string]any{"session": "long"}); err != nil {
		return err
	}
	if err := errors.Join(hand("stop press"), hand("stop release"), hand("hold 2.5s")); err != nil {
		return err
	}
	if _, err := untilState("ready", 10*time.Second); err != nil {
		return err
	}
	// A motor that has only just answered again is not started yet: whoever stands there presses again.
	pressed := time.Time{}
	if _, err := until("the count-in", 20*time.Second, func() bool {
		s, err := look()
		if err == nil && s.State == "ready" && time.Since(pressed) > time.Second {
			pressed = time.Now()
			_ = hand("press")
		}
		return err == nil && s.State == "count-in"
	}); err != nil {
		return err
	}
	if _, err := untilState("running", 20*time.Second); err != nil {
		return err
	}
	_, err := until("water that moves", 20*time.Second, func() bool { s, err := look(); return err == nil && s.Water > 0.6 })
	return err
}
