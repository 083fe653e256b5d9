package safety

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Hurry shortens every patience to a few ticks, so that a search over all states closes. The order of what comes first is kept. It returns the way back.
func Hurry() (back func()) {
	r, good, rel, slow, seen := rules, goodFor, relief, slowTime, seenFor
	for i := range rules {
		switch h := &rules[i].hold; {
		case rules[i].code == fault.NobodyStop:
			*h = 3 * tickLength
		case *h > 0:
			*h = tickLength
		}
	}
	goodFor, relief, slowTime, seenFor = 2*tickLength, tickLength, 0, tickLength
	return func() { rules, goodFor, relief, slowTime, seenFor = r, good, rel, slow, seen }
}

// Packed is a guard's state in normal form, without loss; times in ticks.
type Packed [16 + ruleCount]byte

// Normal brings a guard, just after a Step at now, to its normal form as of base: times are taken relative to now, held where nothing depends on them any
// more, and forgotten where nothing does at all. Two guards of one normal form answer everything alike, but for the words.
func (g *Guard) Normal(now, base time.Duration) {
	to := func(t *time.Duration, most time.Duration) { *t = base - min(now-*t, most) }
	if g.why = ""; g.phase == locked || g.phase == falling {
		g.why = fault.StopPressed
	}
	if g.everBad = g.everBad && now-g.badAt < goodFor; g.everBad {
		to(&g.badAt, goodFor)
	} else {
		g.badAt = 0
	}
	for i := range g.holds {
		h, r := &g.holds[i], &rules[i]
		switch most := r.hold; {
		case !h.on || r.hold == 0:
			*h = hold{}
		case r.code == fault.NobodySlow:
			to(&h.since, most+slowTime+tickLength)
		default:
			to(&h.since, most)
		}
	}
	most := time.Duration(0)
	switch g.phase {
	case locked:
		most = g.cfg.QuickStop + tickLength
	case moving:
		most = g.cfg.LongestSwim
	case jogging:
		most = g.jogFor
	case falling:
		most = max(g.cfg.SoftTime, relief) + tickLength
	}
	to(&g.since, most)
	if g.phase < moving {
		g.attention, g.expects, g.ceiling = attention{}, false, 0
	} else {
		to(&g.attention.press, g.cfg.IdleShutoff+seenFor)
		to(&g.attention.seen, g.cfg.IdleShutoff)
		if g.attention.seen < g.attention.press {
			g.attention.seen = base - g.cfg.IdleShutoff // of no weight
		}
	}
	if g.phase != jogging {
		g.jogMost, g.jogFor = units.MotorSpeed{}, 0
	}
	to(&g.motor.at, 0)
}

// Stops are how many stops were met by the last Step, and taken back by a reset.
func (g *Guard) Stops() (met, released *uint64) { return &g.met, &g.released }

// Pack is the normal form as of base.
func (g *Guard) Pack(base time.Duration) (p Packed) {
	age := func(t time.Duration) byte {
		n := (base - t) / tickLength
		if n > 250 || base-t != n*tickLength {
			panic("not a normal form")
		}
		return byte(n)
	}
	flag := func(b bool, n byte) byte {
		if b {
			return n + 1
		}
		return 0
	}
	p[0] = byte(g.phase)
	p[1] = age(g.since)
	if g.everBad {
		p[2] = 1 + age(g.badAt)
	}
	p[3], p[4] = byte(g.ceiling*100), byte(int(g.ceiling*100)>>8)
	p[5] = flag(g.expects, 0)<<1 | flag(g.attention.asked, 0)
	if g.phase >= moving {
		p[6], p[7] = 1+age(g.attention.press), 1+age(g.attention.seen)
	}
	most, least := int(g.motor.most), int(g.motor.least)
	p[8], p[9], p[10], p[11] = byte(most), byte(most>>8), byte(least), byte(least>>8)
	p[12], p[13] = byte(g.released), byte(g.met)
	for i := range g.holds {
		if h := &g.holds[i]; h.on {
			p[16+i] = 1 + age(h.since)
		}
	}
	return p
}
