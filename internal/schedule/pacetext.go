package schedule

import (
	"math"

	"flume.example/sequencerd/internal/units"
)

// named reports whether a pace by its name stands n tokens on.
func (p *lineParser) named(n int) bool {
	return p.peek(n).kind == tWord && p.paces[p.peek(n).text] != nil
}

// paceStarts reports whether a pace stands here.
func (p *lineParser) paceStarts() bool {
	return p.cur().kind == tTime || p.named(0) || p.role(0) == roleThreshold || p.cur().kind == tNumber && p.metresPerSecond() > 0
}

// atSign reads "@ threshold", which has one meaning; "@ 1:10" has two.
func (p *lineParser) atSign(it *item) bool {
	at := p.i
	p.i++
	timed := p.cur().kind == tTime && !p.peek(1).is("/") && p.role(1) != rolePer && p.role(1) != rolePace
	if !timed && p.paceStarts() {
		return p.somePaces(it)
	}
	clock := "1:50"
	switch {
	case p.cur().kind == tTime:
		clock = clockText(p.cur().time)
	case p.cur().kind == tNumber:
		p.wrong(it, at, "write at 1:50 for a pace per 100, or on 1:50 for a send-off; a time has a colon, as in :50")
		return false
	case p.cur().kind == tWord && p.role(0) == noRole:
		p.unknown(it, true)
		return false
	}
	p.wrong(it, at, "this has two meanings: write at %s for a pace of %s per 100, or on %s where each one leaves %s after the one before", clock, clock, clock, clock)
	return false
}

// somePaces reads one pace, or two as in 1:50 to 1:40.
func (p *lineParser) somePaces(it *item) bool {
	at := p.i
	first := p.pace(it, "at")
	if first == nil {
		return false
	}
	var second *paceText
	if p.role(0) == roleTo || p.role(0) == roleBuild && p.role(1) == roleTo {
		if p.role(0) == roleBuild {
			p.i++
		}
		p.i++
		if second = p.pace(it, "to"); second == nil {
			return false
		}
		if p.role(0) == roleTo {
			p.wrong(it, p.i, "a third pace: allowed are two, as in at 1:50 to 1:40")
			return false
		}
	}
	if it.pace != nil {
		say := "a second pace: one is enough, or two as in at 1:50 to 1:40"
		if len(it.counts) > 0 {
			say += "; in turns, odd at 1:50, even at 1:40"
		}
		p.wrong(it, at, "%s", say)
		return false
	}
	it.pace, it.second = first, second
	return true
}

// metresPerSecond is the speed that stands here as in "1.2 m/s"; 0 for none.
func (p *lineParser) metresPerSecond() float64 {
	if p.cur().kind == tNumber && p.peek(1).kind == tWord && (p.peek(1).text == "m/s" || p.peek(1).text == "mps") {
		return p.cur().number
	}
	return 0
}

// pace reads one pace.
func (p *lineParser) pace(it *item, before string) *paceText {
	t := &paceText{token: p.i}
	c := p.cur()
	switch {
	case p.named(0):
		t.named = p.paces[c.text]
		p.i++
		if !p.offset(it, t) {
			return nil
		}
	case p.role(0) == roleThreshold:
		t.relative = true
		p.i++
		if !p.offset(it, t) {
			return nil
		}
	case c.kind == tTime:
		t.figure = c.time.Seconds()
		p.i++
	case p.metresPerSecond() > 0:
		t.figure, t.in, t.hasIn = c.number, metresPerSecond, true
		p.i += 2
	case c.kind == tBad:
		p.wrong(it, p.i, "%s", c.text)
		return nil
	case c.kind == tNumber && p.peek(1).is("%"):
		p.wrong(it, p.i, "a share of a pace means different things: write seconds beside the threshold, as in at threshold+5")
		return nil
	case c.kind == tNumber && p.timeUnit(1) > 0:
		d := p.time(it, before)
		t.figure = d.time.Seconds()
		if r := p.role(0); r == roleFaster || r == roleSlower { // 2 s faster than threshold
			p.i++
			p.fill()
			if p.role(0) != roleThreshold || t.figure > mostOffset {
				p.wrong(it, p.i-1, "than what? Write at threshold-2, or at threshold+5")
				return nil
			}
			p.i++
			if t.relative = true; r == roleFaster {
				t.figure = -t.figure
			}
		}
	case c.kind == tNumber:
		p.wrong(it, p.i, "%s", bareTime(before, c))
		return nil
	case c.kind == tWord && p.role(0) == noRole:
		p.unknown(it, true)
		return nil
	default:
		p.wrong(it, max(p.i-1, 0), "a pace is missing behind this, as in %s 1:50 or %s threshold+5", before, before)
		return nil
	}
	if !p.per(it, t) {
		return nil
	}
	t.to = p.i
	return t
}

