package safety

import (
	"math"
	"time"
)

// A motor may turn within these of what was ordered: a share, with an absolute floor beside it, since a tenth of nothing is nothing.
const (
	fastShare, slowShare = 1.10, 0.85
	motorFloor           = 60.0 // rpm
	noRamp               = 500  // rpm/s: how fast the tolerance follows where the motor's own ramp is not known
)

// motorWatch compares the motor with its orders, with patience for its ramp: most and least follow an order at half the motor's own pace.
type motorWatch struct {
	most, least float64 // rpm that the orders of late allow and demand
	at          time.Duration
}

func (m *motorWatch) step(c Config, f *Facts) {
	ramp := c.MotorRamp
	if ramp <= 0 {
		ramp = noRamp
	}
	by := ramp / 2 * (f.Now - m.at).Seconds()
	m.at = f.Now
	order := f.Drive.Ordered.RPM()
	m.most = max(order, m.most-by)
	m.least = min(order, m.least+by)
}

// fast also holds for what is no number, and for a motor that turns backwards.
func (m *motorWatch) fast(f *Facts) bool {
	return !(math.Abs(f.Drive.Motor.RPM()) <= fastShare*m.most+motorFloor)
}

func (m *motorWatch) slow(f *Facts) bool {
	return !(f.Drive.Motor.RPM() >= slowShare*m.least-motorFloor)
}

// turns: a drive that has been stopped for longer than its quick stop takes has a motor that turns, or that says nothing sensible.
func (g *Guard) turns(f *Facts) bool {
	return f.Now-g.since > g.cfg.QuickStop && !(math.Abs(f.Drive.Motor.RPM()) <= motorFloor)
}
