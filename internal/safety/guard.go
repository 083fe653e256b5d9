package safety

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

const (
	lateBy     = 150 * time.Millisecond // DESIGN: up to this the profile goes on; more is a fast stop
	linkBlip   = 200 * time.Millisecond // failed exchanges for less are a blip
	staleAfter = 300 * time.Millisecond // feedback older than this is no feedback
	goodFor    = 2 * time.Second        // of good feedback before a start, after a fault
	softSlack  = 0.02                   // m/s: what relief of a positive acceleration may add after a soft stop
	atRest     = 5.0                    // rpm: an absolute floor, below which a motor counts as at rest
)

// phase is the guard's whole memory of what is allowed. Its zero value is locked.
type phase uint8

const (
	locked  phase = iota // nothing is cleared until a reset
	ready                // nothing is cleared until a start
	moving               // a wish may be cleared
	falling              // a soft stop: only a wish that comes down may be cleared; then locked
)

// Guard decides whether water may move. The zero Guard, but for its Config, clears nothing until a reset and a start.
type Guard struct {
	cfg       Config
	phase     phase
	why       fault.Code // of the lock, or of the soft stop
	released  uint64     // stops that a reset has taken back
	started   time.Duration
	fallSince time.Duration
	ceiling   float64       // m/s: while falling, what was last cleared
	badSince  time.Duration // failed exchanges since, while bad
	bad       bool
	badAt     time.Duration // last moment of bad feedback
	everBad   bool
	attention attention
}

// NewGuard makes a guard that has been reset by nobody.
func NewGuard(c Config) *Guard {
	return &Guard{cfg: c, why: fault.NotReset}
}

// Configure changes the caps and times; allowed only while nothing moves, and it reports whether it was.
func (g *Guard) Configure(c Config) bool {
	if g.phase >= moving {
		return false
	}
	g.cfg = c
	return true
}

// Reset takes back the stops that the guard has seen, if all is well now: locked, no stop asked, feedback good, motor at rest.
// It clears no motion: that takes a Start. The error is a fault.Fault.
func (g *Guard) Reset(f *Facts) (Release, error) {
	switch {
	case g.phase != locked:
		return Release{}, fault.Of(fault.NotStopped)
	case f.Stop != "":
		return Release{}, fault.Of(f.Stop)
	}
	if c := g.feedback(f); c != "" {
		return Release{}, fault.Of(c)
	}
	if f.Drive.Motor.RPM() > atRest {
		return Release{}, fault.Of(fault.StillTurning)
	}
	g.phase, g.released, g.why = ready, f.Drive.Stops, ""
	return Release{upto: f.Drive.Stops}, nil
}

// Start is a person's deliberate start: only after it a wish is cleared. The error is a fault.Fault.
func (g *Guard) Start(f *Facts) error {
	switch {
	case g.phase == locked:
		return fault.Of(g.why)
	case g.phase != ready:
		return fault.Of(fault.UnderWay)
	case f.Stop != "":
		return fault.Of(f.Stop)
	case f.Drive.Stops > g.released:
		return fault.Of(f.Drive.Why)
	}
	if c := g.feedback(f); c != "" {
		return fault.Of(c)
	}
	if g.everBad && f.Now-g.badAt < goodFor {
		return fault.Of(fault.LinkSettling)
	}
	g.phase, g.started = moving, f.Now
	g.attention = attention{press: f.Now}
	return nil
}

// Step judges one tick: it clears the wish, or less, or stops.
func (g *Guard) Step(f *Facts, w Wish) Verdict {
	g.remember(f)
	level, why := g.judge(f, w)
	before := g.phase
	switch {
	case f.Stop != "" && g.phase != locked:
		g.lock(f.Stop)
	case f.Drive.Stops > g.released && g.phase != locked:
		g.lock(f.Drive.Why)
	case g.phase >= moving && level == Fast:
		g.lock(why)
	case g.phase == falling && (w.Off || !w.Under):
		g.lock(g.why)
	case g.phase == falling && f.Now-g.fallSince > g.cfg.SoftTime:
		g.lock(fault.SoftTooSlow)
	case g.phase == moving && !w.Under:
		g.phase = ready
	case g.phase == moving && level == Soft:
		g.phase, g.why, g.fallSince = falling, why, f.Now
	}
	v := Verdict{Cleared: g.clear(w), Level: level, Why: why, Soft: g.phase == falling, Permit: g.phase != locked}
	v.Stop = g.phase == locked && before != locked
	v.Ask = g.phase == moving && g.attention.asked
	if g.phase == locked {
		v.Level, v.Why = Fast, g.why
	} else if g.phase == falling {
		v.Level, v.Why = Soft, g.why
	}
	return v
}

// Locked reports whether a reset is needed, and why.
func (g *Guard) Locked() (fault.Code, bool) { return g.why, g.phase == locked }

func (g *Guard) lock(why fault.Code) { g.phase, g.why = locked, why }

// clear is the only place where a Cleared gets a value.
func (g *Guard) clear(w Wish) Cleared {
	if g.phase < moving || w.Off || !w.Under {
		g.ceiling = 0
		return Cleared{}
	}
	v, a := w.Speed.MetresPerSecond(), w.Accel.MetresPerSecond2()
	top := g.cfg.Cap.MetresPerSecond()
	if g.phase == falling {
		top = min(top, g.ceiling+softSlack)
	}
	if !(v >= 0) { // NaN too
		v, a = 0, 0
	}
	if v > top {
		v, a = top, min(a, 0)
	}
	if limit := g.cfg.MaxAccel.MetresPerSecond2(); !(a <= limit) {
		a = limit
	}
	if g.phase == moving || v < g.ceiling {
		g.ceiling = v
	}
	return Cleared{speed: units.MetresPerSecond(v), accel: units.MetresPerSecond2(a)}
}
