package schedule

import (
	"cmp"
	"math"

	"flume.example/sequencerd/internal/units"
)

// descend reads what follows the word, ascend too: 2 s, by 2 s, 1-3, 1-3 from … to …, from … to …, or nothing where two paces stand elsewhere.
func (p *lineParser) descend(it *item, at int) bool {
	d := &descendText{token: at, slower: p.tokens[at].kind == tWord && roles[p.tokens[at].text] == roleAscend}
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
		n := p.cur().text
		p.wrong(it, p.i, "write %s %s s where each one is that much %s than the one before, or %s 1-%s", d.word(), n, d.than(), d.word(), n)
		return false
	}
	if p.role(0) == roleFrom {
		p.i++
		if !p.paceStarts() && p.cur().kind != tBad {
			p.wrong(it, p.i-1, "a pace is missing behind this, as in %s", d.example())
			return false
		}
	}
	if p.paceStarts() {
		if d.from = p.pace(it, "from"); d.from == nil {
			return false
		}
		if p.role(0) != roleTo {
			p.wrong(it, at, "to which pace? Write %s", d.example())
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
			p.wrong(it, p.i, "repetitions are counted from 1 in groups of one size: write %s 1-3, or %s 1-3, 4-6", d.word(), d.word())
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
		p.wrong(it, d.token, "a second descend or ascend: one is enough")
		return false
	}
	it.descend = d
	return true
}

func (d *descendText) word() string {
	if d.slower {
		return "ascend"
	}
	return "descend"
}

func (d *descendText) than() string {
	if d.slower {
		return "slower"
	}
	return "faster"
}

func (d *descendText) example() string {
	if d.slower {
		return "ascend from 1:40 to 1:50"
	}
	return "descend from 1:50 to 1:40"
}

// descending makes the rounds of a group faster one by one, or slower.
func (b *lineBuilder) descending(it *item, g step) step {
	d, total := it.descend, g.repeat
	if len(it.counts) == 0 || total < 2 {
		b.wrong(it, d.token, "%s belongs to two or more repetitions, as in 6 x 100 at 1:50 %s 2 s", d.word(), d.word())
		return g
	}
	if d.every > 0 && total%d.every != 0 {
		b.wrong(it, d.token, "%d repetitions do not make whole groups of %d", total, d.every)
		return g
	}
	n := cmp.Or(d.every, total)
	g.descendAt = b.mark(d.token, max(d.to, d.token+1))
	g.descendUnit = b.session.Unit
	st := &g.steps[0]
	if st.extent == ByDistance && it.items == nil {
		g.descendUnit = st.unit
	}
	last := d.end
	if d.from == nil && d.by == 0 {
		last = it.second
	}
	switch {
	case d.by > 0:
		g.descendOwn = float64(d.by) / 1e9 // not Seconds, which adds two parts: 1.852 s would not be what is written
		if it.in != nil {
			g.descendOwn = math.Round(g.descendOwn*100/st.written*1000) / 1000
			g.descendIn = true
		}
		if g.descendSpan = b.span(d.byToken, d.to); d.slower {
			g.descendOwn = -g.descendOwn
		}
	case last == nil:
		b.wrong(it, d.token, "by how much? Write %s 2 s, or %s", d.word(), d.example())
		return g
	case it.items != nil:
		b.wrong(it, d.token, "from and to belong to repetitions of one swim; rounds of several go by seconds, as in %s 2 s", d.word())
		return g
	default:
		faster, ok := b.descent(it, st, last)
		if !ok {
			return g
		}
		g.descendOwn, g.descendUnit = faster/float64(n-1), st.from.in.unit()
	}
	g.descend = g.descendOwn * (b.session.Unit.Metres() / g.descendUnit.Metres())
	if by := math.Abs(g.descend); !(by > 0 && by <= mostDescend) {
		b.wrong(it, d.token, "each one comes to %.4g seconds per 100 %s: allowed is more than 0, at most %g", by, d.than(), mostDescend)
	}
	if d.by > 0 && d.every == 0 {
		return g
	}
	at, spot := g.repeatAt, g.repeatSpan
	g.repeat, g.repeatSpan = n, span{}
	if n == total {
		return g
	}
	return step{at: g.at, steps: []step{g}, repeat: total / n, repeats: true, repeatAt: at, repeatSpan: spot, repeatPer: n}
}

// descent is how many seconds per 100 of its own unit a pace is faster than that of the first swim; negative for slower.
func (b *lineBuilder) descent(it *item, first *step, last *paceText) (faster float64, ok bool) {
	from, to := first.from, b.pace(it, last, b.unitOf(first), first.unitSaid)
	if from.relative != to.relative || from.in != to.in || from.in == metresPerSecond {
		b.wrong(it, last.token, "both paces of a descend or ascend are of one kind: both beside the threshold, or both times per 100 of one unit")
		return 0, false
	}
	if faster = from.own - to.own; faster == 0 || it.descend.slower != (faster < 0) {
		b.wrong(it, last.token, "%s", map[bool]string{
			false: "descend goes from slower to faster: the second pace has to be the faster one; the other way round write ascend",
			true:  "ascend goes from faster to slower: the second pace has to be the slower one; the other way round write descend",
		}[it.descend.slower])
		return 0, false
	}
	return faster, true
}

// stairs gives swims of different lengths their paces, in equal steps from the first to the last.
func (b *lineBuilder) stairs(it *item, steps []step) {
	var swims []*step
	for i := range steps {
		if !steps[i].rest {
			swims = append(swims, &steps[i])
		}
	}
	last := cmp.Or(it.descend.end, it.second)
	faster, ok := b.descent(it, swims[0], last)
	for i, st := range swims {
		if first := swims[0].from; ok {
			st.from = newPace(math.Round((first.own-faster*float64(i)/float64(len(swims)-1))*1000)/1000, first.relative, first.in, b.session.Unit)
			st.to, st.paceAt = st.from, b.mark(it.descend.token, max(it.descend.to, it.descend.token+1))
		}
	}
}

// unitOf is what the figures of a swim count in.
func (b *lineBuilder) unitOf(st *step) units.Unit {
	if st.extent == ByDistance {
		return st.unit
	}
	return b.session.Unit
}
