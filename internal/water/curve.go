package water

import (
	"math"

	"gonum.org/v1/gonum/interp"

	"flume.example/sequencerd/internal/units"
)

// curve is a rising piecewise cubic through the calibration, by Fritsch and Butland's slopes. gonum finds the slopes; the pieces are kept in a table of
// our own because both directions are walked several times a tick.
type curve struct {
	segments []segment
	last     knot
}

type knot struct{ x, y float64 }

// segment is y + d·(b1 + d·(b2 + d·b3)) with d = x − its own x, over a width h and a rise dy.
type segment struct {
	knot
	b1, b2, b3 float64
	h, dy      float64
	g1, g2, g3 float64 // first guess of d from u = (rise so far)/dy: u·(g1 + u·(g2 + u·g3))
}

// fit makes the curve. The points rise strictly and begin at rest.
func fit(points []Point) curve {
	xs, ys := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		xs[i], ys[i] = p.Motor.RPM(), p.Water.MetresPerSecond()
	}
	var fb interp.FritschButland
	fb.Fit(xs, ys) // always nil by its documentation; it panics on points that do not rise, which New has refused
	n := len(points) - 1
	c := curve{segments: make([]segment, n), last: knot{xs[n], ys[n]}}
	for i := range c.segments {
		h, dy := xs[i+1]-xs[i], ys[i+1]-ys[i]
		s0, s1, chord := fb.PredictDerivative(xs[i]), fb.PredictDerivative(xs[i+1]), dy/h
		s := segment{knot: knot{xs[i], ys[i]}, h: h, dy: dy, b1: s0, b2: (3*chord - 2*s0 - s1) / h, b3: (s0 + s1 - 2*chord) / (h * h)}
		// The guess is a cubic as well, with the slopes of the inverse; no steeper than three chords, which keeps it rising (Fritsch and Carlson 1980).
		i0, i1 := math.Min(chord/s0, 3), math.Min(chord/s1, 3)
		s.g1, s.g2, s.g3 = h*i0, h*(3-2*i0-i1), h*(i0+i1-2)
		c.segments[i] = s
	}
	return c
}

func (c *curve) points() []Point {
	out := make([]Point, 0, len(c.segments)+1)
	for _, s := range c.segments {
		out = append(out, Point{units.RPM(s.x), units.MetresPerSecond(s.y)})
	}
	return append(out, Point{units.RPM(c.last.x), units.MetresPerSecond(c.last.y)})
}

// at is c(x); level outside the points.
func (c *curve) at(x float64) float64 {
	switch {
	case !(x > 0):
		return 0
	case x >= c.last.x:
		return c.last.y
	}
	s := c.byX(x)
	d := x - s.x
	return s.y + d*(s.b1+d*(s.b2+d*s.b3))
}

// slope is dc/dx within the points.
func (c *curve) slope(x float64) float64 {
	s := c.byX(x)
	d := x - s.x
	return s.b1 + d*(2*s.b2+d*3*s.b3)
}

func (c *curve) byX(x float64) *segment {
	lo, hi := 0, len(c.segments)
	for hi-lo > 1 {
		if mid := int(uint(lo+hi) / 2); c.segments[mid].x <= x {
			lo = mid
		} else {
			hi = mid
		}
	}
	return &c.segments[lo]
}

// maxSteps bounds the search of inverse. Calibrations of real motors take two or three; a segment that is level at an end, up to five.
const maxSteps = 12

// inverse is the x with c(x) = y, for y ≥ 0; the last x for y beyond the points.
//
// Each step solves the parabola that touches the segment, kept between the bounds found so far (else it halves them). What is left after a step of size δ
// goes with δ³, so it ends on a step below 1e-5 of the segment. Seen at worst: c off by 1e-15 of the curve's rise and x by
// 1e-13 of its range; where the curve is level, or nearly upright, c by 1e-13, and x as far as c's own rounding leaves it open (1e-5 of its range seen).
func (c *curve) inverse(y float64) float64 {
	if y >= c.last.y {
		return c.last.x
	}
	lo, hi := 0, len(c.segments)
	for hi-lo > 1 {
		if mid := int(uint(lo+hi) / 2); c.segments[mid].y <= y {
			lo = mid
		} else {
			hi = mid
		}
	}
	s := &c.segments[lo]
	rise := y - s.y
	u := rise / s.dy
	d := u * (s.g1 + u*(s.g2+u*s.g3))
	from, to := 0.0, s.h
	for range maxSteps {
		off := d*(s.b1+d*(s.b2+d*s.b3)) - rise
		if off < 0 {
			from = d
		} else {
			to = d
		}
		slope := s.b1 + d*(2*s.b2+d*3*s.b3)
		bend := 2*s.b2 + d*6*s.b3
		step := 2 * off / (slope + math.Sqrt(math.Max(slope*slope-2*off*bend, 0)))
		was := d
		d -= step
		if !(d >= from && d <= to) { // also where slope and bend vanish together
			d = (from + to) / 2
		}
		if math.Abs(d-was) <= 1e-5*s.h {
			break
		}
	}
	return s.x + d
}
