package safety

import (
	"time"

	"flume.example/sequencerd/internal/fault"
)

// rule is one hazard: what holds, for how long it must hold against blips, and what it does then. A stop has no such patience.
type rule struct {
	code  fault.Code
	from  phase // the first phase in which it counts
	level Level
	hold  time.Duration
	when  func(g *Guard, f *Facts, w Wish) bool
}

// hold is since when a rule's condition has held without a gap.
type hold struct {
	on    bool
	since time.Duration
}

const (
	ruleCount  = 21
	tickLength = 50 * time.Millisecond  // the regular time between ticks
	staleAfter = 300 * time.Millisecond // feedback older than this is no feedback
	wallStale  = 200 * time.Millisecond // ten polls of the wall
	stuckAfter = time.Hour              // an occupancy sensor that has not changed for so long, with somebody in moving water
)

// rules are all the hazards of a swim under way, and of a motor that ought to stand, the weightiest first. What stops in any phase is in stopInput and
// Step; what forbids a start, in mayStart.
var rules = [ruleCount]rule{
	{fault.TickLate, moving, Fast, 0, func(g *Guard, f *Facts, w Wish) bool { return f.Gap > lateBy+tickLength }},
	{fault.DriveFault, moving, Fast, 0, func(g *Guard, f *Facts, w Wish) bool { return f.Drive.Fault }},
	{fault.LinkLost, moving, Fast, 200 * time.Millisecond, func(g *Guard, f *Facts, w Wish) bool { return f.Drive.Lost }},
	{fault.FeedbackOld, moving, Fast, 0, func(g *Guard, f *Facts, w Wish) bool { return stale(f) }},
	{fault.MotorFast, ready, Fast, 500 * time.Millisecond, func(g *Guard, f *Facts, w Wish) bool { return g.motor.fast(f) }},
	{fault.MotorSlow, moving, Fast, 2 * time.Second, func(g *Guard, f *Facts, w Wish) bool { return g.motor.slow(f) }},
	{fault.OverSpeed, moving, Fast, 2 * time.Second, func(g *Guard, f *Facts, w Wish) bool {
		return g.phase != jogging && !(f.Water.MetresPerSecond() <= 1.1*g.cfg.Cap.MetresPerSecond()+0.1)
	}},
	{fault.PersonInJog, moving, Fast, 0, func(g *Guard, f *Facts, w Wish) bool { return g.phase == jogging && person(f) }},
	{fault.CoverOff, moving, Fast, 0, func(g *Guard, f *Facts, w Wish) bool { return !f.Wall.Cover.fine() }},
	{fault.WaterLevel, moving, Soft, 2 * time.Second, func(g *Guard, f *Facts, w Wish) bool { return !f.Wall.Level.fine() }},
	{fault.NobodyStop, moving, Soft, 60 * time.Second, nobody},
	{fault.LongestSwim, moving, Soft, 0, func(g *Guard, f *Facts, w Wish) bool {
		return g.phase == moving && f.Now-g.since >= g.cfg.LongestSwim
	}},
	{fault.Unattended, moving, Soft, 0, func(g *Guard, f *Facts, w Wish) bool { return g.attention.left(g.cfg, f.Now) <= 0 }},
	{fault.NobodySlow, moving, Slow, 30 * time.Second, nobody},
	{fault.NobodySeen, moving, Caution, 15 * time.Second, nobody},
	{fault.NobodyYet, moving, Caution, 0, func(g *Guard, f *Facts, w Wish) bool { return g.expects && nobody(g, f, w) }},
	{fault.StillThere, moving, Caution, 0, func(g *Guard, f *Facts, w Wish) bool { return g.attention.asked }},
	{fault.SensorStuck, moving, Notice, 0, func(g *Guard, f *Facts, w Wish) bool {
		return w.Swims && f.Wall.Occupancy == Good && f.Now-max(f.Wall.Changed, g.since) >= stuckAfter
	}},
	{fault.OverCap, moving, Notice, 0, func(g *Guard, f *Facts, w Wish) bool { return w.Speed.MetresPerSecond() > g.cfg.Cap.MetresPerSecond() }},
	{fault.MotorTurns, locked, Caution, 0, func(g *Guard, f *Facts, w Wish) bool { return g.phase == locked && g.turns(f) }},
	{fault.Edited, moving, Notice, 0, func(g *Guard, f *Facts, w Wish) bool { return f.Edited }},
}

// nobody: blocks run, and the occupancy sensor sees no one, or cannot tell.
func nobody(g *Guard, f *Facts, w Wish) bool { return w.Swims && !f.Wall.Occupancy.fine() }

// person: somebody is seen, or may be there since the sensor cannot tell.
func person(f *Facts) bool { return f.Wall.Occupancy != Absent && f.Wall.Occupancy != Bad }

// stopInput is what the stop wire says, in any phase and without any patience. A wall that has not been read for a while is unread.
func stopInput(f *Facts) fault.Code {
	switch {
	case f.Wall.allAbsent():
		return ""
	case f.Now-f.Wall.At > wallStale:
		return fault.WallUnread
	case f.Wall.Stop == Bad:
		return fault.StopPressed
	case !f.Wall.Stop.fine():
		return fault.WallUnread
	}
	return ""
}

// remember keeps what rules need over time.
func (g *Guard) remember(f *Facts, w Wish) {
	if f.Drive.Lost || f.Drive.Fault || f.Drive.Reads > 0 && stale(f) {
		g.everBad, g.badAt = true, f.Now
	}
	if f.Wall.Occupancy == Good {
		g.expects = false
	}
	g.motor.step(g.cfg, f)
	if g.phase >= moving {
		g.attention.step(g.cfg, f, w)
	}
}

// judge is the highest level that holds now, and its rule.
func (g *Guard) judge(f *Facts, w Wish) (level Level, why fault.Code) {
	for i := range rules {
		r, h := &rules[i], &g.holds[i]
		if g.phase < r.from || !r.when(g, f, w) {
			h.on = false
			continue
		}
		if !h.on {
			h.on, h.since = true, f.Now
		}
		if f.Now-h.since >= r.hold && r.level > level {
			level, why = r.level, r.code
		}
	}
	return level, why
}

// acting is for how long a rule has been acting; negative where it is not.
func (g *Guard) acting(c fault.Code, now time.Duration) time.Duration {
	for i := range rules {
		if rules[i].code == c && g.holds[i].on {
			return now - g.holds[i].since - rules[i].hold
		}
	}
	return -1
}

// feedback says what is wrong with the drive's answers now, without any patience.
func (g *Guard) feedback(f *Facts) fault.Code {
	switch {
	case f.Drive.Lost, f.Drive.Reads == 0:
		return fault.LinkLost
	case stale(f):
		return fault.FeedbackOld
	case f.Drive.Fault:
		return fault.DriveFault
	}
	return ""
}

func stale(f *Facts) bool { return f.Drive.Reads == 0 || f.Now-f.Drive.At > staleAfter }
