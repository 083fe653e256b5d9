package main

import (
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
)

// reload is where a daemon stands with a configuration that somebody has changed. It outlives the houses.
type reload struct {
	path    string                      // as the command line names it
	waiting bool                        // asked for, and the flume is not at rest yet
	edited  atomic.Bool                 // the configuration on the disk is not the one that runs, as far as is known
	notice  atomic.Pointer[fault.Fault] // why it was not taken; nil where there is nothing to say
}

func newReload(path string) *reload { return &reload{path: path} }

// readAgain reads the configuration again if the flume is at rest, else notes that somebody wants that. A configuration with mistakes is not taken: nil.
func (h *house) readAgain() *settings.Settings {
	r := h.reload
	if why := notAtRest(h.seq); why != "" {
		if !r.waiting {
			slog.Warn("the configuration is read again once the flume is at rest", "because", why)
			h.watched.Reloading()
			h.watched.Ready("the changed configuration waits until the flume is at rest: " + why)
		}
		r.waiting = true
		r.edited.Store(true)
		return nil
	}
	r.waiting = false
	h.watched.Reloading()
	next, err := readChecked(r.path)
	if err != nil {
		r.refused(h.settings.File, err)
		h.watched.Ready("the changed configuration was not taken: it has mistakes")
		return nil
	}
	slog.Info("the configuration is read again: everything begins anew, and nothing moves", "configuration", next.File)
	return next
}

// readChecked reads a configuration as far as it can be checked without opening anything that is in use.
func readChecked(path string) (*settings.Settings, error) {
	file, text, err := settings.Find(path)
	if err != nil {
		return nil, err
	}
	s, err := settings.Parse(file, text, config.Default())
	if err != nil {
		return nil, err
	}
	return s, checkFiles(s, text)
}

// notAtRest says why a flume is not at rest; empty where it is. A motor that is not seen counts as one that turns.
func notAtRest(seq *sequencer.Sequencer) string {
	snap, _ := seq.Snapshot()
	switch state := snap.State; {
	case state != run.Stopped && state != run.Ready && state != run.Finished:
		return "a swim is under way (" + state.String() + ")"
	case snap.Drive.Reads == 0 || snap.Drive.Link != nil:
		return "the motor cannot be seen; a restart of the program reads the configuration at once"
	case snap.Drive.Silent || !rests(snap.Drive.Feedback):
		return "the motor is not at rest yet"
	}
	return ""
}

// took is said once everything runs with the changed configuration.
func (r *reload) took(s *settings.Settings) {
	r.edited.Store(false)
	r.notice.Store(nil)
	slog.Info("the changed configuration is in force", "configuration", s.File)
}

// refused keeps what runs, and says why: every mistake in the log, the first one's place to whoever looks at the panel.
func (r *reload) refused(file string, err error) {
	r.edited.Store(true)
	f := fault.Of(fault.BadConfig)
	var ps fault.Problems
	var p fault.Problem
	switch {
	case errors.As(err, &ps):
	case errors.As(err, &p):
		ps = fault.Problems{p}
	}
	for _, p := range ps {
		slog.Error("the changed configuration was not taken", "code", string(f.Code), "at", p.Error())
	}
	if len(ps) == 0 {
		slog.Error("the changed configuration was not taken", "code", string(f.Code), "error", err)
		f.Do = fmt.Sprintf("%s The log says what is wrong with %s.", f.Do, file)
	} else {
		f.Do = fmt.Sprintf("%s The first mistake is at %s:%d.", f.Do, ps[0].File, ps[0].Line)
	}
	slog.Info("said", "text", f.Text())
	r.notice.Store(&f)
}
