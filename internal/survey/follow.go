package survey

import (
	"math"
	"slices"
	"sort"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// still is the speed below which the model's water counts as at rest, m/s.
var still = water.Standstill.MetresPerSecond()

// follow is what the model says of each measured sample, in m/s: the motor as recorded, later by the dead time, and the water behind it from the first moment on. It is
// water.Model's own way, exact for a steady motor; where the motor changes, steps are short.
func (r *recording) follow(p params) []float64 {
	points := r.c.Points()
	for i := range points {
		points[i].Water = speed(points[i].Water.MetresPerSecond() * p[factor])
	}
	m, err := water.New(points, units.Metres(min(math.Exp(p[logL]), longestL)), r.c.motor)
	out := make([]float64, len(r.measured))
	if err != nil { // parameters that the search does not take
		for i := range out {
			out[i] = math.NaN()
		}
		return out
	}
	// All times at which something is asked, or the motor's way has a corner.
	type ask struct {
		at   float64
		k    int     // which measured sample
		part float64 // of the distance by then in its answer; 0 for the speed
	}
	var asks []ask
	corners := make([]float64, len(r.s))
	for i, s := range r.s {
		corners[i] = s.At.Seconds() + p[dead]
	}
	for k, i := range r.measured {
		t, over := r.s[i].At.Seconds(), r.s[i].Over.Seconds()
		if over == 0 {
			asks = append(asks, ask{at: t, k: k})
		} else {
			asks = append(asks, ask{t - over/2, k, -1 / over}, ask{t + over/2, k, 1 / over})
		}
	}
	slices.SortFunc(asks, func(a, b ask) int {
		if a.at != b.at {
			return int(math.Copysign(1, a.at-b.at))
		}
		return a.k - b.k
	})
	e, now := water.Estimate{Speed: speed(p[start])}, r.begin
	next := sort.SearchFloat64s(corners, now)
	for _, a := range asks {
		for now < a.at {
			to := a.at
			for next < len(corners) && corners[next] <= now {
				next++
			}
			if next < len(corners) {
				to = min(to, corners[next])
			}
			e = r.pass(m, e, corners, next, now, to)
			now = to
		}
		if a.part == 0 {
			out[a.k] = e.Speed.MetresPerSecond()
		} else {
			out[a.k] += a.part * e.Distance.Metres()
		}
	}
	return out
}

// pass goes from one time to another with no corner between; next is the corner behind both.
func (r *recording) pass(m *water.Model, e water.Estimate, corners []float64, next int, from, to float64) water.Estimate {
	at := func(t float64) float64 {
		switch {
		case next == 0:
			return r.s[0].Motor.RPM()
		case next == len(corners):
			return r.s[next-1].Motor.RPM()
		}
		a, b := r.s[next-1].Motor.RPM(), r.s[next].Motor.RPM()
		h := corners[next] - corners[next-1]
		if !(h > 0) {
			return b
		}
		return a + (b-a)*min(max((t-corners[next-1])/h, 0), 1)
	}
	n0, n1 := at(from), at(to)
	// Steps of at most 1 % of the motor's highest: over one, the square of the steady speed goes all but straight.
	k := int(min(max(math.Ceil(math.Abs(n1-n0)/(0.01*r.c.motor.Max.RPM())), 1), 100))
	n, at0 := n0, seconds(from) // nanoseconds counted from the beginning: rounded steps would add up
	for i := 1; i <= k; i++ {
		part := float64(i) / float64(k)
		b, at1 := n0+(n1-n0)*part, seconds(from+(to-from)*part)
		e = m.Advance(e, units.RPM(n), units.RPM(b), at1-at0)
		n, at0 = b, at1
	}
	return e
}
