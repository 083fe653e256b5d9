package main

import (
	"log/slog"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
)

// recordServe opens the store of a daemon. One that cannot be had is told, and is no reason not to swim: nil, and why.
func recordServe(s *settings.Settings) (*recording, fault.Code) {
	dir, err := storeFolder(s)
	if err == nil {
		var rec *recording
		if rec, err = (&loaded{settings: s}).record(dir, s.Drive.Backend == "simulated"); err == nil {
			return rec, ""
		}
	}
	slog.Error("no swims are kept", "error", err)
	return nil, store.CodeOf(err)
}

// desk lays out what was on the desk when the program ended, with the place where it was interrupted; nil where nothing was.
func (r *recording) desk(s *settings.Settings) (*loaded, error) {
	if r == nil {
		return nil, nil
	}
	d, err := r.store.Desk()
	if err != nil || d.Session == "" {
		return nil, err
	}
	session, err := schedule.Parse("the session on the desk", []byte(d.Session))
	if err != nil {
		return nil, err
	}
	l, err := layFor(s, session, d.Session, d.Swimmer)
	if err != nil {
		return nil, err
	}
	if i := d.Interrupted; i != nil && i.Block < len(l.plan.Blocks) {
		l.plan.Place = run.Place{Block: i.Block, Done: ramp.Progress{Time: i.Time, Distance: i.Distance, InS: i.SecondPace}}
		if i.Why == fault.ProgramDied { // whoever stopped it themselves knows
			l.plan.LeftBy = i.Why
		}
		slog.Info("a swim was interrupted: its place is offered, and nothing is started", "block", i.Block, "why", string(i.Why), "when", i.When)
	}
	return l, nil
}

// keep puts what is laid out on the desk, so that it survives a restart.
func (r *recording) keep(p run.Plan) {
	if r == nil || p.Text == "" {
		return
	}
	if err := r.store.LayOut(p.Text, p.Swimmer); err != nil {
		slog.Error("what is laid out will not survive a restart", "error", err)
	}
}