// offset reads the +4 of threshold+4, the seconds beside a named pace too.
func (p *lineParser) offset(it *item, t *paceText) bool {
	if p.role(0) == rolePace && !(p.peek(1).kind == tTime || p.role(1) == roleThreshold) { // threshold pace
		p.i++
	}
	sign, c := 0.0, p.cur()
	switch {
	case c.is("+") || p.role(0) == rolePlus:
		sign = 1
	case c.is("-") || p.role(0) == roleMinus:
		sign = -1
	}
	next := p.peek(1)
	if sign == 0 {
		return true
	}
	if next.kind == tTime { // threshold + :04
		next.number = next.time.Seconds()
	} else if next.kind != tNumber {
		if next.kind == tBad {
			p.wrong(it, p.i+1, "%s", next.text)
			return false
		}
		if !c.is("+") { // which begins the next set
			p.wrong(it, p.i, "seconds are missing behind this, as in threshold-2; a remark goes in quotes")
		}
		return !it.broken
	}
	if c.is("+") && !c.glued && !next.glued { // threshold + 4, but easy + 4 x 50, and easy + 100 at 1:50
		set := p.peek(2)
		if set.is("x") || p.role(2) == roleTimes || p.role(2) == rolePace || p.role(2) == roleMetre || p.role(2) == roleYard || p.named(2) || p.role(2) == roleThreshold || next.number >= 25 {
			return true
		}
		if next.number >= 10 {
			p.wrong(it, p.i, "seconds beside a pace are written without blanks, as in threshold+4; another set behind ;")
			return false
		}
	}
	t.figure = sign * next.number
	if t.figure < -mostOffset || t.figure > mostOffset || math.Abs(t.figure*1000-math.Round(t.figure*1000)) > 1e-6 {
		p.wrong(it, p.i+1, "seconds beside a pace: allowed are up to %g, with up to three decimals", mostOffset)
		return false
	}
	p.i += 2
	if p.role(0) == roleSecond {
		p.i++
	}
	return true
}

// per reads what a pace is per 100 of, where that is said: /100, /100m, per 100 yd.
func (p *lineParser) per(it *item, t *paceText) bool {
	n := 0
	switch {
	case p.cur().is("/") && p.peek(1).kind == tNumber, p.role(0) == rolePer && p.peek(1).kind == tNumber:
		n = 2
	case p.role(0) == rolePace && !p.paceAfter(1):
		p.i++
		return true
	default:
		return true
	}
	if hundred := p.peek(1); hundred.number != 100 {
		p.wrong(it, p.i+1, "a pace is per 100: write at and the time for 100, or in and the time of one repetition")
		return false
	}
	p.i += n
	unit, given := units.Metre, true
	switch p.role(0) {
	case roleMetre:
	case roleYard:
		unit = units.Yard
	default:
		given = false
	}
	if given {
		p.i++
		if t.relative || t.named != nil || t.in == metresPerSecond {
			return true
		}
		t.in, t.hasIn = per100(unit), true
	}
	return true
}

// paceAfter reports whether a pace stands n tokens on.
func (p *lineParser) paceAfter(n int) bool {
	return p.peek(n).kind == tTime || p.role(n) == roleThreshold || p.named(n)
}
