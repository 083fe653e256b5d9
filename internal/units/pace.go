package units

import (
	"fmt"
	"math"
	"strings"
)

// Pace is a time per 100 metres or per 100 yards. The zero value is no pace: standstill.
type Pace struct {
	seconds float64
	unit    Unit
}

// PacePer100 makes a pace of so many seconds per 100 of the unit; zero or less, or what is no number, is no pace.
func PacePer100(seconds float64, u Unit) Pace {
	if !(seconds > 0) || math.IsInf(seconds, 1) {
		return Pace{unit: u}
	}
	return Pace{seconds, u}
}

// IsZero reports whether there is no pace.
func (p Pace) IsZero() bool { return p.seconds == 0 }

// Seconds is the time per 100 of the pace's own unit, in seconds.
func (p Pace) Seconds() float64 { return p.seconds }

// Unit is what the pace is per 100 of.
func (p Pace) Unit() Unit { return p.unit }

// Speed is the speed of that pace; standstill for no pace.
func (p Pace) Speed() Speed {
	if p.seconds == 0 {
		return Speed{}
	}
	return Speed{100 * p.unit.Metres() / p.seconds}
}

// In is the same pace per 100 of another unit.
func (p Pace) In(u Unit) Pace {
	if u == p.unit {
		return p
	}
	return Pace{p.seconds * u.Metres() / p.unit.Metres(), u}
}

// Clock is the pace as a coach says it, "1:40" or "1:40.5", without its unit; "–" for no pace.
func (p Pace) Clock() string {
	if p.seconds == 0 {
		return "–"
	}
	return clock(p.seconds)
}

// String is the pace with its unit: "1:40/100m", "1:40.5/100yd"; "–" for no pace.
func (p Pace) String() string {
	if p.seconds == 0 {
		return "–"
	}
	return p.Clock() + "/100" + p.unit.String()
}

// ParsePace reads "1:40", "1:40.5", "58.2", "1:40/100m" or "1:40/100 yd". A bare pace is per 100 of u.
func ParsePace(s string, u Unit) (Pace, error) {
	text, per, given := strings.Cut(s, "/")
	if given {
		n, ok := strings.CutPrefix(strings.TrimSpace(per), "100")
		unit, err := ParseUnit(strings.TrimSpace(n))
		if !ok || err != nil {
			return Pace{}, fmt.Errorf("pace %q: after the slash only /100m or /100yd is allowed", s)
		}
		u = unit
	}
	d, err := ParseTime(strings.TrimSpace(text))
	if err != nil {
		return Pace{}, fmt.Errorf("pace %q: allowed is minutes:seconds per 100, as in 1:40, 1:40.5 or 1:40/100yd", s)
	}
	if d <= 0 {
		return Pace{}, fmt.Errorf("pace %q: a pace must be more than 0:00", s)
	}
	return PacePer100(d.Seconds(), u), nil
}
