package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
)

// turns are several swimmers who share the water of one run: the same session, laid out for each at their own paces. Nil where one person swims.
type turns struct {
	all []*loaded
	at  int // who swims now
}

// mayTakeTurns says what does not go with turns, and makes the first of them who is laid out.
func (r *runCommand) mayTakeTurns(line *commandLine, terminal bool) error {
	switch {
	case len(r.Turns) == 0:
		return nil
	case line.Swimmer != "":
		return refused{exitUsage, errors.New("--turns names everybody who swims, and who begins: leave --swimmer out")}
	case line.Threshold != "":
		return refused{exitUsage, errors.New("--threshold is for one swimmer: with --turns each swims by their own")}
	case !terminal:
		return errors.New("--turns needs a terminal: a key gives the water to the next")
	}
	line.Swimmer = r.Turns[0]
	return nil
}

// taking lays the session out for everybody else who is named. What the flume cannot give somebody is told before anybody swims.
func (l *loaded) taking(names []string) (*turns, error) {
	if len(names) == 0 {
		return nil, nil
	}
	t := &turns{all: []*loaded{l}}
	for _, name := range names[1:] {
		one, err := layFor(l.settings, l.session, l.text, name)
		var cannot fault.Problems
		switch {
		case errors.As(err, &cannot):
			for i := range cannot {
				cannot[i].Text = "for " + name + ": " + cannot[i].Text
			}
			return nil, cannot
		case err != nil:
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for _, other := range t.all {
			if strings.EqualFold(other.person.Name, one.person.Name) {
				return nil, refused{exitUsage, fmt.Errorf("--turns names %s twice; the turns go round by themselves", one.person.Name)}
			}
		}
		t.all = append(t.all, one)
	}
	return t, nil
}

// everybody is all who swim: alone where nobody takes turns.
func (t *turns) everybody(alone *loaded) []*loaded {
	if t == nil {
		return []*loaded{alone}
	}
	return t.all
}

func (t *turns) now() *loaded  { return t.all[t.at] }
func (t *turns) next() *loaded { return t.all[(t.at+1)%len(t.all)] }

// handOver gives the water to the next swimmer: in a pause what is left of the session, else all of it anew, which this press starts.
func (s *swim) handOver(ctx context.Context) {
	l, anew := s.turns.next(), !s.last.State.Under()
	if !s.do(ctx, sequencer.Command{What: run.Swimmer, Plan: l.plan}) {
		return
	}
	s.turns.at = (s.turns.at + 1) % len(s.turns.all)
	s.show.takesOver(l, s.last.Block, anew, s.turns.next().person.Name)
	if anew {
		s.do(ctx, sequencer.Command{What: run.Start})
	}
}

// betweenTurns sums up a swim that is over, once, and says who may start the next: nothing starts without a press.
func (s *swim) betweenTurns(ctx context.Context, snap sequencer.Snapshot) error {
	if snap.State != run.Finished && snap.State != run.Ready {
		s.told = false
		return nil
	}
	if s.told {
		return nil
	}
	results, err := s.seq.ResultsSoFar(ctx)
	if err != nil {
		return err
	}
	s.told = true
	s.show.between(snap, results, s.turns)
	return nil
}
