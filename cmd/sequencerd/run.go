package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"golang.org/x/term"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/task"
)

type runCommand struct {
	File string `arg:"" help:"Session file."`
	Rate int    `default:"1" help:"On the simulated drive: this many times faster than real time, 1 to 1000."`
	Yes  bool   `help:"Swim it although it warns of something."`

	Turns []string `placeholder:"NAME,NAME" help:"Several swimmers share the water, in this order, the first to begin: the key s gives it to the next, in a pause or at the end."`

	Uncommissioned bool `help:"An installer swims a real drive before its safety part is passed, at 0.5 m/s at most."`

	Record bool `help:"Keep what is swum, although the configuration names no [store] path."`
}

func (r *runCommand) Validate() error {
	if r.Rate < 1 || r.Rate > 1000 {
		return fmt.Errorf("--rate %d: allowed is 1 to 1000", r.Rate)
	}
	if len(r.Turns) == 1 {
		return errors.New("--turns: allowed are two names and more, as in --turns \"Maren Tolliver,Jonah Reyes-Birch\"")
	}
	return nil
}

// swim is one swim in the foreground: the loop, the person's keys and signals, and what is shown.
type swim struct {
	*loaded
	seq   *sequencer.Sequencer
	show  *display
	rate  int
	keys  <-chan byte
	lost  *task.Failures // of who reads them
	sigs  <-chan os.Signal
	asked []time.Duration
	turns *turns // nil where one person swims

	ending int // how often somebody asked to end
	last   sequencer.Snapshot
	told   bool // the summary of the swim that is over
}

func (r *runCommand) Run(ctx context.Context, c console, line *commandLine) error {
	line.uncommissioned = r.Uncommissioned
	terminal := term.IsTerminal(int(c.in.Fd())) && isTerminal(c.out)
	if err := r.mayTakeTurns(line, terminal); err != nil {
		return err
	}
	l, err := load(line, r.File)
	if err != nil {
		return err
	}
	shared, err := l.taking(r.Turns)
	if err != nil {
		return err
	}
	if err := uncommissioned(l.settings); err != nil && !r.Uncommissioned {
		return err
	}
	if b := l.settings.Drive.Backend; r.Rate > 1 && b != "simulated" {
		return fmt.Errorf("--rate %d: allowed on the simulated drive only, and this one is %q", r.Rate, b)
	}
	if !terminal || r.Rate > 1 {
		for _, one := range shared.everybody(l) {
			one.plan = one.plan.ByItself()
		}
	}
	d, err := l.openDrive()
	if err != nil {
		return err
	}
	defer d.Close()
	inline := d.Simulated() // a simulated drive takes no time to answer
	rec, err := r.recordRun(c.out, l, inline)
	if err != nil {
		return err
	}
	var events chan<- sequencer.Event
	if rec != nil {
		defer rec.close()
		events = rec.events
	}
	s := &swim{loaded: l, rate: r.Rate, show: newDisplay(c.out, terminal, l), turns: shared, lost: task.NewFailures()}
	s.seq = sequencer.New(sequencer.Config{
		Drive: d, Model: l.settings.Model, Planner: l.planner, Unit: l.session.Unit, Safety: l.guard(), Inline: inline, NoCountIn: r.Rate > 1, Events: events,
	}, r.Rate)
	s.show.begin(d.Simulated(), shared)
	for _, one := range shared.everybody(l) {
		if shared != nil {
			fmt.Fprintf(c.out, "%s: %s\n", one.person.Name, one.summary())
		}
		if err := one.confirm(c, terminal, d.Simulated() || r.Yes); err != nil {
			return err
		}
	}

	sigs := make(chan os.Signal, 4)
	// A reader of the output that is gone is a hang-up too: without SIGPIPE here it would end the program, but not the motor.
	signal.Notify(sigs, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGTSTP, syscall.SIGPIPE)
	defer signal.Stop(sigs)
	s.sigs = sigs
	restore := func() {}
	if terminal {
		if s.keys, restore, err = readKeys(c.in, s.lost.Put); err != nil {
			return err
		}
	}

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	tasks := []task.Task{
		{Name: "sequencer", Run: s.seq.Run},
		{Name: "person", Run: func(ctx context.Context) error { defer cancel(); return s.follow(ctx) }},
	}
	if !inline {
		tasks = append(tasks, task.Task{Name: "drive", Run: d.Run})
	}
	if rec != nil {
		tasks = append(tasks, task.Task{Name: "logbook", Run: rec.book.Run})
	}
	err = task.Run(ctx, d.Stop, tasks...)
	restore()
	if err != nil {
		return err
	}
	if !s.told {
		s.show.end(s.last, s.seq.Results(), s.asked)
	}
	if rec != nil {
		rec.told(c.out)
	}
	return s.outcome()
}

// confirm shows what should be known beforehand; on a real drive somebody has to say yes to a pace that seems too fast.
func (l *loaded) confirm(c console, terminal, yes bool) error {
	ask := false
	for _, r := range l.remarks {
		fmt.Fprintf(c.out, "Note: %s [%s]\n", r.Text, r.Code)
		ask = ask || schedule.NeedsConfirming(r.Code)
	}
	if !ask || yes {
		return nil
	}
	if !terminal {
		return errors.New("this session has a pace that somebody has to confirm: swim it from a terminal, or with --yes")
	}
	fmt.Fprint(c.out, "Swim it all the same? Type yes: ")
	var answer string
	fmt.Fscanln(c.in, &answer)
	if strings.ToLower(answer) != "yes" {
		return errors.New("not confirmed; nothing was started")
	}
	return nil
}

