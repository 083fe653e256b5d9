// Package water holds what turns motor rpm into water speed and back: calibration, inertia, the estimate of the water from the rpm that a drive reports.
//
// Steady water speed is a monotone function c(n) of motor rpm. The water follows it with inertia: dv/dt = (c(n)² − v·|v|)/L,
// L being the inertia length in metres. Inside this package speeds are m/s, motor speeds rpm, times s.
package water

import (
	"time"

	"flume.example/sequencerd/internal/units"
)

// Standstill: below this the water counts as still.
var Standstill = units.MetresPerSecond(0.05)

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
type Model struct{}

// New makes a model from at least two points that rise in both (a point at 0 rpm, 0 m/s is added), an inertia length (≥ 0 m) and the motor.
// It refuses, by an error naming the value and what is allowed, points that do not rise, an inertia outside 0 to 50 m,
// and a motor whose Max is beyond the last point or whose Min is not below Max.
func New(points []Point, inertia units.Distance, motor Motor) (*Model, error) { panic("unwritten") }

// Inertia is the inertia length L.
func (m *Model) Inertia() units.Distance { panic("unwritten") }

// Motor is what the motor can do.
func (m *Model) Motor() Motor { panic("unwritten") }

// Steady is c(n), the water speed that this motor speed keeps up; standstill below 0 rpm, c(Max) above the last point.
func (m *Model) Steady(n units.MotorSpeed) units.Speed { panic("unwritten") }

// MotorFor is c⁻¹(√(v² + L·a)): the motor speed that makes the water follow (v, a); 0 where v² + L·a ≤ 0 (the water coasts), the last
// calibrated motor speed where it is beyond. It knows nothing of Motor.Min: the drive clamps.
func (m *Model) MotorFor(v units.Speed, a units.Accel) units.MotorSpeed { panic("unwritten") }

// Estimate is where the water is thought to be. The zero value is still water at the beginning.
type Estimate struct {
	Speed    units.Speed
	Distance units.Distance // flowed past the swimmer since the beginning
}

// Advance is the estimate after dt with the motor going from rpm n0 to n1: exact (tanh form) for the steady speed whose square is the mean of the two.
func (m *Model) Advance(e Estimate, n0, n1 units.MotorSpeed, dt time.Duration) Estimate {
	panic("unwritten")
}
