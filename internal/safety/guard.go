package safety

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

const (
	lateBy    = 150 * time.Millisecond // up to this the profile goes on; more is a fast stop
	stopGood  = 24 * time.Hour         // for so long a stop press that was seen shows that the button works
	softSlack = 0.02                   // m/s: what the relief of a positive acceleration may add after a soft stop
	atRest    = 5.0                    // rpm: an absolute floor, below which a motor counts as at rest
)

// Variables only so that the search over all states can shorten them.
var (
	goodFor  = 2 * time.Second        // of good feedback before a start, after a fault
	relief   = 500 * time.Millisecond // for so long after a soft stop a positive acceleration may go on: five times what the default relief jerk needs
	slowTime = 10 * time.Second       // the swim has so long to come down to a caution's speed by itself
)

// phase is the guard's whole memory of what is allowed. Its zero value is locked.
type phase uint8

const (
	locked  phase = iota // nothing is cleared until a reset
	ready                // nothing is cleared until a start
	moving               // a wish may be cleared
	jogging              // an installer's jog may be cleared, for a while
	falling              // a soft stop: only a wish that comes down may be cleared; then locked
)

// Guard decides whether water may move. The zero Guard, but for its Config, clears nothing until a reset and a start.
type Guard struct {
	cfg      Config
	phase    phase
	why      fault.Code // of the lock, or of the soft stop
	met      uint64     // stops at the drive, as of the last Step
	released uint64     // stops that a reset has taken back

	since     time.Duration // when the phase began
	ceiling   float64       // m/s: while falling, the least that was cleared
	jogMost   units.MotorSpeed
	jogFor    time.Duration
	expects   bool // a person ought to be there at the count-in's end, and none was seen since the start
	everBad   bool
	badAt     time.Duration // last moment of bad feedback
	holds     [ruleCount]hold
	attention attention
	motor     motorWatch
}

// NewGuard makes a guard that has been reset by nobody.
func NewGuard(c Config) *Guard {
	g := &Guard{why: fault.NotReset}
	g.Configure(c)
	return g
}

// Configure changes the caps and times; allowed only while nothing moves, and it reports whether it was.
func (g *Guard) Configure(c Config) bool {
	if g.phase >= moving {
		return false
	}
	if c.CautionSpeed == (units.Speed{}) {
		c.CautionSpeed = units.MetresPerSecond(0.6)
	}
	if c.QuickStop == 0 {
		c.QuickStop = 3 * time.Second
	}
	g.cfg = c
	return true
}

// Commission says whether people may swim here: a swim starts only where they may. That they may is said only while nothing moves, and it reports whether
// it was; that they may not, at any time.
func (g *Guard) Commission(done bool) bool {
	if done && g.phase >= moving {
		return false
	}
	g.cfg.Uncommissioned = !done
	return true
}

// Reset takes back the stops that the guard has seen in a Step, if all is well now: locked, stop input seen released, feedback good, motor at rest.
// It clears no motion: that takes a Start. The error is a fault.Fault.
func (g *Guard) Reset(f *Facts) (Release, error) {
	c := g.feedback(f)
	switch {
	case g.phase != locked:
		c = fault.NotStopped
	case f.Stop != "":
		c = f.Stop
	case stopInput(f) != "":
		c = stopInput(f)
	case f.Drive.Stops != g.met: // a stop holds for a tick at least, whatever comes after it
		c = or(f.Drive.Why, fault.StopPressed)
	case c == "" && !still(f):
		c = fault.StillTurning
	}
	if c != "" {
		return Release{}, fault.Of(c)
	}
	g.enter(ready, f.Now)
	g.released, g.why = f.Drive.Stops, ""
	return Release{upto: f.Drive.Stops}, nil
}

// Start is a person's deliberate start: only after it a wish is cleared. With person, somebody is expected to be seen at the count-in's end.
// The error is a fault.Fault.
func (g *Guard) Start(f *Facts, person bool) error {
	if g.cfg.Uncommissioned {
		return fault.Of(fault.NotCommissioned)
	}
	if err := g.mayStart(f); err != nil {
		return err
	}
	g.enter(moving, f.Now)
	g.expects = person && f.Wall.Occupancy != Absent
	g.attention = attention{press: f.Now}
	return nil
}

// StartJog is an installer's deliberate start of the bare motor, up to a speed and for a time; nobody may be seen in the water.
func (g *Guard) StartJog(f *Facts, most units.MotorSpeed, length time.Duration) error {
	if err := g.MayJog(f); err != nil {
		return err
	}
	g.enter(jogging, f.Now)
	g.jogMost, g.jogFor = most, length
	g.attention = attention{press: f.Now}
	return nil
}

// MayJog says whether a jog could start now; nil where it could. The error is a fault.Fault.
func (g *Guard) MayJog(f *Facts) error {
	if err := g.mayStart(f); err != nil {
		return err
	}
	if person(f) {
		return fault.Of(fault.PersonInJog)
	}
	return nil
}

