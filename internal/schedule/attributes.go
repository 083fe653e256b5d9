package schedule

import (
	"cmp"
	"fmt"
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
		if p.role(0) == roleFrom || p.role(0) == rolePace {
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
			p.wrong(it, at, "from which pace to which? Write build 1:50 to 1:40")
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
	case roleDescend, roleAscend:
		p.i++
		return p.descend(it, at)
	case roleOdd, roleEven:
		return p.oddOrEven(it)
	case roleAlternate:
		return p.alternate(it)
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
		if n := len(it.counts); n > 0 && it.counts[n-1].n > 1 && it.descend == nil { // 7 x 200 from 1:40 to 1:16: from one to the next; within each is at 1:40 to 1:16
			if p.i++; p.paceStarts() && it.pace == nil {
				p.i = at
				return p.descend(it, at)
			}
		} else if p.i++; p.paceStarts() && it.pace == nil && p.somePaces(it) && it.second != nil {
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
		p.unknown(it, false)
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
		case roleFaster, roleSlower:
			slower := p.role(0) == roleSlower
			p.i++
			p.fill()
			return p.setDescend(it, &descendText{token: at, to: p.i, by: t.time, byToken: at, slower: slower})
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

// sendOff reads "on 1:10", "every 1:10", "leaving every 1:10"; "on :20 rest" is a rest.
func (p *lineParser) sendOff(it *item) bool {
	at := p.i
	for p.role(0) == roleSendOff || p.role(0) == roleFiller {
		p.i++
	}
	t := p.time(it, "on")
	if t == nil {
		return p.overlook(it, &it.on)
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
		return p.overlook(it, &it.rest)
	}
	p.fill()
	return p.setRest(it, at-1, t)
}

// overlook reads on behind a number that is no time: what it should be is known, and has been told.
func (p *lineParser) overlook(it *item, t **timeText) bool {
	if p.cur().kind != tNumber || *t != nil {
		return false
	}
	*t = &timeText{token: p.i, to: p.i + 1}
	it.broken, it.failed = false, true
	if p.i++; p.role(0) == roleMetre {
		p.i++
	}
	return true
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
		if it.kind != "" && it.kind != "drill" && it.name == "" { // Warm-up: 400 easy drill
			it.name = kindName(it.kind)
		}
		it.kind, it.drill = "drill", true
		if p.cur().kind != tNote {
			return
		}
		it.remarks = append(it.remarks, p.cur().text)
		p.i++
		return
	}
	text := cmp.Or(shortened[t.text], strings.ToValidUTF8(p.text[t.from:t.to], ""))
	if strings.ContainsFunc(text, unseen) {
		text = t.text
	}
	if p.cur().kind == tNote {
		text += " " + p.cur().text
		p.i++
	}
	it.remarks = append(it.remarks, text)
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
