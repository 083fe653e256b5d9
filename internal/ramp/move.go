package ramp

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Move is one change of speed: a handful of pieces of constant jerk, then for standstill the coast, then constant speed. It is a value; no allocation.
// The zero Move is standstill.
type Move struct {
	pieces [5]piece // up to last; that one goes on for ever
	last   int
	coast  float64 // L where the last piece is the coast, else 0: then it has constant speed
}

// piece is a stretch of constant jerk from t and x on.
type piece struct{ t, x, v, a, j float64 }

func (q *piece) at(d float64) (v, a, x float64) {
	return q.v + d*(q.a+d*q.j/2), q.a + d*q.j, q.x + d*(q.v+d*(q.a/2+d*q.j/6))
}

const (
	halfNano = 0.5e-9 // s: times at the border are whole nanoseconds, so a piece begins half a one early
	noSpeed  = 1e-9   // m/s: less is none
	atPace   = 1e-12  // m/s off a target, with accel below noAccel: there already
	noAccel  = 1e-9   // m/s²
)

// Change plans the least-time change from a state to a speed (standstill: until the motor is off; the coast follows for ever).
// A state that water cannot be in (running backwards, slowing by more than v²/L) is taken as the nearest that it can.
func (p *Planner) Change(from State, to units.Speed) (m Move) {
	p.change(&m, from, to.MetresPerSecond())
	return m
}

// Duration is how long until the target is reached; to standstill, until the motor is off (0 on the coast).
func (m *Move) Duration() time.Duration { return span(m.reach()) }

// At is the state and the distance covered at t after the start (t ≥ 0, also after Duration).
func (m *Move) At(t time.Duration) (State, units.Distance) {
	v, a, x := m.at(seconds(t))
	return stateOf(v, a), units.Metres(x)
}

func seconds(t time.Duration) float64 { return float64(t) / 1e9 }

// span is s seconds; at most what a Duration holds.
func span(s float64) time.Duration {
	if s >= math.MaxInt64/1e9 {
		return math.MaxInt64
	}
	return time.Duration(math.Round(s * 1e9))
}

// reach is when the target is reached.
func (m *Move) reach() float64 { return m.pieces[m.last].t }

func (m *Move) at(t float64) (v, a, x float64) {
	i := m.last
	for i > 0 && t+halfNano < m.pieces[i].t {
		i--
	}
	q := &m.pieces[i]
	d := t - q.t
	if m.coast > 0 && i == m.last {
		f := 1 + q.v*d/m.coast
		v = q.v / f
		return v, -v * v / m.coast, q.x + m.coast*math.Log(f)
	}
	v, a, x = q.at(d)
	return max(v, 0), a, x // rounding may leave a −1e-17 at the end of the way to 0
}

// when is the time at which the distance x ≥ 0 is covered; on a move that never covers it, infinite.
func (m *Move) when(x float64) float64 {
	i := m.last
	for i > 0 && x < m.pieces[i].x {
		i--
	}
	q := &m.pieces[i]
	switch x -= q.x; {
	case i < m.last:
		return q.t + q.when(x, m.pieces[i+1].t-q.t)
	case m.coast > 0:
		return q.t + math.Expm1(x/m.coast)*m.coast/q.v
	case x <= 0:
		return q.t
	}
	return q.t + x/q.v
}

// when is the time at which x of this piece, d s long, is covered: Newton's method, kept between brackets. The speed is never negative, so x(t) rises.
func (q *piece) when(x, d float64) float64 {
	lo, hi, t := 0., d, d
	if q.v > 0 {
		t = min(x/q.v, d)
	}
	for range 100 {
		v, _, y := q.at(t)
		y -= q.x + x
		switch {
		case math.Abs(y) < 1e-11:
			return t
		case y < 0:
			lo = t
		default:
			hi = t
		}
		if t -= y / v; !(t > lo && t < hi) {
			t = (lo + hi) / 2
		}
	}
	return t
}

// slowedTo is the time from which on the speed is below v, on a way to standstill.
func (m *Move) slowedTo(v float64) float64 {
	i := m.last
	for i >= 0 && m.pieces[i].v <= v {
		i--
	}
	if i < 0 {
		return 0
	}
	q := &m.pieces[i]
	if i == m.last {
		return q.t + m.coast*(1/v-1/q.v)
	}
	lo, hi := 0., m.pieces[i+1].t-q.t
	for range 60 {
		mid := (lo + hi) / 2
		if s, _, _ := q.at(mid); s > v {
			lo = mid
		} else {
			hi = mid
		}
	}
	return q.t + hi
}

// change plans the change to v in m.
func (p *Planner) change(m *Move, from State, v float64) {
	m.begin(p.real(from))
	if !(v > noSpeed) {
		v = 0
	}
	if v == 0 && p.l > 0 {
		p.toStandstill(m)
		return
	}
	p.toSpeed(m, v, p.upLimit(v), p.downLimit(v))
}

// real is the state nearest to s that the water can be in.
func (p *Planner) real(s State) (v, a float64) {
	v, a = s.Speed.MetresPerSecond(), s.Accel.MetresPerSecond2()
	if !(v > 0) {
		v = 0
	}
	switch {
	case math.IsNaN(a), v == 0 && a < 0:
		a = 0
	case p.l > 0:
		a = max(a, -v*v/p.l)
	}
	return v, a
}

