package main

import (
	"context"
	"log/slog"

	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
)

// logStates writes what changes, once each, and tells the supervisor: ready is a loop that ticks.
func logStates(ctx context.Context, seq *sequencer.Sequencer, watched *alive.Keeper) error {
	var state run.State
	var why, said fault.Code
	first := true
	trouble := ""
	for {
		snap, changed := seq.Snapshot()
		if is := troubleOf(snap.Drive); is != trouble {
			if trouble = is; is == "" {
				is = "the drive is well again"
			}
			slog.Warn(is) // bare: a drive that comes and goes all night is told once in ten seconds
		}
		if snap.Seq > 0 && (first || snap.State != state || snap.Why != why) {
			if first {
				watched.Ready(snap.State.String())
			} else if snap.State != state {
				watched.Status(snap.State.String())
			}
			state, why, first = snap.State, snap.Why, false
			slog.Info("state", "state", state.String(), "reason", string(snap.Reason), "level", int(snap.Level), "why", string(why),
				"session", snap.Title, "block", snap.Block, "rpm", snap.Motor.RPM(), "water_mps", snap.Water.MetresPerSecond())
			if why != "" && why != said {
				slog.Info("said", "text", fault.Of(why).Text())
			}
			said = why
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
	}
}

// troubleOf is the technical cause of what a person is told in plain words; empty where all is well.
func troubleOf(d drive.Report) string {
	switch {
	case d.Link != nil:
		return "the link to the drive failed: " + d.Link.Error()
	case d.Fault != "":
		return "the drive reports a fault: " + d.Fault
	}
	return ""
}
