package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
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

// Run is the daemon: drive, wall, loop. It starts nothing: it comes up stopped, says why, and waits for a reset.
func (v *serveCommand) Run(ctx context.Context, c console, line *commandLine) error {
	slog.SetDefault(slog.New(slog.NewTextHandler(c.err, nil)))
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	l := &loaded{settings: s}
	if v.LayOut != "" {
		if l, err = load(line, v.LayOut); err != nil {
			return err
		}
	} else if l.person, err = s.Person(line.Swimmer); err != nil {
		return err
	} else if l.planner, err = ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(l.person)); err != nil {
		return err
	}
	d, err := l.openDrive()
	if err != nil {
		return err
	}
	defer d.Close()
	w, err := wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) })
	if err != nil {
		return err
	}
	defer w.Close()
	inline := d.Simulated()
	seq := sequencer.New(sequencer.Config{
		Drive: d, Model: s.Model, Planner: l.planner, Safety: l.guard(), Wall: w, Inline: inline,
	}, 1)

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	tasks := []task.Task{
		{Name: "sequencer", Run: seq.Run},
		{Name: "wall", Run: w.Run},
		{Name: "signals", Run: func(ctx context.Context) error { defer cancel(); return untilTold(ctx, seq) }},
		{Name: "log", Run: func(ctx context.Context) error { return logStates(ctx, seq) }},
	}
	if !inline {
		tasks = append(tasks, task.Task{Name: "drive", Run: d.Run})
	}
	if v.LayOut != "" {
		tasks = append(tasks, task.Task{Name: "lay-out", Run: func(ctx context.Context) error {
			return seq.Do(ctx, sequencer.Command{What: run.LayOut, Plan: l.plan})
		}})
	}
	slog.Info("serving", "flume", s.Flume.Name, "drive", s.Drive.Backend, "simulated", inline, "configuration", s.File)
	err = task.Run(ctx, d.Stop, tasks...)
	slog.Info("ended", "error", err)
	return err
}

// untilTold waits for a signal to end, lets the water come to rest softly, and returns; told again it returns at once, and the motor is stopped.
func untilTold(ctx context.Context, seq *sequencer.Sequencer) error {
	sigs := make(chan os.Signal, 2)
	signal.Notify(sigs, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(sigs)
	select {
	case <-ctx.Done():
		return nil
	case sig := <-sigs:
		slog.Info("told to end: the water is let down first", "signal", sig.String())
	}
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

// logStates writes what changes, once each.
func logStates(ctx context.Context, seq *sequencer.Sequencer) error {
	var state run.State
	var why fault.Code
	first := true
	for {
		snap, changed := seq.Snapshot()
		if snap.Seq > 0 && (first || snap.State != state || snap.Why != why) {
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

// layFor plans a session for a swimmer of the configuration.
func layFor(s *settings.Settings, session *schedule.Session, swimmer string) (l *loaded, err error) {
	l = &loaded{settings: s, session: session}
	if l.person, err = s.Person(swimmer); err != nil {
		return nil, err
	}
	l.threshold = l.person.Threshold
	return l, l.lay()
}
