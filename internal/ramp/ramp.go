// Package ramp turns blocks and limits into a profile, and says the position on it at any time.
//
// Inside, plain float64 SI is used (m, s, m/s, m/s², m/s³); the exported border is typed. In comments v is speed, a accel, j jerk, L the
// inertia length, and c the steady speed that the motor is set to: c² = v² + L·a.
package ramp

import (
	"fmt"
	"math"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// State is the water as planned at an instant. The zero State is standstill.
type State struct {
	Speed units.Speed
	Accel units.Accel
}

func stateOf(v, a float64) State {
	return State{units.MetresPerSecond(v), units.MetresPerSecond2(a)}
}

// Limits are the comfort limits of a flume.
type Limits struct {
	Accel, Decel units.Accel // both positive
	Jerk         units.Jerk
	Relief       units.Jerk // takes away acceleration where speed must come down; at least Jerk
}

const (
	leadOverCap = 1.1   // how far above the cap the motor may be set while the water speeds up
	leastAccel  = 0.005 // m/s²: a pace that leaves the motor less than this in reserve is refused
	rounding    = 1e-9  // relative, on speeds that are compared
)

// Planner plans changes and blocks for one flume and one swimmer's caps. It is immutable, and safe for use by several goroutines.
type Planner struct {
	model                      *water.Model
	accel, decel, jerk, relief float64
	l                          float64 // L
	rest                       float64 // decel to standstill; where L is 0, decel
	lead                       float64 // the fastest steady speed that the motor may be set to
	slowest, fastest           float64 // steady paces
	cap                        float64
	follow                     *follow // nil where the motor's own ramp limits nothing
	easy                       float64 // m/s²: so fast the motor's own ramp changes c whatever c is; infinite without one
}

// NewPlanner makes a planner. ceiling is the lowest cap of flume, swimmer and guard; zero means none but the motor's.
// It refuses limits that are not positive, and a relief jerk below the jerk limit.
func NewPlanner(l Limits, m *water.Model, ceiling units.Speed) (*Planner, error) {
	p := &Planner{model: m, accel: l.Accel.MetresPerSecond2(), decel: l.Decel.MetresPerSecond2(), jerk: l.Jerk.MetresPerSecond3(),
		relief: l.Relief.MetresPerSecond3(), l: m.Inertia().Metres()}
	for _, q := range []struct {
		value      float64
		name, unit string
	}{{p.accel, "accel limit", "m/s²"}, {p.decel, "decel limit", "m/s²"}, {p.jerk, "jerk limit", "m/s³"}, {p.relief, "relief jerk", "m/s³"}} {
		if !(q.value > 0) || math.IsInf(q.value, 1) {
			return nil, fmt.Errorf("%s of %g %s: allowed is more than 0", q.name, q.value, q.unit)
		}
	}
	top, ceil := m.Top().MetresPerSecond(), ceiling.MetresPerSecond()
	switch {
	case p.relief < p.jerk:
		return nil, fmt.Errorf("relief jerk of %g m/s³: allowed is the jerk limit, %g m/s³, or more", p.relief, p.jerk)
	case !(ceil >= 0):
		return nil, fmt.Errorf("cap of %g m/s: allowed is 0 (none) or more", ceil)
	}
	p.cap, p.lead, p.rest = top, top, p.decel
	if ceil > 0 {
		p.cap, p.lead = min(top, ceil), min(top, leadOverCap*ceil)
	}
	p.fastest = p.cap
	if p.l > 0 {
		// The coast has its greatest jerk, 2v³/L², where it begins, at v² = L·decel: so it keeps the jerk limit.
		p.rest = min(p.decel, math.Pow(p.jerk*p.l*p.l/2, 2./3)/p.l)
		p.fastest = min(p.cap, math.Sqrt(max(p.lead*p.lead-leastAccel*p.l, 0)))
	}
	p.slowest = max(m.Slowest().MetresPerSecond(), water.Standstill.MetresPerSecond())
	p.follow, p.easy = newFollow(m, p.accel, p.lead)
	return p, nil
}

// Fastest and Slowest are the paces possible here. Standstill is possible always.
func (p *Planner) Fastest() units.Speed { return units.MetresPerSecond(p.fastest) }

// Slowest is the slowest pace that the motor can keep up.
func (p *Planner) Slowest() units.Speed { return units.MetresPerSecond(p.slowest) }

// Cap is the lowest cap that all plans keep to: the ceiling, or what the motor can give where that is less.
func (p *Planner) Cap() units.Speed { return units.MetresPerSecond(p.cap) }

// Check says what is not possible for this block's paces (too fast for the lead or the cap: names the fastest possible pace; too slow for
// the motor's lowest speed: names the slowest), as an error that a person can read; nil where it can be done.
func (p *Planner) Check(b schedule.Block) error {
	if b.Rest {
		return nil
	}
	if err := p.checkPace(b.From); err != nil || !b.TwoPace() {
		return err
	}
	return p.checkPace(b.To)
}

func (p *Planner) checkPace(pace units.Pace) error {
	v := pace.Speed().MetresPerSecond()
	switch {
	case p.fastest < p.slowest:
		return fmt.Errorf("%s is not possible here: between the motor's lowest speed, %.2f m/s, and the cap no pace is left", pace, p.slowest)
	case v > p.fastest*(1+rounding):
		why := "the motor must keep a little in reserve"
		if p.fastest == p.cap {
			why = fmt.Sprintf("the cap is %.2f m/s", p.cap)
		}
		return fmt.Errorf("%s is too fast here: the fastest possible is %s (%s)", pace, tenth(p.fastest, pace.Unit(), math.Ceil), why)
	case v < p.slowest*(1-rounding):
		return fmt.Errorf("%s is too slow here: the slowest possible is %s (the motor's lowest speed)", pace, tenth(p.slowest, pace.Unit(), math.Floor))
	}
	return nil
}

// tenth is the pace of a speed, rounded to a tenth of a second to the side where it is still possible.
func tenth(v float64, u units.Unit, round func(float64) float64) units.Pace {
	s := units.MetresPerSecond(v).Pace(u).Seconds() * 10
	if near := math.Round(s); math.Abs(s-near) < 10*rounding*s {
		s = near
	}
	return units.PacePer100(round(s)/10, u)
}

// set is c, the steady speed that the motor is set to for (v, a); 0 where it is off.
func (p *Planner) set(v, a float64) float64 { return math.Sqrt(max(v*v+p.l*a, 0)) }

// possible is the pace nearest to v that can be given; standstill stays standstill.
func (p *Planner) possible(v float64) float64 {
	switch {
	case !(v > 0):
		return 0
	case v > p.fastest:
		return p.fastest
	case v < p.slowest:
		return min(p.slowest, p.fastest)
	}
	return v
}

// upLimit is the greatest accel on the way up to v: the motor must have enough in reserve at its end, and its own ramp must follow.
// A pace that Check refuses for its reserve is approached with the least accel.
func (p *Planner) upLimit(v float64) float64 {
	a := p.accel
	if p.l > 0 {
		a = min(a, max((p.lead*p.lead-v*v)/p.l, leastAccel))
	}
	if p.follow != nil {
		a = min(a, max(p.follow.limit(math.Sqrt(v*v+p.l*a)), leastAccel))
	}
	return a
}

// downLimit is the greatest decel on the way down to v > 0: water slows by v²/L at most, which is least at the end.
func (p *Planner) downLimit(v float64) float64 {
	if p.l > 0 {
		return min(p.decel, v*v/p.l)
	}
	return p.decel
}

// follow has what the motor's own ramp, R rpm/s, allows. While the water speeds up with a steady accel, c rises by v·a/c m/s each second,
// and the motor can give R·dc/dn.
type follow struct {
	step float64
	most [65]float64 // greatest accel for changes that set the motor to i·step m/s at most
}

// newFollow is nil where accel is possible everywhere. easy is what the motor's ramp gives where the curve is flattest.
func newFollow(m *water.Model, accel, lead float64) (f *follow, easy float64) {
	r, least := m.Motor().RPMPerSecond, math.Inf(1)
	if r == 0 {
		return nil, least
	}
	easy = least
	f = &follow{step: lead / float64(len(f.most)-1)}
	slowest, before := m.Slowest().MetresPerSecond(), 0.
	for i := range f.most {
		c := float64(i) * f.step
		if rpm := m.MotorFor(units.MetresPerSecond(c), units.Accel{}).RPM(); i > 0 {
			rate := r * f.step / (rpm - before)
			easy, before = min(easy, rate), rpm
			if c >= slowest {
				least = min(least, steadyAccel(c, m.Inertia().Metres(), rate))
			}
		}
		f.most[i] = least
	}
	if least >= accel {
		return nil, easy
	}
	return f, easy
}

// limit is the greatest accel for a change that sets the motor to c at most.
func (f *follow) limit(c float64) float64 {
	i := int(math.Ceil(c / f.step * (1 - rounding)))
	return f.most[min(i, len(f.most)-1)]
}

// steadyAccel is the greatest a with v·a/c ≤ rate, v² = c² − L·a, for it and all below it; infinite where none is too great.
func steadyAccel(c, l, rate float64) float64 {
	if l == 0 {
		return rate
	}
	hi := 2 * c * c / (3 * l) // v·a/c is greatest here
	if hi/math.Sqrt(3) <= rate {
		return math.Inf(1)
	}
	lo := 0.
	for range 60 {
		if a := (lo + hi) / 2; a*math.Sqrt(c*c-l*a)/c <= rate {
			lo = a
		} else {
			hi = a
		}
	}
	return lo
}
