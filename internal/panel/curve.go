package panel

import (
	"math"
	"net/http"
	"time"

	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

// curve is a planned session to be drawn: speeds at equal times, and the blocks below them.
type curve struct {
	Plan   uint64     `json:"plan"`
	Title  string     `json:"title"`
	Unit   string     `json:"unit"`
	TotalS float64    `json:"total_s"`
	TotalM float64    `json:"total_m"`
	Step   float64    `json:"step_s"`
	Speeds []float64  `json:"speed_mps"`
	Blocks []stretch  `json:"blocks"`
	Swum   []*float64 `json:"water_mps"` // as delivered, at the same times; null where nothing was swum
}

// stretch is one block on a curve.
type stretch struct {
	block
	Start    float64 `json:"start_s"`
	Duration float64 `json:"duration_s"`
}

// points is how many speeds a curve has: more than the widest screen shows are of no use.
const points = 960

// curveOf samples a profile.
func curveOf(f *ramp.Profile, title string, unit units.Unit) *curve {
	total, length := f.Total()
	c := &curve{Title: title, Unit: unit.String(), TotalS: figure(total.Seconds()), TotalM: figure(length.Metres()), Speeds: make([]float64, points+1)}
	step := total / points
	c.Step = total.Seconds() / points
	cursor := f.Cursor()
	for i := range c.Speeds {
		at, _, _ := cursor.At(time.Duration(i) * step)
		c.Speeds[i] = figure(at.Speed.MetresPerSecond())
	}
	for i := range f.Spans() {
		s := &f.Spans()[i]
		c.Blocks = append(c.Blocks, stretch{*blockOf(&s.Block), figure(s.Start.Seconds()), figure(s.Duration.Seconds())})
	}
	return c
}

// swum is the water as delivered, by the place on the plan: fixed in size, however long a swim takes.
type swum struct {
	total time.Duration
	swim  uint64
	last  int
	water [points + 1]float32 // m/s; negative where nothing was swum
}

// begin forgets, for another profile or swim.
func (w *swum) begin(f *ramp.Profile) {
	w.total, w.last = 0, -1
	if f != nil {
		w.total, _ = f.Total()
	}
	for i := range w.water {
		w.water[i] = -1
	}
}

// note keeps the water at the place where the swim is; what was jumped over since the last look is filled in.
func (h *hub) note(s *sequencer.Snapshot, st *status) {
	if st.Place == nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if s.Profile != h.profile {
		return
	}
	w := &h.swum
	if s.Swim != w.swim {
		w.begin(h.profile)
		w.swim = s.Swim
	}
	if w.total <= 0 || s.CountIn > 0 {
		return
	}
	i := int(math.Round(*st.Place / w.total.Seconds() * points))
	i = min(max(i, 0), points)
	from := i
	if w.last >= 0 && i > w.last && i-w.last < points/50 {
		from = w.last + 1
	}
	for ; from <= i; from++ {
		w.water[from] = float32(s.Water.MetresPerSecond())
	}
	w.last = i
}

func (h *hub) swumSoFar() []*float64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := make([]*float64, len(h.swum.water))
	for i, v := range h.swum.water {
		if v >= 0 {
			out[i] = number(float64(v))
		}
	}
	return out
}

// plan answers with the curve of what is laid out, and what was swum of it.
func (p *Panel) plan(w http.ResponseWriter, r *http.Request) {
	snap, _ := p.cfg.Sequencer.Snapshot()
	if snap.Profile == nil {
		answer(w, http.StatusOK, curve{Speeds: []float64{}, Blocks: []stretch{}, Swum: []*float64{}})
		return
	}
	id := p.hub.plan(&snap)
	c := p.planned.Load()
	if c == nil || c.Plan != id {
		c = curveOf(snap.Profile, snap.Title, snap.Unit)
		c.Plan = id
		p.planned.Store(c)
	}
	out := *c
	out.Swum = p.hub.swumSoFar()
	answer(w, http.StatusOK, out)
}
