package panel

import (
	"context"
	"log/slog"

	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
)

// laid is what is laid out, as far as the panel knows: by itself, or before it began.
type laid struct {
	name    string // in the library; the title of what is not from there
	text    string
	session *schedule.Session
	profile *ramp.Profile // tells whether it is what the sequencer has
	confirm bool          // a pace in it has to be confirmed
	input   rehearse.Input
}

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
	return p.planFor(name, name+suffix, text, swimmer)
}

// planFor plans a session's text for a swimmer.
func (p *Panel) planFor(name, file string, text []byte, swimmer string) (*laid, error) {
	session, err := schedule.Parse(file, text)
	if err != nil {
		return nil, err
	}
	return p.forSwimmer(&laid{name: name, text: string(text), session: session}, swimmer)
}

// forSwimmer plans the same session for somebody.
func (p *Panel) forSwimmer(of *laid, swimmer string) (*laid, error) {
	if err := p.knows(swimmer); err != nil {
		return nil, err
	}
	in, err := p.cfg.Lay(of.session, swimmer)
	if err != nil {
		return nil, err
	}
	in.Plan.Text = of.text
	return p.filled(of, in), nil
}

func (p *Panel) filled(of *laid, in rehearse.Input) *laid {
	l := *of
	l.input, l.profile, l.confirm = in, in.Plan.Profile, false
	for _, r := range in.Remarks {
		l.confirm = l.confirm || schedule.NeedsConfirming(r.Code)
	}
	return &l
}

// commit gives a laying out to the sequencer.
func (p *Panel) commit(ctx context.Context, l *laid, what run.Command, seen *sequencer.Seen) error {
	err := p.cfg.Sequencer.Do(ctx, sequencer.Command{What: what, By: sequencer.Panel, Plan: l.input.Plan, Seen: seen})
	if err != nil {
		return err
	}
	p.laid.Store(l)
	if p.cfg.Laid != nil {
		p.cfg.Laid(l.input.Plan)
	}
	return nil
}

// adopt takes over what was laid out before the panel began, so that its swimmer can be changed.
func (p *Panel) adopt(in rehearse.Input) {
	if in.Plan.Profile == nil {
		return
	}
	session, err := schedule.Parse("the session laid out", []byte(in.Plan.Text))
	if err != nil {
		slog.Warn("the panel cannot read the session that is laid out", "error", err)
		return
	}
	l := p.filled(&laid{name: in.Plan.Title, text: in.Plan.Text, session: session}, in)
	for _, e := range p.library.list() {
		if text, _, err := p.library.read(e.Name); err == nil && string(text) == l.text {
			l.name = e.Name
			break
		}
	}
	p.laid.Store(l)
}
