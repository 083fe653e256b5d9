// Package units holds speed, distance, pace and motor speed as opaque types, with parsing and printing.
//
// A bare number does not become a quantity by itself: every constructor names its unit, and so does every accessor.
// Zero values are safe: zero speed is standstill, zero motor speed is a motor at rest.
package units

import "fmt"

// MetresPerYard is exact by the international yard and pound agreement, in force since 1 July 1959
// (US National Bureau of Standards, Circular 572 addendum).
const MetresPerYard = 0.9144

// Unit is what a session counts distances in, and what its paces are per 100 of. The zero value is the metre.
type Unit uint8

// The two units of pools.
const (
	Metre Unit = iota
	Yard
)

// ParseUnit reads "m" or "yd".
func ParseUnit(s string) (Unit, error) {
	switch s {
	case "m":
		return Metre, nil
	case "yd":
		return Yard, nil
	}
	return 0, fmt.Errorf("unit %q: allowed are \"m\" and \"yd\"", s)
}

// String is "m" or "yd".
func (u Unit) String() string {
	if u == Yard {
		return "yd"
	}
	return "m"
}

// Metres is the length of one unit in metres: 1 or 0.9144.
func (u Unit) Metres() float64 {
	if u == Yard {
		return MetresPerYard
	}
	return 1
}

// Speed is a water speed. The zero value is standstill.
type Speed struct{ mps float64 }

// MetresPerSecond makes a speed.
func MetresPerSecond(v float64) Speed { return Speed{v} }

// MetresPerSecond is the speed in m/s.
func (s Speed) MetresPerSecond() float64 { return s.mps }

// Pace is the time that 100 of the unit take at this speed; the zero Pace ("no pace") at standstill or below.
func (s Speed) Pace(u Unit) Pace { return PacePer100(100*u.Metres()/s.mps, u) }

// String is the speed in m/s with three decimals.
func (s Speed) String() string { return fmt.Sprintf("%.3f m/s", s.mps) }

// Accel is a change of water speed over time.
type Accel struct{ mps2 float64 }

// MetresPerSecond2 makes an acceleration from m/s².
func MetresPerSecond2(a float64) Accel { return Accel{a} }

// MetresPerSecond2 is the acceleration in m/s².
func (a Accel) MetresPerSecond2() float64 { return a.mps2 }

// Jerk is a change of acceleration over time.
type Jerk struct{ mps3 float64 }

// MetresPerSecond3 makes a jerk from m/s³.
func MetresPerSecond3(j float64) Jerk { return Jerk{j} }

// MetresPerSecond3 is the jerk in m/s³.
func (j Jerk) MetresPerSecond3() float64 { return j.mps3 }

// Distance is a length of water swum or to be swum.
type Distance struct{ m float64 }

// Metres makes a distance.
func Metres(m float64) Distance { return Distance{m} }

// Of makes a distance of so many units.
func Of(n float64, u Unit) Distance { return Distance{n * u.Metres()} }

// Metres is the distance in metres.
func (d Distance) Metres() float64 { return d.m }

// In is the distance counted in u.
func (d Distance) In(u Unit) float64 { return d.m / u.Metres() }

// MotorSpeed is a motor's speed. The zero value is a motor at rest.
type MotorSpeed struct{ rpm float64 }

// RPM makes a motor speed from revolutions per minute.
func RPM(n float64) MotorSpeed { return MotorSpeed{n} }

// RPM is the motor speed in revolutions per minute.
func (n MotorSpeed) RPM() float64 { return n.rpm }

// String is the motor speed in whole revolutions per minute.
func (n MotorSpeed) String() string { return fmt.Sprintf("%.0f rpm", n.rpm) }