// follow resets once, starts once, and then does what keys and signals say until the swim is over.
func (s *swim) follow(ctx context.Context) error {
	if err := s.begin(ctx); err != nil {
		return err
	}
	refresh := time.NewTicker(200 * time.Millisecond)
	defer refresh.Stop()
	for {
		snap, changed := s.seq.Snapshot()
		s.last = snap
		s.show.update(snap)
		if s.over(snap) {
			return nil
		}
		if err := s.betweenTurns(ctx, snap); err != nil {
			return err
		}
		if snap.Ask && s.rate > 1 { // nobody sits there at another rate; the one who is asked is taken to answer
			s.asked = append(s.asked, snap.Elapsed)
			s.do(ctx, sequencer.Command{What: run.Here})
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		case <-refresh.C:
		case err := <-s.lost.C:
			return err // no task goes without its stop
		case k := <-s.keys:
			s.key(ctx, k)
		case sig := <-s.sigs:
			s.signal(ctx, sig)
		}
	}
}

// begin lays out, resets and starts, waiting a little for a drive that does not answer yet. Whatever is latched for a cause refuses.
func (s *swim) begin(ctx context.Context) error {
	if err := s.seq.Do(ctx, sequencer.Command{What: run.LayOut, Plan: s.plan}); err != nil {
		return err
	}
	within := time.NewTimer(beginWithin)
	defer within.Stop()
	for _, what := range []run.Command{run.Reset, run.Start} {
		if err := s.insist(ctx, what, within.C); err != nil {
			return err
		}
	}
	return nil
}

// beginWithin is how long the drive may take to answer well before the start is given up.
const beginWithin = 6 * time.Second

// insist gives a command until it is taken.
func (s *swim) insist(ctx context.Context, what run.Command, until <-chan time.Time) error {
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		err := s.seq.Do(ctx, sequencer.Command{What: what})
		if err == nil {
			return nil
		}
		select {
		case <-again.C:
		case <-until:
			return err
		case <-s.sigs:
			return errNotStarted
		case k := <-s.keys:
			if k == ctrlC || k == ctrlZ {
				return errNotStarted
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

var errNotStarted = refused{exitByPerson, errors.New("ended before the start; nothing moved")}

// over reports whether there is nothing left to wait for: finished, or stopped with the motor at rest.
func (s *swim) over(snap sequencer.Snapshot) bool {
	switch snap.State {
	case run.Finished, run.Ready:
		return s.turns == nil || s.ending > 0
	case run.Stopped:
		return snap.Motor.RPM() < 1 || snap.Drive.Link != nil
	}
	return false
}

func (s *swim) key(ctx context.Context, k byte) {
	snap := s.last
	cmd := sequencer.Command{What: run.Here}
	switch k {
	case ctrlC:
		s.end(ctx)
		return
	case ctrlZ: // nobody can halt a swim halfway
		s.softly(ctx)
		return
	case ' ':
		switch {
		case snap.State == run.Paused || snap.State == run.Pausing:
			cmd.What = run.Resume
		case snap.State == run.Running && !snap.LeftKnown:
			cmd.What = run.On
		case snap.State == run.Running:
			cmd.What = run.Pause
		case snap.State == run.CountIn:
			cmd.What = run.Start // takes it back
		case !snap.State.Under():
			cmd.What = run.Start // the same swimmer once more
		}
	case 's':
		if s.turns != nil {
			s.handOver(ctx)
			return
		}
	case 'n':
		cmd.What = run.Skip
	case '+':
		cmd.What, cmd.Nudge = run.Nudge, 1
	case '-':
		cmd.What, cmd.Nudge = run.Nudge, -1
	}
	s.do(ctx, cmd)
}

func (s *swim) signal(ctx context.Context, sig os.Signal) {
	if sig == os.Interrupt {
		s.end(ctx)
		return
	}
	s.softly(ctx)
}

// end is what Ctrl-C does: first a soft stop, then a fast one.
func (s *swim) end(ctx context.Context) {
	s.ending++
	if s.ending > 1 {
		s.do(ctx, sequencer.Command{What: run.Stop})
		return
	}
	s.finish(ctx)
}

func (s *swim) softly(ctx context.Context) {
	s.ending = max(s.ending, 1)
	s.finish(ctx)
}

func (s *swim) finish(ctx context.Context) {
	if s.last.State == run.Stopping || !s.last.State.Under() {
		return
	}
	s.do(ctx, sequencer.Command{What: run.Finish})
	s.show.say("Coming to rest. Once more Ctrl-C stops the motor at once.")
}

// do gives a command, and reports whether it was taken; what is refused is told, and changes nothing.
func (s *swim) do(ctx context.Context, cmd sequencer.Command) bool {
	err := s.seq.Do(ctx, cmd)
	var f fault.Fault
	if errors.As(err, &f) && cmd.What != run.Here {
		s.show.say(f.Text())
	}
	return err == nil
}

// outcome is the exit code: by whom the swim was ended.
func (s *swim) outcome() error {
	end := s.last
	switch {
	case end.State == run.Finished && end.Block == end.Blocks:
		return nil
	case end.State == run.Stopped && end.Reason != fault.PersonStop && end.Reason != fault.StopPressed:
		return refused{exitByGuard, errors.New("")}
	}
	return refused{exitByPerson, errors.New("")}
}
