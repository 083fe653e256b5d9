package ramp

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// drawFlume is any flume with any limits within reason.
func drawFlume(t *rapid.T) *Planner {
	m, err := water.New([]water.Point{
		{Motor: units.RPM(400), Water: units.MetresPerSecond(rapid.Float64Range(0.1, 0.5).Draw(t, "c(400)"))},
		{Motor: units.RPM(1000), Water: units.MetresPerSecond(1)},
		{Motor: units.RPM(2000), Water: units.MetresPerSecond(rapid.Float64Range(1.5, 2.5).Draw(t, "c(2000)"))},
	}, units.Metres(rapid.SampledFrom([]float64{0, 0.05, 0.5, 2, 2, 6, 30}).Draw(t, "L")), water.Motor{
		Min: units.RPM(rapid.SampledFrom([]float64{0, 150}).Draw(t, "min")), Max: units.RPM(2000),
		RPMPerSecond: rapid.SampledFrom([]float64{0, 0, 400, 80}).Draw(t, "ramp"),
	})
	if err != nil {
		t.Fatal(err)
	}
	jerk := rapid.Float64Range(0.02, 1).Draw(t, "jerk")
	p, err := NewPlanner(limits(rapid.Float64Range(0.02, 0.5).Draw(t, "accel"), rapid.Float64Range(0.02, 0.5).Draw(t, "decel"), jerk,
		max(jerk, rapid.SampledFrom([]float64{0, 1, 5}).Draw(t, "relief"))), m, units.MetresPerSecond(rapid.SampledFrom([]float64{0, 1.4}).Draw(t, "cap")))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// drawTarget is standstill or a pace that the flume can give.
func drawTarget(t *rapid.T, p *Planner) float64 {
	if rapid.IntRange(0, 3).Draw(t, "to standstill") == 0 {
		return 0
	}
	return rapid.Float64Range(p.slowest, p.fastest).Draw(t, "to")
}

// drawState is a state that the plan passes through: standstill after some changes, each broken off somewhere.
func drawState(t *rapid.T, p *Planner) State {
	var s State
	for range rapid.IntRange(0, 5).Draw(t, "changes before") {
		m := p.Change(s, speed(drawTarget(t, p)))
		s, _ = m.At(time.Duration(rapid.Float64Range(0, 1.2).Draw(t, "broken off") * float64(m.Duration()+time.Second)))
	}
	return s
}

// sound checks one move from a state to v, piece by piece.
func sound(t *rapid.T, p *Planner, m *Move, from State, v float64) {
	const slack = 1 + 1e-6
	before, after := p.real(from)
	up, down := max(p.upLimit(v), after), max(p.downLimit(v), -after)
	if v == 0 && p.l > 0 {
		down = max(p.rest, -after)
	}
	if q := m.pieces[0]; math.Abs(q.v-before) > noSpeed || q.t != 0 || q.x != 0 {
		t.Fatalf("begins at %+v", q)
	}
	if q := m.pieces[0]; math.Abs(q.a-after) > 1e-6 {
		t.Fatalf("begins at %+v, was %+v", q, from)
	}
	for i := 0; i < m.last; i++ {
		q, n := m.pieces[i], m.pieces[i+1]
		d := n.t - q.t
		if d < 0 {
			t.Fatalf("time runs back at %d: %+v", i, m)
		}
		ev, ea, ex := q.at(d)
		if math.Abs(ev-n.v) > 1e-9 || math.Abs(ea-n.a) > 1e-6 || math.Abs(ex-n.x) > 1e-9 {
			t.Fatalf("piece %d ends at %g %g %g, next begins with %+v", i, ev, ea, ex, n)
		}
		if q.a > up*slack+1e-9 || n.a > up*slack+1e-9 || -q.a > down*slack+1e-9 || -n.a > down*slack+1e-9 {
			t.Fatalf("piece %d: accel from %g to %g, allowed −%g to %g", i, q.a, n.a, down, up)
		}
		if math.Abs(q.j) > p.jerk*slack {
			natural := q.v + q.a*q.a/(2*p.jerk)
			if !(q.j < 0 && q.a > 0 && n.a > -1e-9 && -q.j <= p.relief*slack && natural > v) {
				t.Fatalf("piece %d: jerk %g, allowed %g (relief %g)", i, q.j, p.jerk, p.relief)
			}
		}
		for k := 0.; k <= 1; k += 0.125 {
			sv, sa, _ := q.at(d * k)
			if sv < -1e-12 {
				t.Fatalf("piece %d: speed %g", i, sv)
			}
			if p.l > 0 && sv*sv+p.l*sa < -1e-9 {
				t.Fatalf("piece %d: at %g m/s the accel %g is below the coast's", i, sv, sa)
			}
			if lead := max(p.lead, p.set(before, after), p.fastest); sv*sv+p.l*sa > lead*lead*(1+1e-9) && p.upLimit(v) > leastAccel {
				t.Fatalf("piece %d: at %g m/s and %g m/s² the motor leads with %g, allowed %g", i, sv, sa, p.set(sv, sa), lead)
			}
		}
	}
	q := m.pieces[m.last]
	switch {
	case v == 0 && p.l > 0 && q.v > 0:
		if m.coast != p.l || math.Abs(q.a+q.v*q.v/p.l) > 1e-9 {
			t.Fatalf("ends with %+v, not on the coast", q)
		}
		if jerk := 2 * q.v * q.v * q.v / (p.l * p.l); jerk > p.jerk*slack {
			t.Fatalf("the coast begins with jerk %g, allowed %g", jerk, p.jerk)
		}
	case q.v != v || q.a != 0 || m.coast != 0:
		t.Fatalf("ends with %+v, not with %g m/s", q, v)
	}
}

func TestEveryChangeKeepsTheLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		from, v := drawState(t, p), drawTarget(t, p)
		m := p.Change(from, speed(v))
		sound(t, p, &m, from, v)
		if v == 0 {
			if at := m.slowedTo(0.05); math.IsInf(at, 0) || at > 1e5 {
				t.Fatalf("standstill after %g s", at)
			} else if s, _, _ := m.at(at + 1e-6); s > 0.05 {
				t.Fatalf("%g m/s at standstill", s)
			}
		}
	})
}

