package schedule

import (
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// attribute reads one of the things that follow a distance: pace, rest, send-off, descend, remarks, in any order. It reports whether it has read
// one; where it has not, something is wrong or a new set begins.
func (p *lineParser) attribute(it *item) bool {
	t := p.cur()
	switch t.kind {
	case tBad:
		p.wrong(it, p.i, "%s", t.text)
		return false
	case tNote:
		it.remarks = append(it.remarks, t.text)
		p.i++
		return true
	case tSign:
		return p.sign(it)
	case tNumber, tTime:
		return p.figure(it)
	case tWord:
	default:
		p.wrong(it, p.i, "a name stands at the begin of a line or of a set")
		return false
	}
	if p.named(0) {
		return p.somePaces(it)
	}
	if kind, n := p.kindWords(); n > 0 && kind != "drill" {
		if it.kind == "" {
			it.kind = kind
		}
		p.i += n
		return true
	}
	at := p.i
	switch p.role(0) {
	case rolePace:
		p.i++
		for p.role(0) == rolePace || p.role(0) == roleFiller { // at pace 1:50, at a 1:50 pace
			p.i++
		}
		if p.role(0) == roleCap {
			return p.cap(it)
		}
		return p.somePaces(it)
	case roleBuild:
		p.i++
		if p.role(0) == roleFrom {
			p.i++
		}
		if p.role(0) == roleTo && it.pace != nil && it.second == nil { // at 1:50, building to 1:40
			p.i++
			it.second = p.pace(it, "to")
			return it.second != nil
		}
		if !p.paceStarts() {
			if it.pace != nil && it.second != nil {
				return true
			}
			p.wrong(it, at, "from which pace to which? Write build 1:50 to 1:40, or a remark in quotes, \"build\"")
			return false
		}
		if !p.somePaces(it) {
			return false
		}
		if it.second == nil {
			p.wrong(it, at, "to which pace? Write build 1:50 to 1:40")
			return false
		}
	case roleIn:
		p.i++
		p.fill()
		if it.in != nil {
			p.wrong(it, at, "a second time of a repetition: one is enough")
			return false
		}
		if it.in = p.time(it, "in"); it.in == nil {
			return false
		}
		if p.role(0) == roleTo {
			p.wrong(it, p.i, "in gives one time; two paces are written at 1:50 to 1:40, a set that gets faster descend from 1:50 to 1:40")
			return false
		}
	case roleSendOff:
		return p.sendOff(it)
	case roleRest:
		p.i++
		return p.rest(it, p.i)
	case roleDescend:
		p.i++
		return p.descend(it, at)
	case roleCap:
		return p.cap(it)
	case roleOpen:
		p.wrong(it, at, "open stands in place of a distance or time, as in open at 1:45; or behind rest, as in rest open")
		return false
	case roleDrill, roleRemark:
		p.remark(it)
	case roleThreshold:
		return p.somePaces(it)
	case roleThen:
		return false
	case roleHold:
		p.wrong(it, at, "this can mean two things: write at 1:40 for a pace per 100, in 1:40 for the time of one repetition")
		return false
	case roleFiller:
		p.i++
	case roleFrom:
		p.i++
		if p.paceStarts() && it.pace == nil && p.somePaces(it) && it.second != nil {
			return true
		}
		p.wrong(it, at, "from belongs behind descend or build, as in descend from 1:50 to 1:40")
		return false
	case roleTo:
		p.wrong(it, at, "to stands between two paces, as in at 1:50 to 1:40")
		return false
	case roleMetre, roleYard:
		p.wrong(it, at, "a unit stands behind a distance, as in 400 m")
		return false
	case roleUntold:
		p.wrong(it, at, "write # before what is only to be read")
		return false
	case noRole:
		if t.text == "up" && p.role(1) == roleTo { // open, up to 6:00
			p.i++
			return p.cap(it)
		}
		p.unknown(it)
		return false
	default:
		p.wrong(it, at, "this word does not belong here: a set is written 6 x 100 at 1:50, rest :20")
		return false
	}
	return true
}

func (p *lineParser) fill() {
	for p.role(0) == roleFiller {
		p.i++
	}
}

// named reports whether a pace by its name stands n tokens on.
func (p *lineParser) named(n int) bool {
	return p.peek(n).kind == tWord && p.paces[p.peek(n).text] != nil
}

// paceStarts reports whether a pace stands here.
func (p *lineParser) paceStarts() bool {
	return p.cur().kind == tTime || p.named(0) || p.role(0) == roleThreshold || p.cur().kind == tNumber && p.metresPerSecond() > 0
}

// sign reads what is no word and no number.
func (p *lineParser) sign(it *item) bool {
	t := p.cur()
	switch {
	case t.is(",") || t.is("."):
		p.i++
		next := p.cur()
		if next.is("(") { // the next set
			return false
		}
		if (next.kind == tNumber || next.kind == tTime) && p.newSet() {
			return false
		}
		return true
	case t.is("&"):
		p.i++
		return true
	case t.is("@"):
		return p.atSign(it)
	case t.is("+"):
		return false
	case t.is("="):
		p.wrong(it, p.i, "this means nothing here: totals are worked out; write # before what is only to be read")
	case t.is("/") && (p.role(1) == roleRemark || p.role(1) == roleDrill) && len(it.remarks) > 0: // fly/back
		p.i++
		return true
	case t.is("-") && it.pace != nil && p.peek(1).kind == tTime:
		p.wrong(it, p.i, "two paces are written with to, as in at 1:50 to 1:40")
	case t.is("~"):
		p.wrong(it, p.i, "a flume needs one pace: leave this out")
	case t.is("%"):
		p.wrong(it, p.i, "a share of a pace means different things: write seconds beside the threshold, as in at threshold+5")
	case t.is("("):
		p.wrong(it, p.i, "brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes")
	default:
		p.wrong(it, p.i, "this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes")
	}
	return false
}

// newSet reports whether the number or time here, behind a comma, begins another set.
func (p *lineParser) newSet() bool {
	n := 1
	for p.timeUnit(n) > 0 || p.role(n) == roleMetre || p.role(n) == roleYard || p.role(n) == roleKilometre || p.peek(n).kind == tNumber && p.timeUnit(n+1) > 0 {
		n++
	}
	next := p.peek(n)
	switch r := p.role(n); {
	case next.is("x"), r == roleRounds, r == roleTimes, r == rolePace, r == roleIn, r == roleBuild, r == roleThreshold, p.named(n), next.is("@"):
		return true
	case p.cur().kind == tTime || p.timeUnit(1) > 0:
		return false
	case r == roleRest:
		return n > 1
	}
	return true
}

// figure reads a number or a time that stands without a word before it.
func (p *lineParser) figure(it *item) bool {
	at := p.i
	if v := p.metresPerSecond(); v > 0 {
		return p.somePaces(it)
	}
	if p.cur().kind == tTime && (p.peek(1).is("/") || p.role(1) == rolePer || p.role(1) == rolePace && p.ends(2)) {
		return p.somePaces(it)
	}
	if p.cur().kind == tTime || p.timeUnit(1) > 0 {
		t := p.time(it, "")
		switch p.role(0) {
		case roleRest:
			if next := p.peek(1); next.kind == tTime || next.kind == tNumber && p.timeUnit(2) > 0 { // 1:50 rest :20: which is the rest?
				break
			}
			p.i++
			p.fill()
			return p.setRest(it, at, t)
		case roleFaster:
			p.i++
			p.fill()
			return p.setDescend(it, &descendText{token: at, to: p.i, by: t.time, byToken: at})
		case roleSendOff:
			if p.ends(1) {
				p.i++
				return p.setSendOff(it, at, t)
			}
		}
		clock := clockText(t.time)
		p.wrong(it, at, "what is this time? Write at %s for a pace per 100, in %s for the time of one repetition, on %s for a send-off, or rest %s", clock, clock, clock, clock)
		return false
	}
	switch {
	case p.newSet() && p.i > it.from && (p.peek(1).is("x") || p.role(1) == roleRounds): // the next set, without a comma
		return false
	case p.role(1) == roleRest:
		p.wrong(it, at, "%s", bareTime("rest", p.cur()))
	default:
		p.wrong(it, at, "a number stands alone here: sets are parted by ; and a time is written with a colon, as in :20")
	}
	return false
}

func clockText(d time.Duration) string {
	if d%(100*time.Millisecond) != 0 { // more digits than are usually said
		return fmt.Sprintf("%d:%06.3f", int64(d/time.Minute), (d % time.Minute).Seconds())
	}
	return units.FormatTime(d)
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
		p.unknown(it)
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
		p.wrong(it, at, "a second pace: one is enough, or two as in at 1:50 to 1:40")
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
		p.unknown(it)
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

// sendOff reads "on 1:10", "every 1:10", "leaving every 1:10"; "on :20 rest" is a rest.
func (p *lineParser) sendOff(it *item) bool {
	at := p.i
	for p.role(0) == roleSendOff || p.role(0) == roleFiller {
		p.i++
	}
	t := p.time(it, "on")
	if t == nil {
		return false
	}
	if p.role(0) == roleRest {
		p.i++
		return p.setRest(it, at, t)
	}
	if p.role(0) == roleSendOff && p.ends(1) { // on the 1:10 send-off
		p.i++
	}
	return p.setSendOff(it, at, t)
}

func (p *lineParser) setSendOff(it *item, at int, t *timeText) bool {
	if it.on != nil {
		p.wrong(it, at, "a second send-off: one is enough")
		return false
	}
	it.on = t
	return true
}

// rest reads the rest behind each swim of a set.
func (p *lineParser) rest(it *item, at int) bool {
	p.fill()
	if p.role(0) == roleOpen {
		p.i++
		if it.rest != nil || it.restOpen {
			p.wrong(it, at-1, "a second rest: one is enough; a rest behind the whole set is a line of its own")
			return false
		}
		it.restOpen = true
		return true
	}
	t := p.time(it, "rest")
	if t == nil {
		return false
	}
	p.fill()
	return p.setRest(it, at-1, t)
}

func (p *lineParser) setRest(it *item, at int, t *timeText) bool {
	if it.rest != nil || it.restOpen {
		p.wrong(it, at, "a second rest: one is enough; a rest behind the whole set is a line of its own")
		return false
	}
	it.rest = t
	return true
}

// cap reads "at most 6:00", "max 6:00".
func (p *lineParser) cap(it *item) bool {
	at := p.i
	p.i++
	if it.cap = p.time(it, "at most"); it.cap == nil {
		return false
	}
	if !it.isOpen {
		p.wrong(it, at, "at most belongs to what is open, as in open at 1:45, at most 6:00")
		return false
	}
	return true
}

// remark reads drill, kick, pull and the like; what stands in quotes behind them belongs to them.
func (p *lineParser) remark(it *item) {
	t := p.cur()
	drill := p.role(0) == roleDrill
	p.i++
	if drill {
		it.kind = "drill"
		if p.cur().kind != tNote {
			return
		}
		it.remarks = append(it.remarks, p.cur().text)
		p.i++
		return
	}
	text := t.text
	if p.cur().kind == tNote {
		text += " " + p.cur().text
		p.i++
	}
	it.remarks = append(it.remarks, text)
}

// descend reads what follows the word: 2 s, by 2 s, 1-3, 1-3 from … to …, from … to …, or nothing where two paces stand elsewhere.
func (p *lineParser) descend(it *item, at int) bool {
	d := &descendText{token: at}
	if p.role(0) == roleBy {
		p.i++
	}
	switch {
	case p.cur().kind == tNumber && p.peek(1).is("-") && p.peek(2).kind == tNumber:
		if !p.ranges(it, d) {
			return false
		}
		if p.role(0) == roleBy {
			p.i++
			d.byToken = p.i
			t := p.time(it, "by")
			if t == nil {
				return false
			}
			d.by, d.to = t.time, p.i
			return p.setDescend(it, d)
		}
	case p.cur().kind == tNumber && p.timeUnit(1) > 0, p.cur().kind == tTime && p.role(1) != roleTo:
		d.byToken = p.i
		t := p.time(it, "descend")
		d.by, d.to = t.time, p.i
		p.fill()
		if p.role(0) == rolePer && p.peek(1).kind == tNumber && p.peek(1).number == 100 {
			p.i += 2
		}
		return p.setDescend(it, d)
	case p.cur().kind == tNumber:
		p.wrong(it, p.i, "write descend %s s where each one is that much faster than the one before, or descend 1-%s", p.cur().text, p.cur().text)
		return false
	}
	if p.role(0) == roleFrom {
		p.i++
		if !p.paceStarts() && p.cur().kind != tBad {
			p.wrong(it, p.i-1, "a pace is missing behind this, as in descend from 1:50 to 1:40")
			return false
		}
	}
	if p.paceStarts() {
		if d.from = p.pace(it, "from"); d.from == nil {
			return false
		}
		if p.role(0) != roleTo {
			p.wrong(it, at, "to which pace? Write descend from 1:50 to 1:40")
			return false
		}
		p.i++
		if d.end = p.pace(it, "to"); d.end == nil {
			return false
		}
	}
	d.to = p.i
	return p.setDescend(it, d)
}

// ranges reads 1-3, also 1-3, 4-6, 7-9.
func (p *lineParser) ranges(it *item, d *descendText) bool {
	first := p.i
	for next := 1; p.cur().kind == tNumber && p.peek(1).is("-") && p.peek(2).kind == tNumber; {
		a, b := int(p.cur().number), int(p.peek(2).number)
		if size := b - a + 1; a != next || size < 2 || d.every > 0 && size != d.every || size > maxRepeat {
			p.wrong(it, p.i, "repetitions are counted from 1 in groups of one size: write descend 1-3, or descend 1-3, 4-6")
			return false
		} else {
			d.every, next = size, b+1
		}
		p.i += 3
		if p.cur().is(",") && p.peek(1).kind == tNumber && p.peek(2).is("-") && p.peek(3).kind == tNumber {
			p.i++
		}
	}
	return p.i > first
}

func (p *lineParser) setDescend(it *item, d *descendText) bool {
	if it.descend != nil {
		p.wrong(it, d.token, "a second descend: one is enough")
		return false
	}
	it.descend = d
	return true
}

// snippet is what stands from one token to another, for a problem.
func (p *lineParser) snippet(from, to int) string {
	if to <= from {
		to = from + 1
	}
	s := strings.Join(strings.Fields(p.text[p.tokens[from].from:p.tokens[to-1].to]), " ")
	if rs := []rune(s); len(rs) > 40 {
		return string(rs[:40]) + "…"
	}
	return s
}
