package panel

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
)

// laid is what was laid out last through the panel. It outlives the program, and starts nothing.
type laid struct {
	Session string `json:"session"`        // name in the library, or the file's
	Swimmer string `json:"swimmer"`        // as asked for
	File    string `json:"file,omitempty"` // where it is not from the library

	session *schedule.Session
	profile *ramp.Profile // tells whether it is what the sequencer has
	confirm bool          // a pace in it has to be confirmed
	input   rehearse.Input
}

const laidFile = "laid-out.json"

// prepare reads and plans a session for a swimmer; nothing is laid out yet.
func (p *Panel) prepare(name, swimmer string) (*laid, error) {
	name, err := sessionName(name)
	if err != nil {
		return nil, err
	}
	text, _, err := p.library.read(name)
	if err != nil {
		return nil, err
	}
	return p.planFor(&laid{Session: name}, name+suffix, text, swimmer)
}

// planFor fills in a laying out from a session's text.
func (p *Panel) planFor(l *laid, file string, text []byte, swimmer string) (_ *laid, err error) {
	if l.session, err = schedule.Parse(file, text); err != nil {
		return nil, err
	}
	return p.forSwimmer(l, swimmer)
}

// forSwimmer plans the same session for somebody.
func (p *Panel) forSwimmer(of *laid, swimmer string) (*laid, error) {
	if err := p.knows(swimmer); err != nil {
		return nil, err
	}
	l := *of
	in, err := p.cfg.Lay(l.session, swimmer)
	if err != nil {
		return nil, err
	}
	l.Swimmer, l.input, l.profile, l.confirm = swimmer, in, in.Plan.Profile, false
	for _, r := range in.Remarks {
		l.confirm = l.confirm || schedule.NeedsConfirming(r.Code)
	}
	return &l, nil
}

// commit gives a laying out to the sequencer and remembers it.
func (p *Panel) commit(ctx context.Context, l *laid, what run.Command, seen *sequencer.Seen) error {
	err := p.cfg.Sequencer.Do(ctx, sequencer.Command{What: what, By: sequencer.Panel, Plan: l.input.Plan, Seen: seen})
	if err != nil {
		return err
	}
	p.laid.Store(l)
	if p.access.folder == nil {
		return nil
	}
	text, err := json.Marshal(l)
	if err == nil {
		err = keep(p.access.folder, laidFile, text)
	}
	if err != nil {
		slog.Error("what is laid out cannot be kept for the next start of the program", "error", err)
	}
	return nil
}

// restore lays out what is asked for at the start, else what was laid out last. What can no longer be laid out is left, with a word in the log.
func (p *Panel) restore(ctx context.Context) error {
	l := &laid{Swimmer: p.cfg.Swimmer}
	var err error
	if p.cfg.LayOut != "" {
		l.File, err = filepath.Abs(p.cfg.LayOut)
	} else if l, err = p.last(); l == nil {
		return err
	}
	if err == nil {
		if l.File != "" {
			l, err = p.fromFile(l)
		} else {
			l, err = p.prepare(l.Session, l.Swimmer)
		}
	}
	if err == nil {
		err = p.commit(ctx, l, run.LayOut, nil)
	}
	if err != nil && ctx.Err() == nil {
		slog.Warn("nothing is laid out", "error", err)
	}
	return nil
}

func (p *Panel) fromFile(l *laid) (*laid, error) {
	text, err := os.ReadFile(l.File)
	if err != nil {
		return nil, err
	}
	l.Session = strings.TrimSuffix(filepath.Base(l.File), suffix)
	return p.planFor(l, l.File, text, l.Swimmer)
}

// last is what was laid out when the program ended; nil where nothing was.
func (p *Panel) last() (*laid, error) {
	if p.access.folder == nil {
		return nil, nil
	}
	text, err := p.access.folder.ReadFile(laidFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	l := new(laid)
	if err == nil {
		err = json.Unmarshal(text, l)
	}
	if err != nil {
		slog.Warn("what was laid out last cannot be read", "error", err)
		return nil, nil
	}
	return l, nil
}
