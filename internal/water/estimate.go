package water

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Estimate is where the water is thought to be. The zero value is still water at the beginning.
type Estimate struct {
	Speed    units.Speed
	Distance units.Distance // flowed past the swimmer since the beginning
}

// Advance is the estimate after dt with the motor going from rpm n0 to n1: exact (tanh form) for the steady speed whose square is the mean of the two.
// Without inertia the water follows the motor at once, and the distance takes the mean of the two speeds. A dt of 0 or less changes nothing.
func (m *Model) Advance(e Estimate, n0, n1 units.MotorSpeed, dt time.Duration) Estimate {
	if dt <= 0 {
		return e
	}
	t := float64(dt) / float64(time.Second)
	c1 := m.curve.at(n1.RPM())
	c0 := c1
	if n0 != n1 {
		c0 = m.curve.at(n0.RPM())
	}
	x := e.Distance.Metres()
	if m.l == 0 {
		return Estimate{units.MetresPerSecond(c1), units.Metres(x + (c0+c1)/2*t)}
	}
	v, dx := follow(math.Max(e.Speed.MetresPerSecond(), 0), (c0*c0+c1*c1)/2, t, m.l)
	return Estimate{units.MetresPerSecond(v), units.Metres(x + dx)}
}

// follow solves dv/dt = (c2 − v²)/l over t from v ≥ 0: the speed at its end and the distance. With s = c·t/l and r = v/c,
//
//	v(t) = c·(r + tanh s)/(1 + r·tanh s),   x(t) = l·ln(cosh s + r·sinh s),
//
// for water that gains as well as for water that loses speed; at c = 0 it is the coast, v/(1 + v·t/l) and l·ln(1 + v·t/l).
func follow(v, c2, t, l float64) (speed, distance float64) {
	k := t / l
	q := v * k
	if z := c2 * k * k; z < 0.06 {
		// s = √z below a quarter, as in any tick: series in z, whose next term is at most 1e-16. No division by c, so that c = 0 is no special case.
		sinh := 1 + z/6*(1+z/20*(1+z/42*(1+z/72*(1+z/110))))   // sinh(s)/s
		cosh1 := z / 2 * (1 + z/12*(1+z/30*(1+z/56*(1+z/90)))) // cosh(s) − 1
		cosh := 1 + cosh1
		return (v*cosh + c2*k*sinh) / (cosh + q*sinh), l * math.Log1p(cosh1+q*sinh)
	}
	c := math.Sqrt(c2)
	s := c * k
	e := -math.Expm1(-2 * s) // 1 − e^(−2s): nothing overflows, however long t is
	th := e / (2 - e)
	return c * (v + c*th) / (c + v*th), l * (s + math.Log1p((v/c-1)/2*e))
}
