package schedule

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
