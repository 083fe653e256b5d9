package schedule

import (
	"fmt"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// extents reads a distance, a time, or a ladder of them. A time before "rest" makes a rest of it.
func (p *lineParser) extents(it *item) {
	commas := false
	for {
		e := extent{token: p.i}
		switch {
		case p.cur().kind == tTime || p.timeUnit(1) > 0:
			t := p.time(it, "")
			if t == nil {
				return
			}
			e.time = t.time
		default:
			e.distance = p.cur().number
			p.i++
			switch p.role(0) {
			case roleMetre:
				e.hasUnit, e.unit = true, units.Metre
			case roleYard:
				e.hasUnit, e.unit = true, units.Yard
			case roleKilometre:
				e.hasUnit, e.unit, e.distance = true, units.Metre, e.distance*1000
			}
			if e.hasUnit {
				p.i++
			} else if t := p.cur(); t.glued && t.kind == tWord && t.text == "k" {
				say := fmt.Sprintf("write the whole number: %g", e.distance*1000)
				if e.distance >= 25 {
					say += fmt.Sprintf("; or, for kick, %g kick", e.distance)
				}
				p.wrong(it, p.i, "%s", say)
				return
			}
		}
		e.to = p.i
		it.extents = append(it.extents, e)
		if len(it.extents) == 1 {
			commas = e.time == 0 && p.commaLadder(it)
		}
		next := p.peek(1)
		if !(p.cur().is("-") || p.cur().is("/") || commas && p.cur().is(",")) || next.kind != tNumber && next.kind != tTime {
			break
		}
		if p.i++; len(it.extents) == maxBlocks {
			p.wrong(it, p.i, "a session has at most %d blocks", maxBlocks)
			return
		}
	}
	for i := len(it.extents) - 1; i > 0; i-- { // 50-100-150 m
		if a, b := &it.extents[i-1], it.extents[i]; b.hasUnit && !a.hasUnit && a.time == 0 {
			a.hasUnit, a.unit = true, b.unit
		}
	}
	if p.role(0) != roleRest || len(it.extents) != 1 {
		return
	}
	if e := it.extents[0]; e.time > 0 {
		it.isRest, it.rest = true, &timeText{e.token, e.to, e.time}
		it.extents = nil
		p.i++
	} else if !e.hasUnit && len(it.counts) == 0 && p.ends(1) {
		p.wrong(it, e.token, "%s", bareTime("rest", p.tokens[e.token]))
	}
}

// ends reports whether a set or a part of it ends n tokens on.
func (p *lineParser) ends(n int) bool {
	t := p.peek(n)
	return t.kind == tEnd || t.kind == tNewline || t.is(";") || t.is(")") || t.is(",") || t.is(".")
}

func (p *lineParser) timeUnit(n int) time.Duration {
	switch p.role(n) {
	case roleSecond:
		return time.Second
	case roleMinute:
		return time.Minute
	case roleHour:
		return time.Hour
	}
	return 0
}

// restItem reads what follows a rest that stands for itself.
func (p *lineParser) restItem(it *item) {
	it.isRest = true
	for p.role(0) == roleFiller {
		p.i++
	}
	if p.role(0) == roleOpen {
		it.isOpen = true
		p.i++
		return
	}
	it.rest = p.time(it, "rest")
}

// time reads a time: 1:10, :20, 20 s, 1 min 30 s. The word before it is for what is said where it is none.
func (p *lineParser) time(it *item, before string) *timeText {
	t := &timeText{token: p.i}
	for {
		c := p.cur()
		if c.kind == tTime && t.to == 0 {
			t.time = c.time
			p.i++
			t.to = p.i
			return t
		}
		unit := p.timeUnit(1)
		if c.kind != tNumber || unit == 0 {
			break
		}
		t.time += time.Duration(c.number*float64(unit/time.Millisecond)+0.5) * time.Millisecond
		p.i += 2
		t.to = p.i
	}
	if t.to > 0 {
		return t
	}
	switch c := p.cur(); {
	case c.kind == tBad:
		p.wrong(it, p.i, "%s", c.text)
	case c.kind == tNumber && p.role(1) == roleMetre && p.peek(1).text == "m":
		p.wrong(it, p.i, "m means metres: for minutes write %s %s", before, units.FormatTime(time.Duration(c.number*60)*time.Second))
	case c.kind == tNumber:
		p.wrong(it, p.i, "%s", bareTime(before, c))
	case before == "rest":
		p.wrong(it, max(p.i-1, 0), "a time is missing behind this, as in rest 1:10 or rest :20; rest open is a rest until somebody says on")
	default:
		p.wrong(it, max(p.i-1, 0), "a time is missing behind this, as in %s 1:10 or %s :20", before, before)
	}
	return nil
}

// bareTime says what to write for a number that should be a time.
func bareTime(before string, t token) string {
	n := t.number
	if whole, frac, _ := strings.Cut(t.text, "."); len(frac) == 2 && frac < "60" && n < 20 { // 1.40
		return fmt.Sprintf("a time is written with a colon: write %s %s:%s", before, whole, frac)
	}
	seconds := units.FormatTime(time.Duration(n*1000) * time.Millisecond)
	if n < 60 {
		seconds = strings.TrimPrefix(seconds, "0")
	}
	minutes := units.FormatTime(time.Duration(n*60*1000) * time.Millisecond)
	return fmt.Sprintf("minutes or seconds? Write %s %s or %s %s", before, seconds, before, minutes)
}