func (m *Move) begin(v, a float64) {
	m.last, m.coast = 0, 0
	m.pieces[0] = piece{v: v, a: a}
}

// add lets the last piece be d long with jerk j, and begins the next.
func (m *Move) add(d, j float64) {
	if !(d > 0) {
		return
	}
	q := &m.pieces[m.last]
	q.j = j
	v, a, x := q.at(d)
	m.last++
	m.pieces[m.last] = piece{t: q.t + d, x: x, v: v, a: a}
}

// steady makes the last piece one of constant speed v.
func (m *Move) steady(v float64) {
	q := &m.pieces[m.last]
	q.v, q.a, q.j = v, 0, 0
}

// relieve takes away a positive accel at the relief jerk.
func (p *Planner) relieve(m *Move) {
	m.add(m.pieces[m.last].a/p.relief, -p.relief)
	m.pieces[m.last].a = 0
}

// toSpeed appends the least-time change to the speed v, with accel at most up and decel at most down.
func (p *Planner) toSpeed(m *Move, v, up, down float64) {
	q := &m.pieces[m.last]
	if q.a > 0 && q.v+q.a*q.a/(2*p.relief) > v {
		p.relieve(m)
	}
	q = &m.pieces[m.last]
	if q.a < 0 && q.v < q.a*q.a/(2*p.jerk) {
		// The jerk limit would carry the speed below 0: with more jerk it just touches 0.
		t := -2 * q.v / q.a
		m.add(t, -q.a/t)
		m.steady(0)
		q = &m.pieces[m.last]
	}
	if math.Abs(v-q.v) <= atPace && math.Abs(q.a) <= noAccel {
		m.steady(v)
		return
	}
	natural := q.a * math.Abs(q.a) / (2 * p.jerk) // the change of speed while the jerk limit takes the accel away
	off := v - q.v - natural
	switch {
	case q.a > 0 && off < 0, math.Abs(off) <= rounding*math.Abs(natural):
		t := 2 * (v - q.v) / q.a
		m.add(t, -q.a/t)
	case off > 0:
		p.climb(m, 1, v, up)
	default:
		p.climb(m, -1, v, down)
	}
	m.steady(v)
}

// climb appends the change to v in the direction s (1 up, −1 down) with accel at most lim: to the peak accel, hold, to 0.
func (p *Planner) climb(m *Move, s, v, lim float64) {
	q := &m.pieces[m.last]
	a, rise, j := s*q.a, s*(v-q.v), s*p.jerk
	peak := min(lim, math.Sqrt(max(p.jerk*rise+a*a/2, 0)))
	if a > peak {
		m.add((a-peak)/p.jerk, -j)
		m.add((rise-a*a/(2*p.jerk))/peak, 0)
	} else {
		m.add((peak-a)/p.jerk, j)
		if peak == lim {
			m.add((rise-(2*peak*peak-a*a)/(2*p.jerk))/peak, 0)
		}
	}
	m.add(peak/p.jerk, -j)
}

// toStandstill appends the way down until the motor is off, and the coast. L is above 0.
func (p *Planner) toStandstill(m *Move) {
	q := &m.pieces[m.last]
	if q.v <= noSpeed && q.a <= noAccel {
		m.steady(0)
		return
	}
	if q.a > 0 {
		p.relieve(m)
		q = &m.pieces[m.last]
	}
	if q.v*q.v+p.l*q.a > rounding*q.v*q.v {
		p.untilOff(m)
		q = &m.pieces[m.last]
	}
	q.a, q.j, m.coast = -q.v*q.v/p.l, 0, p.l
}

// untilOff appends jerk to the decel to standstill, and its hold, until first a = −v²/L.
func (p *Planner) untilOff(m *Move) {
	q := &m.pieces[m.last]
	s := 1. // the decel −a rises (1) or falls (−1) on its way to p.rest
	if -q.a > p.rest {
		s = -1
	}
	// On that way, with u = √−a, speed is (V − s·u⁴/(2J)), and the motor is off where that is √L·u.
	// f is convex; Newton's method comes down to its (greater) root from the right.
	end, root, fromV := math.Sqrt(p.rest), math.Sqrt(p.l), q.v+s*q.a*q.a/(2*p.jerk)
	f := func(u float64) float64 { return u*u*u*u/(2*p.jerk) + s*(root*u-fromV) }
	u, lowest := math.Sqrt(-q.a), end
	off := f(end) >= 0
	if s > 0 {
		u = min(end, fromV/root)
	} else {
		lowest = min(max(math.Cbrt(root*p.jerk/2), end), u)
		off = f(lowest) <= 0
	}
	if off {
		for range 40 {
			step := f(u) / (2*u*u*u/p.jerk + s*root)
			u -= step
			if !(step > 1e-15*u) {
				break
			}
		}
		m.add(s*(u*u+q.a)/p.jerk, -s*p.jerk)
		return
	}
	m.add(s*(p.rest+q.a)/p.jerk, -s*p.jerk)
	q = &m.pieces[m.last]
	m.add((q.v-math.Sqrt(p.l*p.rest))/p.rest, 0)
}
