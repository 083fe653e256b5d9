package safety

import (
	"time"

	"flume.example/sequencerd/internal/fault"
)

// rule is one hazard. The rules stand in the order of their levels, so that the first that holds is the one to act on.
type rule struct {
	code  fault.Code
	level Level
	when  func(g *Guard, f *Facts, w Wish) bool
}

var rules = [...]rule{
	{fault.TickLate, Fast, func(g *Guard, f *Facts, w Wish) bool { return f.Gap > lateBy+tickLength }},
	{fault.DriveFault, Fast, func(g *Guard, f *Facts, w Wish) bool { return f.Drive.Fault }},
	{fault.LinkLost, Fast, func(g *Guard, f *Facts, w Wish) bool { return g.bad && f.Now-g.badSince >= linkBlip }},
	{fault.FeedbackOld, Fast, func(g *Guard, f *Facts, w Wish) bool { return stale(f) }},
	{fault.LongestSwim, Soft, func(g *Guard, f *Facts, w Wish) bool { return f.Now-g.started >= g.cfg.LongestSwim }},
	{fault.Unattended, Soft, func(g *Guard, f *Facts, w Wish) bool { return g.attention.left(g.cfg, f.Now) <= 0 }},
	{fault.StillThere, Caution, func(g *Guard, f *Facts, w Wish) bool { return g.attention.asked }},
	{fault.OverCap, Notice, func(g *Guard, f *Facts, w Wish) bool {
		return w.Speed.MetresPerSecond() > g.cfg.Cap.MetresPerSecond()
	}},
}

// tickLength is the regular time between ticks.
const tickLength = 50 * time.Millisecond

// remember keeps what rules need over time.
func (g *Guard) remember(f *Facts) {
	if f.Drive.Lost != g.bad {
		g.bad, g.badSince = f.Drive.Lost, f.Now
	}
	if f.Drive.Lost || f.Drive.Fault || f.Drive.Reads > 0 && stale(f) {
		g.everBad, g.badAt = true, f.Now
	}
}

// judge is the highest level that holds now. Nothing but a stop matters while nothing is under way: Start asks for the rest.
func (g *Guard) judge(f *Facts, w Wish) (Level, fault.Code) {
	if g.phase < moving {
		return Fine, ""
	}
	g.attention.step(g.cfg, f, w)
	for i := range rules {
		if rules[i].when(g, f, w) {
			return rules[i].level, rules[i].code
		}
	}
	return Fine, ""
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
