package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
)

const (
	// mostLetDown is the longest that a program which is told to end lets the water come to rest softly, before it stops the motor: within the
	// supervisor's patience, TimeoutStopSec in deploy/systemd/sequencerd.service. It is enough for 3 m/s and the default decel.
	mostLetDown = 60 * time.Second

	// closesWithin is how long pages and files may take once the loop has ended, with a stop for the drive, before the supervisor holds the program for
	// hung: tasks have task.Grace, then a slow card writes what it still has.
	closesWithin = 10 * time.Second
)

// signals are what a daemon is told from outside, for as long as the process lives: none may find nobody listening, between two houses either.
type signals struct{ end, again chan os.Signal }

func listenToSignals() *signals {
	t := &signals{make(chan os.Signal, 2), make(chan os.Signal, 1)}
	signal.Notify(t.end, os.Interrupt, syscall.SIGTERM, syscall.SIGTSTP) // nobody can halt a swim halfway
	signal.Ignore(syscall.SIGPIPE)                                       // a reader of the log that is gone ends no program whose motor turns
	signal.Notify(t.again, syscall.SIGHUP)
	return t
}

func (t *signals) close() {
	signal.Stop(t.end)
	signal.Stop(t.again)
}

// untilTold waits to be told to end, or for a changed configuration that was read: the next one.
func (h *house) untilTold(ctx context.Context, told *signals) (next *settings.Settings, err error) {
	for {
		var look <-chan time.Time // a motor that comes to rest wakes nobody
		if h.reload.waiting {
			look = time.After(10 * sequencer.Tick)
		}
		select {
		case <-ctx.Done():
			return nil, nil
		case sig := <-told.end:
			slog.Info("told to end: the water is let down first", "signal", sig.String())
			h.watched.Stopping("letting the water down")
			return nil, h.letDown(ctx, told)
		case <-told.again:
			if next := h.readAgain(); next != nil {
				return next, nil
			}
		case <-look:
			if next := h.readAgain(); next != nil {
				return next, nil
			}
		}
	}
}

// letDown lets the water come to rest softly; told to end once more it returns at once, and the motor is stopped.
func (h *house) letDown(ctx context.Context, told *signals) error {
	var f fault.Fault
	if err := h.seq.Do(ctx, sequencer.Command{What: run.Finish}); err != nil && !errors.As(err, &f) {
		return err
	}
	patience := time.NewTimer(min(h.loaded.guard().SoftTime, mostLetDown))
	defer patience.Stop()
	for {
		snap, changed := h.seq.Snapshot()
		if !snap.State.Under() || snap.State == run.Stopping && snap.Motor.RPM() < 1 {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil
		case <-told.end:
			return nil
		case <-patience.C:
			slog.Warn("the water did not come to rest in time: the motor is stopped")
			return nil
		}
	}
}
