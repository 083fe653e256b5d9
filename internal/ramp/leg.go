package ramp

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// Leg is the plan of one block (or of what is left of one) from a state. It is a value; no allocation. The zero Leg is standstill, of no length.
type Leg struct {
	first, second Move // second only where two: the S of a two-pace block, from split on
	two           bool
	split, splitX float64
	end, endX     float64 // the leg's own length; endX is exactly the distance left of a block by distance
	ramp, rampX   float64
	late          time.Duration
	reached       bool
}

// Progress is what has been done of a block already. The zero value is nothing.
type Progress struct {
	Time     time.Duration  // block clock
	Distance units.Distance // delivered
	InS      bool           // a two-pace block that has begun its change to the second pace
}

// sameSpeed is how far, in m/s, a speed may be off the S of a two-pace block by rounding.
const sameSpeed = 1e-6

// inTime is how much later than planned a speed may be reached, or a send-off left, and still be in time.
const inTime = time.Microsecond

// Leg plans block b, or what is left of it after done, from a state. starts(i) must give the block-clock start of block i relative to this leg's
// beginning (negative or zero) for send-off rests; nil where b waits for no send-off.
// A rest keeps its own time even where a send-off is over before, and has no length where it has no time of its own: Late reports by how much.
// A pace that Check refuses is planned as the nearest possible one, and counts as not reached.
func (p *Planner) Leg(from State, b schedule.Block, done Progress, starts func(index int) time.Duration) (l Leg) {
	p.leg(&l, from, &b, done, starts)
	return l
}

// Duration is the planned time of the leg.
func (l *Leg) Duration() time.Duration { return span(l.end) }

// At is the state and distance at t after the leg's start. Past Duration it goes on at the leg's target (a rest: on the coast), never into another block.
func (l *Leg) At(t time.Duration) (State, units.Distance) {
	v, a, x := l.at(seconds(t))
	return stateOf(v, a), units.Metres(x)
}

// End is the state and distance at the planned end; a leg by distance has exactly the distance that was left.
func (l *Leg) End() (State, units.Distance) {
	v, a, _ := l.at(l.end)
	return stateOf(v, a), units.Metres(l.endX)
}

// Reached reports whether the leg reaches what it wants (its pace; both paces in time, for two; a rest: motor off).
func (l *Leg) Reached() bool { return l.reached }

// RampTime and RampDistance are those of the change to the (first) pace, as far as the leg goes; to a rest, until the motor is off.
func (l *Leg) RampTime() time.Duration { return span(l.ramp) }

// RampDistance is the distance of the same change.
func (l *Leg) RampDistance() units.Distance { return units.Metres(l.rampX) }

// InS reports whether at t a two-pace leg has begun its change to the second pace.
func (l *Leg) InS(t time.Duration) bool { return l.two && seconds(t)+halfNano >= l.split }

// Late is by how much a send-off was missed; 0 where it was not.
func (l *Leg) Late() time.Duration { return l.late }

func (l *Leg) at(t float64) (v, a, x float64) {
	if l.two && t+halfNano >= l.split {
		v, a, x = l.second.at(t - l.split)
		return v, a, x + l.splitX
	}
	return l.first.at(t)
}

// when is the time at which x m are covered.
func (l *Leg) when(x float64) float64 {
	if l.two && x >= l.splitX {
		return l.split + l.second.when(x-l.splitX)
	}
	return l.first.when(x)
}

// leg plans into l, a zero Leg.
func (p *Planner) leg(l *Leg, from State, b *schedule.Block, done Progress, starts func(index int) time.Duration) {
	own := max(b.Time-done.Time, 0)
	switch {
	case b.Rest:
		p.change(&l.first, from, 0)
		l.ends(seconds(l.waits(b, own, starts)), false)
	case b.Extent == schedule.ByDistance:
		p.paces(l, from, b, done, max(b.Distance.Metres()-done.Distance.Metres(), 0), true)
	default:
		p.paces(l, from, b, done, seconds(own), false)
	}
}

