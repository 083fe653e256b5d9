package schedule

import "slices"

// Sets whose repetitions take turns: odd at one pace, even at another. They come to pairs.

const pairs = "; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)"

// oddOrEven reads "odd at 1:50" or "even at 1:40".
func (p *lineParser) oddOrEven(it *item) bool {
	at, n := p.i, 0
	if p.role(0) == roleEven {
		n = 1
	}
	it.turn = at
	p.i++
	p.fill()
	said := p.role(0) == rolePace
	for p.role(0) == rolePace || p.role(0) == roleFiller {
		p.i++
	}
	if word := p.cur().kind == tWord && p.role(0) == noRole; !word && !p.paceStarts() || !said && p.cur().kind == tTime {
		return p.noTurns(it, at)
	}
	t := p.pace(it, "at")
	if t == nil {
		it.lost = true
		return false
	}
	if it.turns[n] != nil || p.role(0) == roleTo {
		return p.noTurns(it, at)
	}
	it.turns[n] = t
	return true
}

// alternate reads "alternate easy, fast".
func (p *lineParser) alternate(it *item) bool {
	at := p.i
	if it.turn > 0 {
		return p.noTurns(it, at)
	}
	it.turn = at
	p.i++
	for n := range it.turns {
		said := false
		for p.role(0) == rolePace || p.role(0) == roleFiller || n > 0 && (p.cur().is(",") || p.cur().is("/") || p.cur().is("&")) {
			said = said || p.role(0) == rolePace
			p.i++
		}
		if word := p.cur().kind == tWord && p.role(0) == noRole; !word && !p.paceStarts() || !said && n == 0 && p.cur().kind == tTime {
			return p.noTurns(it, at)
		}
		if it.turns[n] = p.pace(it, "at"); it.turns[n] == nil {
			it.lost = true
			return false
		}
	}
	return true
}

func (p *lineParser) noTurns(it *item, at int) bool {
	p.wrong(it, at, "write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim"+pairs)
	it.lost = true
	return false
}

// turning makes the two swims of a pair, each with its rest or in its send-off.
func (b *lineBuilder) turning(it *item) (steps []step) {
	switch {
	case it.turns[0] == nil || it.turns[1] == nil || len(it.extents) != 1:
		b.noTurns(it, it.turn)
	case len(it.counts) == 0 || it.counts[len(it.counts)-1].n%2 != 0:
		b.wrong(it, it.turn, "pairs need an even number of repetitions, as in 8 x 100 odd at 1:50, even at 1:40")
	case it.pace != nil || it.in != nil || it.descend != nil || it.build > 0:
		b.wrong(it, it.turn, "the set has another pace as well: leave one out"+pairs)
	}
	for _, t := range it.turns {
		if it.broken {
			return nil
		}
		one := *it
		one.pace = t
		swim := b.stretches(&one)
		it.broken = one.broken
		if it.on != nil {
			swim = []step{b.sendOff(it, step{at: b.mark(it.from, it.to), steps: swim, repeat: 1, repeats: true})}
		}
		steps = append(steps, swim...)
	}
	return steps
}

// commaLadder reports whether distances follow here behind commas, all for the one pace behind them.
func (p *lineParser) commaLadder(it *item) bool {
	if len(it.counts) > 0 || it.pace != nil || it.in != nil {
		return false
	}
	for n := 0; n < farAhead && p.peek(n).is(",") && p.peek(n+1).kind == tNumber; {
		if n += 2; p.role(n) == roleMetre || p.role(n) == roleYard {
			n++
		}
		for p.role(n) == roleFiller {
			n++
		}
		if p.named(n) || slices.Contains([]role{rolePace, roleThreshold, roleBuild}, p.role(n)) && p.role(n+1) != roleCap {
			return true
		}
	}
	return false
}
