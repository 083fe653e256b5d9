package panel

import (
	"fmt"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// swimRow is a swim as the list shows it.
type swimRow struct {
	ID                                   int64
	When, Title, Swimmer, Time, Distance string
	Pace, How                            string
	Simulated                            bool
}

// blockRow is a block of a swim: asked beside delivered.
type blockRow struct{ Name, Kind, Pace, Asked, Swum, Mean, Done string }

// mostSwims is how many the list shows.
const mostSwims = 200

func (p *Panel) swimsPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "swims", "swims.title")
	g.Writable = p.cfg.Store != nil
	if p.cfg.Store != nil {
		swims, err := p.cfg.Store.List(store.Which{Last: mostSwims})
		if err != nil {
			slog.Error("the swims cannot be read", "error", err)
		}
		for i := len(swims) - 1; i >= 0; i-- {
			g.Swims = append(g.Swims, p.swimRow(&swims[i]))
		}
	}
	p.render(w, g)
}

func (p *Panel) swimRow(s *store.Swim) swimRow {
	row := swimRow{ID: s.ID, Title: s.Title, Swimmer: s.Swimmer, Simulated: s.Simulated, Time: units.FormatTimeWhole(s.Swum.Time), Distance: length(s.Swum.Distance, s.Unit)}
	if row.When = s.Began.Format("2 Jan 2006 15:04"); !s.ClockSet() {
		row.When, _ = p.pages.say("swims.no-clock")
	}
	row.Pace = clockOf(s.Swum.Speed().Pace(s.Unit)) + "/100" + s.Unit.String()
	if s.Swum.Speed().MetresPerSecond() < showPace {
		row.Pace = "–"
	}
	row.How, _ = p.pages.say("swims.how." + string(s.Outcome))
	if s.Code != "" && s.Outcome == store.ByGuard {
		row.How += ": " + fault.Of(s.Code).What
	}
	return row
}

func length(d units.Distance, u units.Unit) string { return fmt.Sprintf("%.0f %s", d.In(u), u) }

// swim finds the swim in an address; the answer is given where there is none.
func (p *Panel) swim(w http.ResponseWriter, r *http.Request) *store.Swim {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err == nil && p.cfg.Store != nil {
		if s, err := p.cfg.Store.Swim(id); err == nil {
			return s
		}
	}
	refuse(w, fault.Of(fault.NoSuchPage))
	return nil
}

func (p *Panel) swimPage(w http.ResponseWriter, r *http.Request) {
	s := p.swim(w, r)
	if s == nil {
		return
	}
	g := p.page(r, "swim", "swims.title")
	row := p.swimRow(s)
	g.Heading, g.Swims, g.Name = s.Title, []swimRow{row}, fmt.Sprint(s.ID)
	blocks, err := p.cfg.Store.Blocks(s)
	if err != nil {
		slog.Error("the blocks of a swim cannot be read", "swim", s.ID, "error", err)
	}
	happened, err := p.cfg.Store.Happenings(s)
	if err != nil {
		slog.Error("what happened in a swim cannot be read", "swim", s.ID, "error", err)
	}
	for _, h := range happened {
		if h.Kind == "drift" {
			g.Problems = append(g.Problems, fault.Fault{Code: h.Code, What: h.What})
		}
	}
	for i := range blocks {
		g.Blocks = append(g.Blocks, p.blockRow(&blocks[i], s.Unit))
	}
	p.render(w, g)
}

func (p *Panel) blockRow(b *store.Block, u units.Unit) blockRow {
	both := func(f store.Figure) string { return units.FormatTime(f.Time) + " · " + length(f.Distance, u) }
	row := blockRow{Name: b.Name, Kind: b.Kind, Asked: both(b.Asked), Swum: "–", Mean: "–"}
	if b.Of > 1 {
		of, _ := p.pages.say("deck.of", "n", b.Round, "of", b.Of)
		row.Name += " " + of
	}
	switch {
	case b.Rest:
		row.Pace, _ = p.pages.say("deck.rest")
	case b.From != b.To:
		row.Pace = clockOf(b.From) + "–" + clockOf(b.To)
	default:
		row.Pace = clockOf(b.From)
	}
	done := "swims.not-swum"
	if b.Was {
		row.Swum, done = both(b.Swum), "swims.broken-off"
		if v := b.Swum.Speed(); v.MetresPerSecond() >= showPace && !b.Rest {
			row.Mean = clockOf(v.Pace(u))
		}
	}
	if b.Done {
		done = "swims.done"
	}
	row.Done, _ = p.pages.say(done)
	return row
}

// swimCurve answers with the curve of a swim as it was: what was wished beside what was delivered, over the time since its start.
func (p *Panel) swimCurve(w http.ResponseWriter, r *http.Request) {
	s := p.swim(w, r)
	if s == nil {
		return
	}
	samples, err := p.cfg.Store.Samples(s)
	if err != nil || len(samples) < 2 {
		answer(w, http.StatusOK, curve{Speeds: []float64{}, Blocks: []stretch{}, Swum: []*float64{}})
		return
	}
	first, last := samples[0].At, samples[len(samples)-1].At
	c := curve{Title: s.Title, Unit: s.Unit.String(), TotalS: (last - first).Seconds(), TotalM: figure(s.Swum.Distance.Metres()), Step: (last - first).Seconds() / points}
	at := 0
	for i := range points + 1 {
		t := first + (last-first)/points*time.Duration(i)
		for at+1 < len(samples) && samples[at+1].At <= t {
			at++
		}
		a, b := &samples[at], &samples[min(at+1, len(samples)-1)]
		share := 0.0
		if b.At > a.At {
			share = (t - a.At).Seconds() / (b.At - a.At).Seconds()
		}
		between := func(v, w units.Speed) float64 {
			return v.MetresPerSecond() + share*(w.MetresPerSecond()-v.MetresPerSecond())
		}
		c.Speeds = append(c.Speeds, figure(between(a.Wish, b.Wish)))
		c.Swum = append(c.Swum, number(between(a.Water, b.Water)))
	}
	blocks, err := p.cfg.Store.Blocks(s)
	if err != nil {
		slog.Error("the blocks of a swim cannot be read", "swim", s.ID, "error", err)
	}
	for i := 0; i < len(samples); { // a stretch for as long as the samples stay in a block
		n, from := samples[i].Block, samples[i].At
		for i < len(samples) && samples[i].Block == n {
			i++
		}
		to := last
		if i < len(samples) {
			to = samples[i].At
		}
		if n < 0 || n >= len(blocks) {
			continue
		}
		b := &blocks[n]
		one := stretch{block: block{Index: n, Name: b.Name, Kind: b.Kind, Rest: b.Rest}, Start: (from - first).Seconds(), Duration: (to - from).Seconds()}
		if !b.Rest {
			one.From, one.To = clockOf(b.From), clockOf(b.To)
			one.Pace = number(b.From.In(units.Metre).Seconds())
		}
		c.Blocks = append(c.Blocks, one)
	}
	answer(w, http.StatusOK, c)
}