// paces plans the change to the pace, or to both, where so many s, or m, are left.
func (p *Planner) paces(l *Leg, from State, b *schedule.Block, done Progress, left float64, byDistance bool) {
	wish1, wish2 := b.From.Speed().MetresPerSecond(), b.To.Speed().MetresPerSecond()
	v1, v2 := p.possible(wish1), p.possible(wish2)
	two, inS := b.TwoPace(), b.TwoPace() && done.InS
	if v := from.Speed.MetresPerSecond(); inS && (v < min(v1, v2)-sameSpeed || v > max(v1, v2)+sameSpeed) {
		// Interrupted, and no longer on the S: first back to about the pace that it had there.
		inS = false
		v1 += (v2 - v1) * share(b, done)
	}
	if inS {
		l.second.begin(p.real(from))
	} else {
		p.change(&l.first, from, v1)
		l.split = l.first.reach()
		_, _, l.splitX = l.first.at(l.split)
		l.second.begin(v1, 0)
	}
	rest := left - l.split
	if byDistance {
		rest = left - l.splitX
	}
	if l.two = two && (inS || rest > 0); l.two {
		p.stretch(&l.second, v2, rest, byDistance)
	}
	l.ends(left, byDistance)
	l.reached = l.reached && l.two == two && p.possible(wish1) == wish1 && v2 == wish2
}

// share is how much of a block is done, 0 to 1.
func share(b *schedule.Block, done Progress) float64 {
	part, whole := seconds(done.Time), seconds(b.Time)
	if b.Extent == schedule.ByDistance {
		part, whole = done.Distance.Metres(), b.Distance.Metres()
	}
	if !(part < whole) {
		return 1
	}
	return max(part/whole, 0)
}

// waits is how long a rest lasts that has own left of its own time: until the latest of its send-offs.
func (l *Leg) waits(b *schedule.Block, own time.Duration, starts func(index int) time.Duration) time.Duration {
	d := own
	if starts == nil {
		return d
	}
	for _, s := range b.Leaves {
		due := starts(s.First) + s.Every
		d = max(d, due)
		if short := own - due; short > inTime {
			l.late = max(l.late, short)
		}
	}
	return d
}

// ends sets the length, and what follows from it.
func (l *Leg) ends(length float64, byDistance bool) {
	if byDistance {
		l.end, l.endX = l.when(length), length
	} else {
		l.end = length
		_, _, l.endX = l.at(length)
	}
	l.ramp = min(l.first.reach(), l.end)
	_, _, l.rampX = l.first.at(l.ramp)
	reach := l.first.reach()
	if l.two {
		reach = l.split + l.second.reach()
	}
	l.reached = reach <= l.end+inTime.Seconds()
}

// stretch appends the change to v in one S over all that is left (s, or m), with the accel that makes it end just there; where
// not even the fastest change ends in time, that one. Where the S has begun already, it is the rest of the same S.
func (p *Planner) stretch(m *Move, v, left float64, byDistance bool) {
	up, down := p.upLimit(v), p.downLimit(v)
	if q := &m.pieces[0]; q.a > 0 && q.v+q.a*q.a/(2*p.relief) > v {
		p.relieve(m)
		left -= m.extent(byDistance)
	}
	q, s := m.pieces[m.last], 1.
	if q.v+q.a*math.Abs(q.a)/(2*p.jerk) > v {
		s = -1
	}
	// The S as a whole begins at v0 without accel, back s before now (less than 0 where its accel has still to change sign).
	a := s * q.a
	back := a / p.jerk
	v0 := q.v - s*a*back/2
	rise, whole := s*(v-v0), left+back
	if byDistance {
		whole = (left + back*(v0+s*a*back/6)) / ((v0 + v) / 2) // an S has its mean speed half way
	}
	lim, fits := 0., whole*whole-4*rise/p.jerk
	if fits >= 0 && whole > 0 {
		lim = 2 * rise / (whole + math.Sqrt(fits)) // from whole = rise/lim + lim/J
	}
	switch {
	case fits < 0 || !(whole > 0): // too short for the jerk limit
	case lim >= a:
		up, down = min(up, lim), min(down, lim)
	default: // gentler than now: no closed form by distance, so it is searched
		lo, hi, begun := 0., a, m.extent(byDistance)
		for range 50 {
			lim = (lo + hi) / 2
			try := *m
			p.toSpeed(&try, v, min(up, lim), min(down, lim))
			if try.extent(byDistance)-begun > left {
				lo = lim
			} else {
				hi = lim
			}
		}
		up, down = min(up, hi), min(down, hi)
	}
	p.toSpeed(m, v, up, down)
}

// extent is the time, or the distance, until the last piece.
func (m *Move) extent(distance bool) float64 {
	if distance {
		return m.pieces[m.last].x
	}
	return m.pieces[m.last].t
}
