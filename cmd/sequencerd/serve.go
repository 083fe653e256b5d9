package main

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/home"
	"flume.example/sequencerd/internal/logbook"
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

type serveCommand struct {
	LayOut string `placeholder:"FILE" help:"Lay out this session: the wall starts it."`

	Uncommissioned bool `help:"An installer swims a real drive before its safety part is passed, at 0.5 m/s at most."`
}

// Run is the daemon: drive, wall, loop, logbook, watchdogs. It starts nothing: it comes up stopped, says why, and waits for a reset. Told to read its
// configuration again it does so at standstill, by ending all of that and beginning anew with what was read, in this process.
func (v *serveCommand) Run(ctx context.Context, c console, line *commandLine) (err error) {
	slog.SetDefault(slog.New(newSparse(newLog(c.err))))
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	told := listenToSignals()
	defer told.close()
	mark := markRunning(s)
	slog.Info("begun", "version", version(), "why", mark.why, "configuration", cmp.Or(s.File, "the defaults"), "drive", s.Drive.Backend, "panel", s.Listen)
	again := newReload(line.Config)
	h, err := v.open(line, s, nil, again)
	if err != nil {
		return err
	}
	for {
		next, err := h.run(ctx, told)
		if err != nil {
			return err
		}
		if next == nil {
			mark.clean()
			return h.watched.Close() // a clean end, and only that, disarms the hardware watchdog
		}
		if h, err = v.reopen(line, h, next); err != nil {
			return err
		}
	}
}

// house is all that runs under one configuration.
type house struct {
	settings *settings.Settings
	rec      *recording // nil where no swims are kept
	unkept   fault.Code // why not
	loaded   *loaded
	drive    *drive.Drive
	wall     *wall.Wall
	watched  *alive.Keeper
	seq      *sequencer.Sequencer
	deck     *panel.Panel
	course   *commission.Page // nil where no record can be kept
	listens  chan net.Addr    // where the panel does, once
	home     *home.Home
	reload   *reload

	uncommissioned bool // an installer swims before the safety part is passed
}

// open begins to own the drive, the wall and the store of a configuration. The hardware watchdog of the house before, where it is the same one, stays armed.
// What was opened before an error is closed again.
func (v *serveCommand) open(line *commandLine, s *settings.Settings, before *house, again *reload) (h *house, err error) {
	unfit := uncommissioned(s)
	if line.uncommissioned = v.Uncommissioned; v.Uncommissioned {
		hold(s)
	} else if unfit != nil {
		slog.Warn("no swim starts here yet", "why", unfit)
	}
	if old := outdated(s, time.Now()); old != "" {
		slog.Warn("the calibration is old", "measured", s.Calibration.On.Format(time.DateOnly), "text", fault.Of(old).Text())
	}
	h = &house{settings: s, reload: again, uncommissioned: v.Uncommissioned}
	h.rec, h.unkept = recordServe(s)
	defer func() {
		if err == nil {
			return
		}
		err = errors.Join(err, h.close())
		if before == nil && h.watched != nil { // nothing has moved: a mistake in the configuration must not reset the computer over and over
			err = errors.Join(err, h.watched.Close())
		}
	}()
	var events chan<- sequencer.Event
	if h.rec != nil {
		events = h.rec.events
	}
	if h.loaded, err = v.first(line, s, h.rec, before != nil); err != nil {
		return h, err
	}
	if h.drive, err = h.loaded.openDrive(); err != nil {
		return h, err
	}
	d := h.drive
	if h.wall, err = wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) }); err != nil {
		return h, err
	}
	if h.watched, err = watchdogs(s, before); err != nil {
		return h, err
	}
	guard := h.loaded.guard()
	guard.Uncommissioned = unfit != nil && !v.Uncommissioned
	h.seq = sequencer.New(sequencer.Config{
		Drive: d, Model: s.Model, Planner: h.loaded.planner, Safety: guard, Wall: h.wall, Inline: d.Simulated(), Alive: h.watched.Feed, Events: events,
		Edited: again.edited.Load,
	}, 1)
	h.listens = make(chan net.Addr, 1)
	h.home = newHome(h)
	h.course = newCourse(h)
	h.deck, err = newPanel(h)
	return h, err
}

// newHome makes what the flume is on the network. It gets a stop, and nothing else that moves or changes anything.
func newHome(h *house) *home.Home {
	return home.New(home.Config{
		Flume: h.settings.Flume.Name, Settings: h.settings.Home, Snapshot: h.seq.Snapshot, Panel: h.listens, HTTPS: h.settings.Certificate != "",
		Stop: func() { // the drive is stopped before the loop is asked; that the program is ending is no reason to mind
			_ = h.seq.Do(context.Background(), sequencer.Command{What: run.Stop, By: sequencer.Home})
		},
	})
}

// watchdogs are those of the house before where they are the same; others are disarmed first, as a device can be opened once.
func watchdogs(s *settings.Settings, before *house) (*alive.Keeper, error) {
	if before != nil && before.watched != nil {
		if before.settings.Watchdog == s.Watchdog {
			return before.watched, nil
		}
		w := before.watched
		before.watched = nil
		if err := w.Close(); err != nil {
			return nil, err
		}
	}
	return alive.Open(s.Watchdog)
}

// reopen is open with a configuration that was read again. Where that fails, as with a pin that is not there, the house before is opened again, and it is
// said why.
func (v *serveCommand) reopen(line *commandLine, before *house, next *settings.Settings) (*house, error) {
	h, err := v.open(line, next, before, before.reload)
	if err == nil {
		before.reload.took(next)
		return h, nil
	}
	before.reload.refused(next.File, err)
	if h.watched != nil && h.watched != before.watched { // another device, armed by now
		if err := h.watched.Close(); err != nil {
			return nil, err
		}
	}
	return v.open(line, before.settings, before, before.reload)
}