func TestAChangeTakenUpAgainOnItsWayStaysTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		from, v := drawState(t, p), drawTarget(t, p)
		m := p.Change(from, speed(v))
		at := time.Duration(rapid.Float64Range(0, 1.1).Draw(t, "taken up at") * float64(m.Duration()))
		state, begun := m.At(at)
		again := p.Change(state, speed(v))
		if want := max(m.Duration()-at, 0); again.Duration()-want > 2*time.Microsecond || want-again.Duration() > 2*time.Microsecond {
			t.Fatalf("takes another %v, was to take %v", again.Duration(), want)
		}
		for k := range 20 {
			d := time.Duration(k) * (m.Duration() + time.Second) / 15
			s, x := m.At(at + d)
			g, y := again.At(d)
			if math.Abs(s.Speed.MetresPerSecond()-g.Speed.MetresPerSecond()) > 1e-6 || math.Abs(begun.Metres()+y.Metres()-x.Metres()) > 1e-6 {
				t.Fatalf("after %v: %v %v, was to be %v %v", d, g, begun.Metres()+y.Metres(), s, x)
			}
		}
	})
}

func TestDistanceIsFoundAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		from, v := drawState(t, p), drawTarget(t, p)
		m := p.Change(from, speed(v))
		_, _, all := m.at(m.reach() + 10)
		x := all * rapid.Float64Range(0, 1).Draw(t, "share")
		if _, _, y := m.at(m.when(x)); math.Abs(x-y) > 1e-9 {
			t.Fatalf("%g m are covered when it is %g", x, y)
		}
	})
}

// TestNoGentlerWayIsQuicker: whatever keeps lower limits keeps the limits, so it cannot be there before the change of least time.
func TestNoGentlerWayIsQuicker(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		from, v := drawState(t, p), drawTarget(t, p)
		gentle := *p
		less := func(x float64, name string) float64 { return x * rapid.Float64Range(0.1, 1).Draw(t, name) }
		v0, a := p.real(from)
		switch {
		case a > 0 && v < v0+a*a/(2*p.jerk*0.1): // the relief jerk comes into it
		case a > p.upLimit(v), v > 0 && -a > p.downLimit(v), -a > p.rest: // with less jerk it stays longer beyond what is allowed now
		default:
			gentle.jerk = less(p.jerk, "less jerk")
		}
		if v == 0 && p.l > 0 {
			gentle.rest = less(p.rest, "less decel to standstill")
		}
		gentle.decel = less(p.decel, "less decel")
		if p.follow == nil { // the motor's own ramp is taken account of by steps
			gentle.accel = less(p.accel, "less accel")
		}
		m, g := p.Change(from, speed(v)), gentle.Change(from, speed(v))
		if v == 0 {
			if a, b := m.slowedTo(0.05), g.slowedTo(0.05); b < a-1e-6 {
				t.Fatalf("standstill after %g s, with less after %g s", a, b)
			}
		} else if g.reach() < m.reach()-1e-6 {
			t.Fatalf("takes %g s, with less %g s", m.reach(), g.reach())
		}
	})
}

