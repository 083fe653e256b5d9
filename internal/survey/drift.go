package survey

import (
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// DriftLimits say how far a swim's means may be off before that is worth a word. A share alone would cry out at slow speeds, so each has a floor.
type DriftLimits struct {
	Motor      float64          // of the motor's mean speed from the ordered, as a fraction
	MotorFloor units.MotorSpeed // and no less than this
	Water      float64          // of the sensor's mean water speed from the model's, as a fraction
	WaterFloor units.Speed      // and no less than this
	Shortest   time.Duration    // moving water of less than this says nothing
}

// DefaultDriftLimits are our own choice: 2 % or 10 rpm of the motor, which follows its orders or has a fault; 5 % or 0.03 m/s of the water, about twice the band of a
// good calibration (docs/calibration.md); two minutes.
func DefaultDriftLimits() DriftLimits {
	return DriftLimits{Motor: 0.02, MotorFloor: units.RPM(10), Water: 0.05, WaterFloor: units.MetresPerSecond(0.03), Shortest: 2 * time.Minute}
}

// Tally takes up what a swim's drift is judged by. The zero Tally is empty.
type Tally struct {
	motor, water      float64 // s, with motor ordered to turn; with a sensor and moving water
	ordered, turned   float64 // ∫ rpm dt
	modelled, metered float64 // ∫ m/s dt
}

// Motor adds dt of a motor that was ordered to turn at one speed and turned at another. Times with nothing ordered, and values that are no numbers, do not count.
func (t *Tally) Motor(dt time.Duration, ordered, turned units.MotorSpeed) {
	o, n := ordered.RPM(), turned.RPM()
	if dt <= 0 || !(o > 0) || !finite(o) || !finite(n) {
		return
	}
	s := dt.Seconds()
	t.motor, t.ordered, t.turned = t.motor+s, t.ordered+o*s, t.turned+n*s
}

// Water adds dt of a flow sensor at the reference, beside the model's estimate. Times with water that the model has at rest do not count.
func (t *Tally) Water(dt time.Duration, modelled, sensed units.Speed) {
	m, v := modelled.MetresPerSecond(), sensed.MetresPerSecond()
	if dt <= 0 || !(m > still) || !finite(m) || !finite(v) {
		return
	}
	s := dt.Seconds()
	t.water, t.modelled, t.metered = t.water+s, t.modelled+m*s, t.metered+v*s
}

// DriftFinding is one comparison of a swim's means.
type DriftFinding struct {
	Known    bool    // enough was seen to say anything
	Drifted  bool    // it is off by more than the limit
	Off      float64 // by how much, as a fraction: 0.03 is 3 % more than it should be
	Expected float64 // mean: rpm ordered, or m/s by the model
	Found    float64 // mean: rpm turned, or m/s by the sensor
	Limit    float64 // what is allowed, as a fraction of Expected
}

// Drift is what a swim says of motor and calibration.
type Drift struct{ Motor, Water DriftFinding }

// Drift judges what has been taken up.
func (t *Tally) Drift(l DriftLimits) Drift {
	return Drift{
		Motor: finding(t.motor, t.ordered, t.turned, l.Motor, l.MotorFloor.RPM(), l.Shortest),
		Water: finding(t.water, t.modelled, t.metered, l.Water, l.WaterFloor.MetresPerSecond(), l.Shortest),
	}
}

func finding(seconds, expected, found, share, floor float64, shortest time.Duration) DriftFinding {
	if !(seconds > 0) || seconds < shortest.Seconds() || !(expected > 0) {
		return DriftFinding{}
	}
	f := DriftFinding{Known: true, Expected: expected / seconds, Found: found / seconds}
	f.Off = f.Found/f.Expected - 1
	f.Limit = max(share, floor/f.Expected)
	f.Drifted = math.Abs(f.Off) > f.Limit
	return f
}

// Notice is what to tell a person of something that drifted.
type Notice struct {
	Code fault.Code // fault.MotorDrift or fault.WaterDrift
	Text string     // with the figures, and what to do
}

// Notices say what drifted; none where nothing did.
func (d Drift) Notices() (out []Notice) {
	if f := d.Motor; f.Drifted {
		out = append(out, Notice{fault.MotorDrift, fmt.Sprintf("The motor turned %.0f rpm on average where %.0f were ordered (%+.1f %%; %.1f %% is allowed). Look at the drive's parameters and the slip, then calibrate again.",
			f.Found, f.Expected, 100*f.Off, 100*f.Limit)})
	}
	if f := d.Water; f.Drifted {
		out = append(out, Notice{fault.WaterDrift, fmt.Sprintf("The flow sensor saw %.3f m/s on average where the calibration says %.3f (%+.1f %%; %.1f %% is allowed). Look for what blocks the water, and at the sensor; then calibrate again.",
			f.Found, f.Expected, 100*f.Off, 100*f.Limit)})
	}
	return out
}

// Overdue reports whether a calibration of that day is older than it may be. Without a day or an age it never is.
func Overdue(calibrated time.Time, after time.Duration, today time.Time) bool {
	return !calibrated.IsZero() && after > 0 && today.Sub(calibrated) > after
}