// close lets go of what is open, but for the watchdogs. Nothing may run any more.
func (h *house) close() (err error) {
	if h.wall != nil {
		err = h.wall.Close()
	}
	if h.drive != nil {
		err = errors.Join(h.drive.Close(), err)
	}
	if h.rec != nil {
		h.rec.close()
	}
	return err
}

// run is the life of a house. It ends when the program is told to end, when a part fails, or when a changed configuration was read: that one is next.
func (h *house) run(ctx context.Context, told *signals) (next *settings.Settings, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, seq, d, l := h.settings, h.seq, h.drive, h.loaded
	tasks := []task.Task{
		{Name: "panel", Run: func(ctx context.Context) error { return keepPanel(ctx, h.deck) }},
		{Name: "home", Run: h.home.Run},
		{Name: "sequencer", Run: func(ctx context.Context) error {
			err := seq.Run(ctx)
			if err == nil { // nobody feeds the watchdogs from here on
				h.watched.LoopEnded(closesWithin)
			}
			return err
		}},
		{Name: "wall", Run: h.wall.Run},
		{Name: "signals", Run: func(ctx context.Context) error {
			defer cancel()
			read, err := h.untilTold(ctx, told)
			next = read
			return err
		}},
		{Name: "log", Run: func(ctx context.Context) error { return logStates(ctx, seq, h.watched) }},
	}
	if !d.Simulated() {
		tasks = append(tasks, task.Task{Name: "drive", Run: d.Run})
	}
	if !d.Simulated() && !h.uncommissioned {
		tasks = append(tasks, task.Task{Name: "commissioning", Run: func(ctx context.Context) error { return keepCommissioned(ctx, s, seq) }})
	}
	if h.rec != nil {
		tasks = append(tasks, task.Task{Name: "logbook", Run: h.rec.book.Run})
	}
	if h.course != nil {
		tasks = append(tasks, task.Task{Name: "course", Run: h.course.Run})
	}
	if l.plan.Planner != nil {
		tasks = append(tasks, task.Task{Name: "lay-out", Run: func(ctx context.Context) error {
			h.rec.keep(l.plan)
			return seq.Do(ctx, sequencer.Command{What: run.LayOut, Plan: l.plan})
		}})
	}
	slog.Info("serving", "flume", s.Flume.Name, "drive", s.Drive.Backend, "simulated", d.Simulated(), "simulated_wall", h.wall.Simulated(), "configuration", s.File)
	err = task.Run(ctx, d.Stop, tasks...)
	if errors.Is(err, task.ErrHangs) { // then what hangs must not be closed under its feet
		slog.Error("ended", "error", err)
		return nil, err
	}
	if err = errors.Join(err, h.close()); err != nil {
		slog.Error("ended", "error", err)
		return nil, err
	}
	if next == nil {
		slog.Info("ended")
	}
	return next, nil
}

// newPanel makes the deck panel over the loop.
func newPanel(h *house) (*panel.Panel, error) {
	s, seq, rec, first := h.settings, h.seq, h.rec, h.loaded
	scheme := "http://"
	if s.Certificate != "" {
		scheme = "https://"
	}
	c := panel.Config{
		Notices:   h.notices,
		Sequencer: seq, Settings: s, Demos: config.Sessions, Laid: rec.keep, Version: version(),
		Lay: func(session *schedule.Session, swimmer string) (rehearse.Input, error) {
			l, err := layFor(s, session, "", swimmer)
			if err != nil {
				return rehearse.Input{}, err
			}
			return l.input(), nil
		},
		Listen: func(at net.Addr) {
			slog.Info("the deck panel is on", "address", scheme+at.String())
			select {
			case h.listens <- at:
			default: // it is told already
			}
		},
	}
	if first.plan.Planner != nil {
		c.First = first.input()
	}
	if rec != nil {
		c.Store, c.State, c.Sessions = rec.store, rec.store.Dir(), filepath.Join(rec.store.Dir(), "sessions")
	}
	if h.course != nil {
		c.Course = h.course
	}
	return panel.New(c)
}

// notices are what the installation has to say to whoever looks at the panel: a configuration that was not taken, a swim that is not kept, a motor
// that turns otherwise than ordered, water that flows otherwise than calibrated, a calibration that is too old.
func (h *house) notices() (all []fault.Fault) {
	if f := h.reload.notice.Load(); f != nil {
		all = append(all, *f)
	}
	kept := logbook.Status{Code: h.unkept}
	if h.rec != nil {
		kept = h.rec.book.Status()
	}
	codes := []fault.Code{kept.Code}
	for _, n := range kept.Drift.Notices() {
		codes = append(codes, n.Code)
	}
	for _, why := range append(codes, outdated(h.settings, time.Now())) {
		if why != "" {
			all = append(all, fault.Of(why))
		}
	}
	return all
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
// interrupted, else nothing. What can no longer be laid out stays on the desk, and is no reason not to start. Where the program goes on after its configuration
// was read again, the desk comes first: somebody may have laid out something else by then.
func (v *serveCommand) first(line *commandLine, s *settings.Settings, rec *recording, again bool) (l *loaded, err error) {
	if v.LayOut != "" && (!again || rec == nil) {
		return loadFor(line, s, v.LayOut) // never of what is on the disk by now: the record was looked up for s, and no other drive is to be opened
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

// layFor plans a session for a swimmer.
func layFor(s *settings.Settings, session *schedule.Session, text, swimmer string) (l *loaded, err error) {
	l = &loaded{settings: s, session: session, text: text}
	if l.person, l.known, err = findPerson(s, swimmer); err != nil {
		return nil, err
	}
	l.threshold = l.person.Threshold
	return l, l.lay()
}
