package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/panel"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/wall"
)

// letDown is how long a program that is told to end lets the water come to rest softly, before it stops the motor: within the supervisor's patience.
const letDown = 20 * time.Second

type serveCommand struct {
	LayOut string `placeholder:"FILE" help:"Lay out this session: the wall starts it."`
}

// Run is the daemon: drive, wall, loop, logbook, watchdogs. It starts nothing: it comes up stopped, says why, and waits for a reset.
func (v *serveCommand) Run(ctx context.Context, c console, line *commandLine) (err error) {
	slog.SetDefault(slog.New(newSparse(slog.NewTextHandler(c.err, nil))))
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	rec := recordServe(s)
	var events chan<- sequencer.Event
	if rec != nil {
		defer rec.close()
		events = rec.events
	}
	l, err := v.first(line, s, rec)
	if err != nil {
		return err
	}
	d, err := l.openDrive()
	if err != nil {
		return err
	}
	hung := false // then what hangs must not be closed under its feet
	defer func() {
		if !hung {
			err = errors.Join(err, d.Close())
		}
	}()
	w, err := wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) })
	if err != nil {
		return err
	}
	defer func() {
		if !hung {
			err = errors.Join(err, w.Close())
		}
	}()
	watched, err := alive.Open(s.Watchdog)
	if err != nil {
		return err
	}
	seq := sequencer.New(sequencer.Config{
		Drive: d, Model: s.Model, Planner: l.planner, Safety: l.guard(), Wall: w, Inline: d.Simulated(), Alive: watched.Feed, Events: events,
	}, 1)

	deck, err := newPanel(s, seq, rec, l)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	tasks := []task.Task{
		{Name: "panel", Run: func(ctx context.Context) error { return keepPanel(ctx, deck) }},
		{Name: "sequencer", Run: seq.Run},
		{Name: "wall", Run: w.Run},
		{Name: "signals", Run: func(ctx context.Context) error {
			defer cancel()
			return untilTold(ctx, seq, func() { watched.Stopping("letting the water down") })
		}},
		{Name: "log", Run: func(ctx context.Context) error { return logStates(ctx, seq, watched) }},
	}
	if !d.Simulated() {
		tasks = append(tasks, task.Task{Name: "drive", Run: d.Run})
	}
	if rec != nil {
		tasks = append(tasks, task.Task{Name: "logbook", Run: rec.book.Run})
	}
	if l.plan.Planner != nil {
		tasks = append(tasks, task.Task{Name: "lay-out", Run: func(ctx context.Context) error {
			rec.keep(l.plan)
			return seq.Do(ctx, sequencer.Command{What: run.LayOut, Plan: l.plan})
		}})
	}
	slog.Info("serving", "flume", s.Flume.Name, "drive", s.Drive.Backend, "simulated", d.Simulated(), "simulated_wall", w.Simulated(), "configuration", s.File)
	err = task.Run(ctx, d.Stop, tasks...)
	slog.Info("ended", "error", err)
	if err == nil {
		err = watched.Close() // a clean end, and only that, disarms the hardware watchdog
	}
	hung = errors.Is(err, task.ErrHangs)
	return err
}

// newPanel makes the deck panel over the loop.
func newPanel(s *settings.Settings, seq *sequencer.Sequencer, rec *recording, first *loaded) (*panel.Panel, error) {
	c := panel.Config{
		Sequencer: seq, Settings: s, Demos: config.Sessions, Laid: rec.keep, Version: version(),
		Lay: func(session *schedule.Session, swimmer string) (rehearse.Input, error) {
			l, err := layFor(s, session, "", swimmer)
			if err != nil {
				return rehearse.Input{}, err
			}
			return l.input(), nil
		},
		Listen: func(at net.Addr) { slog.Info("the deck panel is on", "address", "http://"+at.String()) },
	}
	if first.plan.Planner != nil {
		c.First = first.input()
	}
	if rec != nil {
		c.Store, c.State, c.Sessions = rec.store, rec.store.Dir(), filepath.Join(rec.store.Dir(), "sessions")
	}
	return panel.New(c)
}

// keepPanel serves the panel; where it cannot, because somebody else has its port, it is tried again: the wall does not wait for it.
func keepPanel(ctx context.Context, deck *panel.Panel) error {
	again := time.NewTicker(5 * time.Second)
	defer again.Stop()
	for {
		err := deck.Run(ctx)
		if ctx.Err() != nil {
			return nil
		}
		slog.Error("the deck panel is off, and is tried again", "error", err)
		select {
		case <-ctx.Done():
			return nil
		case <-again.C:
		}
	}
}

// first is what is laid out at the start: what the command line says, else what was on the desk when the program ended, with the place where it was
// interrupted, else nothing. What can no longer be laid out stays on the desk, and is no reason not to start.
func (v *serveCommand) first(line *commandLine, s *settings.Settings, rec *recording) (l *loaded, err error) {
	if v.LayOut != "" {
		return load(line, v.LayOut)
	}
	if l, err := rec.desk(s); err != nil {
		slog.Warn("what was laid out last cannot be laid out now", "error", err)
	} else if l != nil {
		return l, nil
	}
	l = &loaded{settings: s}
	if l.person, l.known, err = findPerson(s, line.Swimmer); err != nil {
		return nil, err
	}
	l.planner, err = ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(l.person))
	return l, err
}

// untilTold waits for a signal to end, lets the water come to rest softly, and returns; told again it returns at once, and the motor is stopped.
func untilTold(ctx context.Context, seq *sequencer.Sequencer, told func()) error {
	sigs := make(chan os.Signal, 2)
	signal.Notify(sigs, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(sigs)
	select {
	case <-ctx.Done():
		return nil
	case sig := <-sigs:
		slog.Info("told to end: the water is let down first", "signal", sig.String())
	}
	told()
	var f fault.Fault
	if err := seq.Do(ctx, sequencer.Command{What: run.Finish}); err != nil && !errors.As(err, &f) {
		return err
	}
	patience := time.NewTimer(letDown)
	defer patience.Stop()
	for {
		snap, changed := seq.Snapshot()
		if !snap.State.Under() || snap.State == run.Stopping && snap.Motor.RPM() < 1 {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil
		case <-sigs:
			return nil
		case <-patience.C:
			slog.Warn("the water did not come to rest in time: the motor is stopped")
			return nil
		}
	}
}

// logStates writes what changes, once each, and tells the supervisor: ready is a loop that ticks.
func logStates(ctx context.Context, seq *sequencer.Sequencer, watched *alive.Keeper) error {
	var state run.State
	var why fault.Code
	first := true
	for {
		snap, changed := seq.Snapshot()
		if snap.Seq > 0 && (first || snap.State != state || snap.Why != why) {
			if first {
				watched.Ready(snap.State.String())
			} else if snap.State != state {
				watched.Status(snap.State.String())
			}
			state, why, first = snap.State, snap.Why, false
			slog.Info("state", "state", state.String(), "reason", string(snap.Reason), "level", int(snap.Level), "why", string(why),
				"session", snap.Title, "block", snap.Block, "rpm", snap.Motor.RPM(), "water_mps", snap.Water.MetresPerSecond())
			if why != "" {
				slog.Info("said", "text", fault.Of(why).Text())
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
	}
}

// layFor plans a session for a swimmer.
func layFor(s *settings.Settings, session *schedule.Session, text, swimmer string) (l *loaded, err error) {
	l = &loaded{settings: s, session: session, text: text}
	if l.person, l.known, err = findPerson(s, swimmer); err != nil {
		return nil, err
	}
	l.threshold = l.person.Threshold
	return l, l.lay()
}
