package commission

import (
	"fmt"
	"slices"
	"time"
)

// State is all that a page shows of the course.
type State struct {
	Mark     string        `json:"mark"` // another one whenever anything is another
	Flume    string        `json:"flume"`
	Standing ShownStanding `json:"standing"`
	Parts    []ShownPart   `json:"parts"`
	Going    *ShownGoing   `json:"going"`
	Last     *Ended        `json:"last"`
	Water    *Calibrated   `json:"water"`
	RunOut   *RunOut       `json:"run_out"`
	Places   []PlaceShare  `json:"places"`
	Reports  []string      `json:"reports"`
	Trouble  string        `json:"trouble,omitempty"`
}

// ShownStanding is a Standing, with its days as text.
type ShownStanding struct {
	Passed bool   `json:"passed"`
	Why    string `json:"why,omitempty"`
	Since  string `json:"since,omitempty"`
	Until  string `json:"until,omitempty"`
}

// ShownPart is a part, and what came of it.
type ShownPart struct {
	ID       string    `json:"id"`
	Title    string    `json:"title"`
	Safety   bool      `json:"safety"`
	Minutes  int       `json:"minutes"`
	Verdict  string    `json:"verdict"`
	At       string    `json:"at,omitempty"`
	Changed  bool      `json:"changed,omitempty"` // drive or wiring are set otherwise by now
	Findings []Finding `json:"findings"`
}

// ShownGoing is the part under way.
type ShownGoing struct {
	Part     string   `json:"part"`
	Title    string   `json:"title"`
	Lines    []string `json:"lines"`
	Question *Asked   `json:"question"`
}

// Ended is the part that ended last.
type Ended struct {
	Part    string   `json:"part"`
	Title   string   `json:"title"`
	Verdict string   `json:"verdict"`
	Why     string   `json:"why,omitempty"` // where it was left
	Lines   []string `json:"lines"`
}

// State is what there is to show; nil where it is still what has that mark. attends says that whoever asks could start a part, and so looks after it.
func (p *Page) State(mark string, attends bool) any {
	now := p.cfg.Now()
	p.mu.Lock()
	defer p.mu.Unlock()
	if attends {
		p.looked = time.Now()
	}
	is := fmt.Sprintf("%s-%d-%s", p.life, p.seq, now.Format(time.DateOnly))
	if is == mark {
		return nil
	}
	st := &State{Mark: is, Flume: p.cfg.Settings.Flume.Name, Last: p.last, Trouble: p.trouble, Reports: slices.Clone(p.reports)}
	if g := p.going; g != nil {
		st.Going = &ShownGoing{Part: g.part.ID, Title: g.part.Title, Lines: slices.Clone(g.lines), Question: g.question}
	}
	r := p.record
	standing := r.Stands(p.cfg.Settings, now)
	st.Standing = ShownStanding{Passed: standing.Passed, Why: standing.Why}
	if standing.Passed {
		st.Standing.Since, st.Standing.Until = standing.Since.Format(time.DateOnly), standing.Since.Add(p.cfg.Settings.Safety.CommissionAgain).Format(time.DateOnly)
	}
	if r == nil {
		r = &Record{}
	}
	st.Water, st.RunOut, st.Places = r.Water, r.RunOut, r.Places
	for _, q := range Parts() {
		d := r.Parts[q.ID]
		s := ShownPart{ID: q.ID, Title: q.Title, Safety: q.Safety, Minutes: q.Minutes, Verdict: d.Verdict(), Findings: d.Findings}
		if !d.At.IsZero() {
			s.At = d.At.Format("2006-01-02 15:04")
			s.Changed = d.Wiring != Wiring(p.cfg.Settings)
		}
		st.Parts = append(st.Parts, s)
	}
	return st
}