// TestHammered changes its mind at random, a hundred thousand times, and differences what is emitted every 50 ms as a drive would get it.
func TestHammered(t *testing.T) {
	for _, c := range []struct {
		l                           float64
		accel, decel, jerk, ceiling float64
		rpmPerSecond                float64
	}{
		{2, 0.10, 0.12, 0.10, 1.6, 0}, {2, 0.10, 0.12, 0.10, 0, 120}, {0, 0.3, 0.2, 0.5, 0, 0}, {5, 0.3, 0.4, 0.05, 1.2, 0}, {0.3, 0.05, 0.5, 1, 0, 0},
	} {
		p := flumeWith(t, limits(c.accel, c.decel, c.jerk, 1), c.l, water.Motor{Min: units.RPM(100), Max: units.RPM(2000), RPMPerSecond: c.rpmPerSecond}, c.ceiling)
		r := rand.New(rand.NewPCG(1, uint64(c.l*100)))
		const tick = 50 * time.Millisecond
		dt := tick.Seconds()
		var v, a float64
		sum, still := 0., 0
		for range 20_000 {
			to := 0.
			if r.IntN(3) > 0 {
				to = p.slowest + r.Float64()*(p.fastest-p.slowest)
			}
			m := p.Change(stateOf(v, a), speed(to))
			ticks := r.IntN(20)
			if r.IntN(10) == 0 {
				ticks = r.IntN(1000)
			}
			for k := 1; k <= ticks; k++ {
				s, x := m.At(time.Duration(k) * tick)
				nv, na := s.Speed.MetresPerSecond(), s.Accel.MetresPerSecond2()
				dv, da := nv-v, na-a
				switch {
				case nv < 0:
					t.Fatalf("%g m/s", nv)
				case dv > c.accel*dt+1e-9, dv < -c.decel*dt-1e-9, math.Abs(dv) > (math.Abs(a)+math.Abs(na)+c.jerk*dt)*dt+1e-9:
					t.Fatalf("%+v to %g: from %g to %g m/s in a tick (accel %g to %g)", c, to, v, nv, a, na)
				case da > c.jerk*dt+1e-6, da < -c.jerk*dt-1e-6 && a <= 0, da < -1*dt-1e-6:
					t.Fatalf("%+v to %g: accel from %g to %g in a tick", c, to, a, na)
				case c.l > 0 && nv*nv+c.l*na < -1e-9, nv*nv+c.l*na > p.lead*p.lead+1e-6:
					t.Fatalf("%+v to %g: %g m/s with %g m/s² is out of the motor's reach", c, to, nv, na)
				case x.Metres() < sum:
					t.Fatalf("distance runs back")
				}
				sum = x.Metres()
				v, a = nv, na
			}
			sum = 0
			if to == 0 && v < 0.05 {
				still++
			}
		}
		if still == 0 {
			t.Errorf("%+v never came to standstill", c)
		}
	}
}

// drawBlock is any block but a send-off rest.
func drawBlock(t *rapid.T, p *Planner, i int) schedule.Block {
	pace := func(name string) units.Pace {
		return units.MetresPerSecond(rapid.Float64Range(p.slowest, p.fastest).Draw(t, name)).Pace(units.Metre)
	}
	b := schedule.Block{Index: i, Step: i, Name: "block", Round: 1, Of: 1,
		Time: time.Duration(rapid.IntRange(1, 90_000).Draw(t, "ms")) * time.Millisecond}
	switch rapid.IntRange(0, 4).Draw(t, "kind") {
	case 0:
		b.Rest = true
		return b
	case 1:
		b.Extent = schedule.Open
	case 2, 3:
		b.Extent, b.Distance, b.Time = schedule.ByDistance, units.Metres(rapid.Float64Range(0.1, 150).Draw(t, "m")), 0
	}
	b.From = pace("from")
	b.To = b.From
	if rapid.Bool().Draw(t, "two paces") {
		b.To = pace("to")
	}
	return b
}

// soundLeg checks the moves of a leg within its length.
func soundLeg(t *rapid.T, p *Planner, l *Leg, from State, b schedule.Block) {
	if b.Rest {
		sound(t, p, &l.first, from, 0)
		return
	}
	v1, v2 := p.possible(b.From.Speed().MetresPerSecond()), p.possible(b.To.Speed().MetresPerSecond())
	sound(t, p, &l.first, from, v1)
	if l.two {
		sound(t, p, &l.second, stateOf(v1, 0), v2)
	}
}

func TestEveryProfileKeepsItsWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		var blocks []schedule.Block
		for i := range rapid.IntRange(1, 8).Draw(t, "blocks") {
			blocks = append(blocks, drawBlock(t, p, i))
		}
		f, _, err := p.Profile(State{}, blocks)
		if err != nil {
			t.Fatal(err)
		}
		var now time.Duration
		var along float64
		var at State
		for i, s := range f.Spans() {
			b := blocks[i]
			if s.From != at || s.Start != now || s.At.Metres() != along {
				t.Fatalf("block %d begins with %v after %v and %v, the one before ends with %v after %v and %g", i, s.From, s.Start, s.At, at, now, along)
			}
			soundLeg(t, p, &s.Leg, s.From, b)
			if b.Extent == schedule.ByDistance {
				if s.Distance != b.Distance {
					t.Fatalf("block %d: %v of %v", i, s.Distance, b.Distance)
				}
				if _, x := s.Leg.At(s.Duration); math.Abs(x.Metres()-b.Distance.Metres()) > 1e-8 {
					t.Fatalf("block %d: ends at %v of %v", i, x, b.Distance)
				}
			} else if s.Duration != b.Time {
				t.Fatalf("block %d: takes %v of %v", i, s.Duration, b.Time)
			}
			u1 := b.To.Speed().MetresPerSecond()
			if s.Leg.Reached() && !b.Rest && math.Abs(s.End.Speed.MetresPerSecond()-u1) > 1e-6 {
				t.Fatalf("block %d: reached, and ends with %v, not %g m/s", i, s.End, u1)
			}
			if b.TwoPace() && s.Leg.Reached() && s.Leg.two {
				if wait := s.Leg.end - s.Leg.split - s.Leg.second.reach(); wait > 1e-5 {
					t.Fatalf("block %d: the second pace is there %g s before the end", i, wait)
				}
			}
			if s.Leg.RampTime() > s.Duration {
				t.Fatalf("block %d: a change of %v in %v", i, s.Leg.RampTime(), s.Duration)
			}
			now, along, at = now+s.Duration, along+s.Distance.Metres(), s.End
		}
		if total, x := f.Total(); total != now || math.Abs(x.Metres()-along) > 1e-9 {
			t.Fatalf("total %v, %v", total, x)
		}

		// Walk it by ticks of an odd length: continuous, never back, the distance is the integral of the speed (Simpson's rule).
		accel, decel, _, motor := f.Peaks()
		const tick = 37 * time.Millisecond
		tail, _ := f.Runout()
		c, half := f.Cursor(), f.Cursor()
		s, x, _ := c.At(0)
		sum := 0.
		for d := tick; d < now+tail; d += tick {
			mid, _, _ := half.At(d - tick/2)
			n, y, _ := c.At(d)
			step := (s.Speed.MetresPerSecond() + 4*mid.Speed.MetresPerSecond() + n.Speed.MetresPerSecond()) / 6 * tick.Seconds()
			sum += step
			if y.Metres() < x.Metres() {
				t.Fatalf("distance runs back at %v: %v to %v", d, x, y)
			}
			if dv := n.Speed.MetresPerSecond() - s.Speed.MetresPerSecond(); dv > accel.MetresPerSecond2()*tick.Seconds()+1e-9 || -dv > decel.MetresPerSecond2()*tick.Seconds()+1e-9 {
				t.Fatalf("at %v speed changes by %g in a tick", d, dv)
			}
			if rpm := p.model.MotorFor(n.Speed, n.Accel).RPM(); rpm > motor.RPM()*(1+1e-9)+1e-6 {
				t.Fatalf("at %v the motor is at %g, its peak was to be %v", d, rpm, motor)
			}
			s, x = n, y
		}
		if math.Abs(sum-x.Metres()) > 1e-4*(1+float64(len(blocks))) {
			t.Fatalf("distance %v, integral of the speed %g", x, sum)
		}
	})
}

func TestALegTakenUpAgainOnItsWayStaysTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawFlume(t)
		from, b := drawState(t, p), drawBlock(t, p, 0)
		l := p.Leg(from, b, Progress{}, nil)
		at := time.Duration(rapid.Float64Range(0, 0.98).Draw(t, "taken up at") * float64(l.Duration()))
		state, done := l.At(at)
		again := p.Leg(state, b, Progress{at, done, l.InS(at)}, nil)
		left := l.Duration() - at
		if d := again.Duration() - left; d > 2*time.Microsecond || d < -2*time.Microsecond {
			t.Fatalf("takes another %v, was to take %v", again.Duration(), left)
		}
		if again.Reached() != l.Reached() {
			t.Fatalf("reached %v, was to be %v", again.Reached(), l.Reached())
		}
		for k := range 21 {
			d := left * time.Duration(k) / 20
			s, x := l.At(at + d)
			g, y := again.At(d)
			if math.Abs(s.Speed.MetresPerSecond()-g.Speed.MetresPerSecond()) > 1e-5 || math.Abs(done.Metres()+y.Metres()-x.Metres()) > 1e-5 {
				t.Fatalf("after %v of %v: %v %v, was to be %v %v", d, left, g, done.Metres()+y.Metres(), s, x)
			}
		}
	})
}
