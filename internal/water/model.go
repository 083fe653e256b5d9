// Package water holds what turns motor rpm into water speed and back: calibration, inertia, the estimate of the water from the rpm that a drive reports.
//
// Steady water speed is a monotone function c(n) of motor rpm. The water follows it with inertia: dv/dt = (c(n)² − v·|v|)/L,
// L being the inertia length in metres. Inside this package speeds are m/s, motor speeds rpm, times s.
package water

import (
	"fmt"
	"math"

	"flume.example/sequencerd/internal/units"
)

// Standstill: below this the water counts as still.
var Standstill = units.MetresPerSecond(0.05)

// Inertia lengths in m: the longest that a Model takes, and what counts as none (a millimetre is gone in a tick).
const (
	maxInertia = 50
	noInertia  = 0.001
)

// coasting is the share of v² below which v² + L·a is taken for 0, so that on the coast, where a is −v²/L, rounding does not turn the motor.
const coasting = 1e-12

// Point is one calibrated pair: the steady water speed at a motor speed.
type Point struct {
	Motor units.MotorSpeed
	Water units.Speed
}

// Motor is what the motor can do.
type Motor struct {
	Min, Max units.MotorSpeed // below Min it stands still
	// RPMPerSecond is the motor's own ramp in rpm/s; 0 means that it has none worth minding.
	RPMPerSecond float64
}

// Model is a calibrated flume. It is immutable, and safe for use by several goroutines.
type Model struct {
	curve curve
	l     float64 // inertia length, m
	motor Motor

	top, slowest units.Speed
}

// New makes a model from at least two points that rise in both (a point at 0 rpm, 0 m/s is added where it is missing), an inertia length (below 1 mm is none) and the motor.
// It refuses, by an error naming the value and what is allowed, points that do not rise, an inertia outside 0 to 50 m,
// and a motor whose Max is beyond the last point or whose Min is not below Max.
func New(points []Point, inertia units.Distance, motor Motor) (*Model, error) {
	knots, err := rising(points)
	if err != nil {
		return nil, err
	}
	l := inertia.Metres()
	if !(l >= 0 && l <= maxInertia) {
		return nil, fmt.Errorf("inertia %g m: allowed is 0 to %d m", l, maxInertia)
	}
	last := knots[len(knots)-1].Motor.RPM()
	low, high := motor.Min.RPM(), motor.Max.RPM()
	switch {
	case !(high > 0 && high <= last):
		return nil, fmt.Errorf("motor's highest speed %g rpm: allowed is more than 0 up to the last calibration point, %g rpm", high, last)
	case !(low >= 0 && low < high):
		return nil, fmt.Errorf("motor's lowest speed %g rpm: allowed is 0 to below its highest, %g rpm", low, high)
	case !(motor.RPMPerSecond >= 0) || math.IsInf(motor.RPMPerSecond, 1):
		return nil, fmt.Errorf("motor's own ramp %g rpm/s: allowed is 0 (none worth minding) or more", motor.RPMPerSecond)
	}
	if l < noInertia {
		l = 0
	}
	m := &Model{curve: fit(knots), l: l, motor: motor}
	m.top, m.slowest = m.Steady(motor.Max), m.Steady(motor.Min)
	return m, nil
}

// rising is the points with the one at rest before them, or what is wrong with them.
func rising(points []Point) ([]Point, error) {
	if len(points) < 2 {
		return nil, fmt.Errorf("calibration of %d points: at least 2 are needed", len(points))
	}
	knots := make([]Point, 0, len(points)+1)
	if points[0] != (Point{}) {
		knots = append(knots, Point{})
	}
	for i, p := range points {
		n, v := p.Motor.RPM(), p.Water.MetresPerSecond()
		if !(n >= 0 && v >= 0) || math.IsInf(n, 1) || math.IsInf(v, 1) {
			return nil, fmt.Errorf("calibration point %d, %g rpm to %g m/s: both must be numbers, 0 or more", i+1, n, v)
		}
		if len(knots) > 0 {
			b := knots[len(knots)-1]
			if n <= b.Motor.RPM() || v <= b.Water.MetresPerSecond() {
				return nil, fmt.Errorf("calibration point %d, %g rpm to %g m/s: both must be more than in the point before, %g rpm to %g m/s",
					i+1, n, v, b.Motor.RPM(), b.Water.MetresPerSecond())
			}
		}
		knots = append(knots, p)
	}
	return knots, nil
}

// Inertia is the inertia length L.
func (m *Model) Inertia() units.Distance { return units.Metres(m.l) }

// Motor is what the motor can do.
func (m *Model) Motor() Motor { return m.motor }

// Points are the calibrated pairs, the one at rest first, as a copy.
func (m *Model) Points() []Point { return m.curve.points() }

// Top is c(Max), the fastest steady water.
func (m *Model) Top() units.Speed { return m.top }

// Slowest is c(Min), the slowest steady water but standstill.
func (m *Model) Slowest() units.Speed { return m.slowest }

// Steady is c(n), the water speed that this motor speed keeps up; standstill at 0 rpm and below, the last point's above it. It knows nothing of Motor.Min.
func (m *Model) Steady(n units.MotorSpeed) units.Speed {
	return units.MetresPerSecond(m.curve.at(n.RPM()))
}

// MotorFor is c⁻¹(√(v² + L·a)): the motor speed that makes the water follow (v, a); 0 where v² + L·a ≤ 0 to within rounding
// (the water coasts), the last calibrated motor speed where it is beyond. It knows nothing of Motor.Min: the drive clamps.
func (m *Model) MotorFor(v units.Speed, a units.Accel) units.MotorSpeed {
	v2 := v.MetresPerSecond() * v.MetresPerSecond()
	w2 := v2 + m.l*a.MetresPerSecond2()
	if !(w2 > coasting*v2) {
		return units.MotorSpeed{}
	}
	return units.RPM(m.curve.inverse(math.Sqrt(w2)))
}

// MotorRate is how fast the motor speed must change for the water to follow (v, a) while a changes by j: the time derivative of MotorFor, in rpm/s.
// It is 0 while the water coasts and beyond the last point; infinite where the motor would have to jump: with the water at rest and j above 0, and where the curve is level.
func (m *Model) MotorRate(v units.Speed, a units.Accel, j units.Jerk) (rpmPerSecond float64) {
	v2 := v.MetresPerSecond() * v.MetresPerSecond()
	w2 := v2 + m.l*a.MetresPerSecond2()
	dw2 := 2*v.MetresPerSecond()*a.MetresPerSecond2() + m.l*j.MetresPerSecond3()
	last := m.curve.last
	if w2 < coasting*v2 || w2 > last.y*last.y || dw2 == 0 || w2 == 0 && dw2 < 0 {
		return 0
	}
	w := math.Sqrt(w2)
	return dw2 / (2 * w * m.curve.slope(m.curve.inverse(w)))
}
