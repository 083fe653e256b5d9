package main

import (
	"context"
	"log/slog"
	"math"

	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
)

// logStates writes what changes, once each, from the first tick on, and tells the supervisor: ready is a loop that ticks.
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
		if snap.At > 0 && (first || snap.State != state || snap.Why != why) {
			if first {
				watched.Ready(snap.State.String())
			} else if snap.State != state {
				watched.Status(snap.State.String())
			}
			state, why, first = snap.State, snap.Why, false
			slog.Info("state", "state", state.String(), "reason", string(snap.Reason), "guard", guardSays[snap.Level], "why", string(why),
				"session", snap.Title, "block", snap.Block, "rpm", math.Round(snap.Motor.RPM()), "water_mps", math.Round(100*snap.Water.MetresPerSecond())/100)
			if why != "" && why != said {
				slog.Log(ctx, weight(snap.Level, why), "said", "text", fault.Of(why).Text())
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

// guardSays are the guard's levels in the log.
var guardSays = [...]string{safety.Fine: "fine", safety.Notice: "notice", safety.Caution: "caution", safety.Slow: "slow", safety.Soft: "soft stop", safety.Fast: "fast stop"}

// weight is how much a journal should make of what is said: a stop that nobody asked for is an error, so that "journalctl -p err" has all of these. That
// nothing was reset since the start, or that somebody pressed stop, is none.
func weight(level safety.Level, why fault.Code) slog.Level {
	switch {
	case why == fault.NotReset || why == fault.StopPressed || why == fault.PersonStop || level <= safety.Notice:
		return slog.LevelInfo
	case level >= safety.Soft:
		return slog.LevelError
	}
	return slog.LevelWarn
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
