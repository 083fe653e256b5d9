package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/logbook"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
)

// storeFolder is where swims are kept: where the configuration says, else where the service manager or the person's own home has such things.
func storeFolder(s *settings.Settings) (string, error) {
	if s.Store != "" {
		return s.Store, nil
	}
	if dirs, _, _ := strings.Cut(os.Getenv("STATE_DIRECTORY"), ":"); dirs != "" { // systemd.exec(5): several are joined by colons
		return dirs, nil
	}
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) { // XDG Base Directory Specification: a relative one is to be ignored
		return filepath.Join(dir, "sequencerd"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for swims: set [store] path in the configuration: %w", err)
	}
	return filepath.Join(home, ".local", "state", "sequencerd"), nil
}

// recording keeps swims for as long as it is open.
type recording struct {
	store  *store.Store
	book   *logbook.Logbook
	events chan sequencer.Event
}

// record opens the store for recording.
func (l *loaded) record(dir string, simulated bool) (*recording, error) {
	s, err := store.OpenToRecord(dir)
	if err != nil {
		return nil, err
	}
	r := &recording{store: s, events: make(chan sequencer.Event, logbook.Room)}
	texts, err := swumWith(l.settings)
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	r.book = logbook.New(logbook.Config{Store: s, Events: r.events, Simulated: simulated, Texts: texts})
	return r, nil
}

// swumWith is what is kept of a configuration with each swim.
func swumWith(s *settings.Settings) (store.Texts, error) {
	text := config.Default()
	if s.File != "" {
		var err error
		if text, err = os.ReadFile(s.File); err != nil {
			return store.Texts{}, cannotRead(s.File, err)
		}
	}
	l := s.Limits
	points := sha256.Sum256(fmt.Append(nil, s.Model.Points(), s.Model.Inertia()))
	return store.Texts{
		Configuration: string(text),
		Calibration:   fmt.Sprintf("%x", points[:6]),
		Limits: fmt.Sprintf("accel_mps2 = %g\ndecel_mps2 = %g\njerk_mps3 = %g\nrelief_jerk_mps3 = %g\ntop_speed_mps = %g\n", l.Accel.MetresPerSecond2(),
			l.Decel.MetresPerSecond2(), l.Jerk.MetresPerSecond3(), l.Relief.MetresPerSecond3(), s.Flume.TopSpeed.MetresPerSecond()),
	}, nil
}

// recordRun opens the store for a swim in the foreground: where the configuration names one, or somebody asks for it. A store that the configuration names
// and that cannot be had is told, and nothing else; nil for none.
func (r *runCommand) recordRun(out io.Writer, l *loaded, simulated bool) (*recording, error) {
	if l.settings.Store == "" && !r.Record {
		return nil, nil
	}
	dir, err := storeFolder(l.settings)
	if err != nil {
		return nil, err
	}
	rec, err := l.record(dir, simulated)
	if err != nil && !r.Record {
		fmt.Fprintf(out, "Note: this swim is not kept: %v\n", err)
		return nil, nil
	}
	return rec, err
}

// close closes the store, once the logbook's task has ended. An error would be of what is on the disk already.
func (r *recording) close() { r.store.Close() }

// told is where the swim was kept, or why not.
func (r *recording) told(out io.Writer) {
	s := r.book.Status()
	for _, n := range s.Drift.Notices() {
		fmt.Fprintln(out, fault.Of(n.Code).Text())
	}
	switch {
	case s.Code != "":
		fmt.Fprintln(out, fault.Of(s.Code).Text())
	case s.Swim != 0:
		fmt.Fprintf(out, "Kept as swim %d: sequencerd swims show %d\n", s.Swim, s.Swim)
	}
}
