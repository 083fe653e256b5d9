// Package survey turns timed floats and other readings into a calibration with its error, an inertia length, stations, and a verdict on whether all that still fits.
//
// It is what an installer's afternoon yields, as pure mathematics: values in, values out. Every interval is one of 95 in 100. Inside, speeds are m/s, motor speeds rpm,
// times s. docs/calibration.md has the method for who stands at the water.
package survey

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"flume.example/sequencerd/internal/units"
)

// What can be: outside it is a slip of the pen. The configuration takes no more either.
const (
	mostRPM    = 20_000
	leastSpeed = 0.01 // m/s, of a reading: below, floats stand
	mostSpeed  = 5.0  // m/s
)

// Standard gravity, m/s² (3rd General Conference on Weights and Measures, 1901).
const gravity = 9.80665

// PitotSpeed is the water speed that a pitot tube shows by its head, the height of water between its two legs: √(2·g·h). Standstill for no head, or one below 0.
func PitotSpeed(head units.Distance) units.Speed {
	h := head.Metres()
	if !(h > 0) || math.IsInf(h, 1) {
		return units.Speed{}
	}
	return units.MetresPerSecond(math.Sqrt(2 * gravity * h))
}

// Contradiction is a set of readings that cannot all be true, so that no calibration comes of them.
type Contradiction struct {
	At      []string // which: "600 rpm", or the names of stations
	Swapped bool     // they would fit if the two of At were the other way round
	text    string
}

// Error names the readings, their values, and why they cannot be.
func (c *Contradiction) Error() string { return c.text }

func contradiction(swapped bool, at []string, format string, args ...any) *Contradiction {
	return &Contradiction{At: at, Swapped: swapped, text: fmt.Sprintf(format, args...)}
}

// student is the p-quantile of Student's t; with infinite freedom, of the normal distribution.
func student(p, freedom float64) float64 {
	if math.IsInf(freedom, 1) || freedom > 1e6 {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Sigma: 1, Nu: freedom}.Quantile(p)
}

// checkMotor says what is allowed of the motor's speed at a reading.
func checkMotor(n units.MotorSpeed) error {
	if v := n.RPM(); !(v > 0 && v <= mostRPM) {
		return fmt.Errorf("motor speed %g rpm: allowed is more than 0 to %d", v, mostRPM)
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
