package ramp

import (
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Span is one block on a profile.
type Span struct {
	Block           schedule.Block
	Start, Duration time.Duration
	From, End       State          // at its begin and end
	At, Distance    units.Distance // on the profile at its begin; its own
	Leg             Leg
}

// Profile is the whole plan from a state over blocks, with the runout behind it. It is immutable, and safe for use by several goroutines.
type Profile struct {
	spans   []Span
	total   time.Duration
	length  units.Distance
	runout  Move
	tail    time.Duration
	peaks   peaks
	highest units.MotorSpeed
}

// PlanError is what is not possible about a step.
type PlanError struct {
	Step, Block int // the step's number in the file; the index of the first block of it that is not possible
	Text        string
}

// Error is the text; it begins with the block's name.
func (e PlanError) Error() string { return e.Text }

// PlanErrors is all that is not possible in a plan, in the order of swimming, each kind once a step.
type PlanErrors []PlanError

// Error is one error a line.
func (es PlanErrors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Text
	}
	return strings.Join(lines, "\n")
}

// Profile plans all blocks from a state. It returns every fault of the plan at once, as PlanErrors: paces that cannot be
// given, send-offs with less than nothing left; remarks are what could not be given as asked, once a step.
// A round that began before the first of the blocks counts as begun with it.
func (p *Planner) Profile(from State, blocks []schedule.Block) (*Profile, []fault.Remark, error) {
	f := &Profile{spans: make([]Span, len(blocks))}
	r := newReview(p, blocks)
	starts := func(index int) time.Duration {
		i := min(max(index-blocks[0].Index, 0), len(blocks)-1)
		return f.spans[i].Start - f.total
	}
	for i := range blocks {
		s := &f.spans[i]
		s.Block, s.Start, s.At, s.From = blocks[i], f.total, f.length, from
		p.leg(&s.Leg, from, &s.Block, Progress{}, starts)
		s.Duration = s.Leg.Duration()
		s.End, s.Distance = s.Leg.End()
		f.peaks.leg(&s.Leg, p.l)
		f.total += s.Duration
		f.length = units.Metres(f.length.Metres() + s.Distance.Metres())
		from = s.End
		r.span(f, i)
	}
	p.change(&f.runout, from, 0)
	f.tail = span(f.runout.slowedTo(water.Standstill.MetresPerSecond()))
	f.peaks.move(&f.runout, seconds(f.tail), p.l)
	f.highest = p.model.MotorFor(units.MetresPerSecond(math.Sqrt(max(f.peaks.c2, 0))), units.Accel{})
	if len(r.errors) > 0 {
		return nil, r.remarks, r.errors
	}
	return f, r.remarks, nil
}

// Spans are the blocks in order. They are the profile's own: do not change them.
func (f *Profile) Spans() []Span { return f.spans }

// Total is the time and distance of the blocks, without the runout.
func (f *Profile) Total() (time.Duration, units.Distance) { return f.total, f.length }

// Runout is the time and distance after the last block until standstill.
func (f *Profile) Runout() (time.Duration, units.Distance) {
	_, x := f.runout.At(f.tail)
	return f.tail, x
}

// Peaks are the greatest acceleration, deceleration (positive), jerk (absolute) of the profile and the greatest motor speed that it needs, runout included.
func (f *Profile) Peaks() (accel, decel units.Accel, jerk units.Jerk, motor units.MotorSpeed) {
	return units.MetresPerSecond2(f.peaks.accel), units.MetresPerSecond2(f.peaks.decel), units.MetresPerSecond3(f.peaks.jerk), f.highest
}

// peaks are the greatest accel, decel, jerk and c² so far.
type peaks struct{ accel, decel, jerk, c2 float64 }

func (k *peaks) leg(l *Leg, inertia float64) {
	if !l.two {
		k.move(&l.first, l.end, inertia)
		return
	}
	k.move(&l.first, l.split, inertia)
	k.move(&l.second, l.end-l.split, inertia)
}

func (k *peaks) state(v, a, inertia float64) {
	k.accel, k.decel, k.c2 = max(k.accel, a), max(k.decel, -a), max(k.c2, v*v+inertia*a)
}

// move takes in a move until so far.
func (k *peaks) move(m *Move, until, inertia float64) {
	for i := 0; i <= m.last; i++ {
		q := &m.pieces[i]
		d := until - q.t
		if i < m.last {
			d = min(d, m.pieces[i+1].t-q.t)
		}
		if d <= halfNano { // a leg that ends with a change may end with a sliver of the next piece
			continue
		}
		if m.coast > 0 && i == m.last {
			k.jerk = max(k.jerk, 2*q.v*q.v*q.v/(m.coast*m.coast))
		}
		k.jerk = max(k.jerk, math.Abs(q.j))
		k.state(q.v, q.a, inertia)
		if m.coast == 0 || i < m.last { // the coast has the most where it begins
			v, a, _ := q.at(d)
			k.state(v, a, inertia)
		}
		if q.j < 0 && q.a > 0 {
			k.c2 = max(k.c2, q.crest(d, inertia))
		}
	}
}

// crest is the greatest c² within a piece of falling accel. Its derivative, 2va + L·j, may rise at first, while a² > −v·j, and falls then.
func (q *piece) crest(d, inertia float64) float64 {
	lo, hi := 0., d
	for range 20 {
		mid := (lo + hi) / 2
		if v, a, _ := q.at(mid); a > 0 && (a*a > -v*q.j || 2*v*a > -inertia*q.j) {
			lo = mid
		} else {
			hi = mid
		}
	}
	v, a, _ := q.at(lo)
	return v*v + inertia*a
}

// Cursor walks a profile forward; stepping back is allowed but slower.
type Cursor struct {
	f *Profile
	i int
}

// Cursor starts at the beginning.
func (f *Profile) Cursor() Cursor { return Cursor{f: f} }

// At is the state, the distance and the index of the block at t after the profile's start; the index is len(Spans) in the runout.
func (c *Cursor) At(t time.Duration) (State, units.Distance, int) {
	t = max(t, 0)
	spans := c.f.spans
	for c.i > 0 && t < c.start() {
		c.i--
	}
	for c.i < len(spans) && t >= spans[c.i].Start+spans[c.i].Duration {
		c.i++
	}
	if c.i == len(spans) {
		v, a, x := c.f.runout.at(seconds(t - c.f.total))
		return stateOf(v, a), units.Metres(c.f.length.Metres() + x), c.i
	}
	s := &spans[c.i]
	v, a, x := s.Leg.at(seconds(t - s.Start))
	return stateOf(v, a), units.Metres(s.At.Metres() + x), c.i
}

// start is when the present block, or the runout, begins.
func (c *Cursor) start() time.Duration {
	if c.i == len(c.f.spans) {
		return c.f.total
	}
	return c.f.spans[c.i].Start
}