func (g *Guard) mayStart(f *Facts) error {
	c := g.feedback(f)
	switch {
	case g.phase == locked:
		c = or(g.why, fault.NotReset)
	case g.phase != ready:
		c = fault.UnderWay
	case f.Stop != "":
		c = f.Stop
	case stopInput(f) != "":
		c = stopInput(f)
	case f.Drive.Stops != g.released:
		c = or(f.Drive.Why, fault.StopPressed)
	case f.Wall.Stop != Absent && !(f.Wall.StopSeen && f.Now-f.Wall.SeenAt < stopGood):
		c = fault.StopUntried
	case !f.Wall.Cover.fine():
		c = fault.CoverOff
	case !f.Wall.Level.fine():
		c = fault.WaterLevel
	case c == "" && g.everBad && f.Now-g.badAt < goodFor:
		c = fault.LinkSettling
	case c == "" && !still(f):
		c = fault.StillTurning
	}
	if c == "" {
		return nil
	}
	return fault.Of(c)
}

// Step judges one tick: it clears the wish, or less, or stops.
func (g *Guard) Step(f *Facts, w Wish) Verdict {
	g.met = f.Drive.Stops
	g.remember(f, w)
	level, why := g.judge(f, w)
	before := g.phase
	switch {
	case g.phase == locked:
	case f.Stop != "":
		g.lock(f.Stop, f.Now)
	case stopInput(f) != "":
		g.lock(stopInput(f), f.Now)
	case f.Drive.Stops != g.released:
		g.lock(or(f.Drive.Why, fault.StopPressed), f.Now)
	case level == Fast:
		g.lock(why, f.Now)
	case g.phase == ready:
	case g.phase == falling && (w.Off || !w.Under):
		g.lock(g.why, f.Now)
	case g.phase == falling && f.Now-g.since > g.cfg.SoftTime:
		g.lock(fault.SoftTooSlow, f.Now)
	case g.phase == jogging && (level == Soft || f.Now-g.since >= g.jogFor || w.Jog == (units.MotorSpeed{})):
		g.enter(ready, f.Now)
	case g.phase == moving && !w.Under:
		g.enter(ready, f.Now)
	case g.phase == moving && level == Soft:
		g.enter(falling, f.Now)
		g.why = why
	}
	v := Verdict{Level: level, Why: why, Permit: g.phase != locked, Soft: g.phase == falling, Stop: g.phase == locked && before != locked}
	v.Ask = g.phase == moving && g.attention.asked
	slowed := g.acting(fault.NobodySlow, f.Now)
	if slowed >= 0 {
		v.Cap = g.cfg.CautionSpeed
	}
	switch g.phase {
	case locked:
		v.Level = Fast
		if why != fault.MotorTurns || v.Stop {
			v.Why = g.why
		}
	case falling:
		v.Level, v.Why = Soft, g.why
	}
	v.Cleared = g.clear(w, f.Now, slowed > slowTime)
	return v
}

// Locked reports whether a reset is needed, and why.
func (g *Guard) Locked() (fault.Code, bool) { return g.why, g.phase == locked }

// LockedSince says since when a reset is needed, and whether one is.
func (g *Guard) LockedSince() (time.Duration, bool) { return g.since, g.phase == locked }

// QuickStop is the longest that the drive's quick stop takes.
func (g *Guard) QuickStop() time.Duration { return g.cfg.QuickStop }

func (g *Guard) lock(why fault.Code, now time.Duration) {
	g.enter(locked, now)
	g.why = why
}

func (g *Guard) enter(p phase, now time.Duration) {
	g.phase, g.since = p, now
	if p != falling { // what has held for a while counts within one swim
		clear(g.holds[:])
	}
}

func or(c, otherwise fault.Code) fault.Code {
	if c == "" {
		return otherwise
	}
	return c
}

// still reports whether the motor is known to be at rest; what is no number is not.
func still(f *Facts) bool { return math.Abs(f.Drive.Motor.RPM()) <= atRest }

// clear is the only place where a Cleared gets a value.
func (g *Guard) clear(w Wish, now time.Duration, slow bool) Cleared {
	switch {
	case g.phase == jogging && min(w.Jog.RPM(), g.jogMost.RPM()) > 0: // not for what is no number
		return Cleared{jog: units.RPM(min(w.Jog.RPM(), g.jogMost.RPM()))}
	case g.phase != moving && g.phase != falling, w.Off, !w.Under, w.Jog != (units.MotorSpeed{}):
		g.ceiling = 0
		return Cleared{}
	}
	v, a := w.Speed.MetresPerSecond(), w.Accel.MetresPerSecond2()
	top := g.cfg.Cap.MetresPerSecond()
	if g.phase == falling {
		top = min(top, g.ceiling+softSlack)
		if now-g.since > relief {
			a = min(a, 0) // else the motor would lead water that ought to come down
		}
	}
	if slow {
		top = min(top, g.cfg.CautionSpeed.MetresPerSecond())
	}
	if v > top {
		v, a = top, min(a, 0)
	}
	a = min(a, g.cfg.MaxAccel.MetresPerSecond2())
	if !(v >= 0 && v <= top) || math.IsNaN(a) { // what is no number, or has a limit that is none, clears nothing
		v, a = 0, 0
	}
	if g.phase == moving || v < g.ceiling {
		g.ceiling = v
	}
	return Cleared{speed: units.MetresPerSecond(v), accel: units.MetresPerSecond2(a)}
}
