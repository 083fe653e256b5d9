// Package swimmer turns timed swims into a threshold with its error, and tells what a session asks of a swimmer.
//
// The threshold (critical speed) is the slope of distance on time over timed swims that were as fast as they could be: D = CS·t + D′ (Monod and Scherrer's
// relation, put for swimming by Wakayoshi and others in 1992). D′, the reserve, is what can be swum above it. None of this is a safety input.
package swimmer

import (
	"fmt"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Where says what a timed swim was swum in. Flume swimming costs less than pool swimming at the same speed (Rüdiger and others 2005), so the two
// are never mixed in one fit.
type Where uint8

// The places.
const (
	Pool Where = iota
	Flume
)

// String is "pool" or "flume".
func (w Where) String() string {
	if w == Flume {
		return "flume"
	}
	return "pool"
}

// Swim is one timed swim, as far or as fast as the swimmer could.
type Swim struct {
	Number    int64 // its name where it is kept; 0 for none
	Distance  units.Distance
	Time      time.Duration
	Date      time.Time // the day; zero where not known
	Where     Where
	Simulated bool // in a flume that is not there
}

// Check holds a timed swim to what can be: 25 to 10,000 m in 5 s to 6 h, at 0:40 to 10:00 per 100 m.
func (s Swim) Check() error {
	d, t := s.Distance.Metres(), s.Time.Seconds()
	switch {
	case !(d >= 22 && d <= 10_000): // 25 yd are 22.86 m
		return fmt.Errorf("distance %.6g m: allowed is 25 to 10,000", d)
	case !(t >= 5 && t <= 6*3600):
		return fmt.Errorf("time %s: allowed is 0:05 to 6:00:00", units.FormatTime(s.Time))
	case t/d < 0.4 || t/d > 6:
		return fmt.Errorf("%.0f m in %s, %s: allowed is 0:40 to 10:00 per 100 m", d, units.FormatTime(s.Time), s.speed().Pace(units.Metre))
	}
	return nil
}

func (s Swim) speed() units.Speed {
	return units.MetresPerSecond(s.Distance.Metres() / s.Time.Seconds())
}

// InFlume is a pool threshold as it counts in the flume: so many seconds per 100 m slower (faster where negative, as it mostly is). No pace stays none.
func InFlume(pool units.Pace, offsetSPer100m float64) units.Pace {
	if pool.IsZero() || offsetSPer100m == 0 {
		return pool
	}
	return units.PacePer100(max(pool.In(units.Metre).Seconds()+offsetSPer100m, 1), units.Metre).In(pool.Unit())
}

// MostOffset is how far a flume offset may go, in seconds per 100 m. Our own limit: more is a slip of the pen.
const MostOffset = 15.0

// CheckOffset says what is allowed of a flume offset.
func CheckOffset(sPer100m float64) error {
	if !(sPer100m >= -MostOffset && sPer100m <= MostOffset) {
		return fmt.Errorf("offset %+.3g s per 100 m: allowed is -%g to +%g", sPer100m, MostOffset, MostOffset)
	}
	return nil
}

// CheckThreshold says what is allowed of a threshold: 0:40 to 6:00 per 100 of its own unit, as in sessions and configuration.
func CheckThreshold(p units.Pace) error {
	if s := p.Seconds(); !(s >= 40 && s <= 360) {
		return fmt.Errorf("threshold %s: allowed is 0:40 to 6:00 per 100", p)
	}
	return nil
}

// CheckCap says what is allowed of a swimmer's own cap: 0.2 to 3 m/s, as in the configuration.
func CheckCap(v units.Speed) error {
	if m := v.MetresPerSecond(); !(m >= 0.2 && m <= 3) {
		return fmt.Errorf("cap %.3g m/s: allowed is 0.2 to 3", m)
	}
	return nil
}

// remark is something to know of a swimmer, not of one block.
func remark(c fault.Code, format string, args ...any) fault.Remark {
	return fault.Remark{Code: c, Block: -1, Text: fmt.Sprintf(format, args...)}
}
