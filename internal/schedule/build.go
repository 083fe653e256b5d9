package schedule

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// item makes the steps of one item; around is the item in whose brackets it stands.
func (b *lineBuilder) item(it, around *item, depth int) []step {
	if it.broken {
		b.lacking(it, around)
		return nil
	}
	if depth > maxDepth {
		b.wrong(it, it.from, "sets stand in each other %d deep: allowed are %d", depth, maxDepth)
		return nil
	}
	if around != nil && it.turn == 0 && it.pace == nil && it.in == nil && (it.descend == nil || it.descend.from == nil) {
		it.pace, it.second = around.pace, around.second
	}
	note := strings.Join(it.remarks, ", ")
	if len([]rune(note)) > maxText {
		b.wrong(it, it.from, "all remarks of a set together have at most %d characters", maxText)
	}
	if it.isRest {
		return b.loneRest(it, note)
	}
	grouped := len(it.counts) > 0 || it.on != nil || it.items != nil
	inner := depth
	if grouped {
		inner += max(len(it.counts), 1)
		if it.descend != nil && it.descend.every > 0 && len(it.counts) > 0 && it.descend.every < it.counts[len(it.counts)-1].n {
			inner++
		}
	}
	if it.turn > 0 && it.on != nil {
		inner++
	}
	if inner > maxDepth {
		b.wrong(it, it.from, "sets stand in each other %d deep: allowed are %d", inner, maxDepth)
		return nil
	}
	var steps []step
	if it.turn > 0 && it.items != nil {
		b.noTurns(it, it.turn)
		return nil
	}
	if it.items != nil {
		for _, kid := range it.items {
			steps = append(steps, b.item(kid, it, inner)...)
		}
		b.noneOf(it, it.in, "in", "belongs to one distance, not to brackets")
	}
	switch {
	case it.turn > 0:
		steps = b.turning(it)
	case it.items == nil:
		steps = b.stretches(it)
	}
	if it.broken || len(steps) == 0 {
		return nil
	}
	if it.items != nil {
		steps = append(steps, b.restBehind(it)...)
	}
	if !grouped {
		if it.descend != nil && len(it.extents) < 2 {
			b.wrong(it, it.descend.token, "%s belongs to repetitions, as in 6 x 100 at 1:50 %s 2 s; within one swim write build 1:50 to 1:40", it.descend.word(), it.descend.word())
			return nil
		}
		for i := range steps {
			steps[i].kind = it.kind
			if !steps[i].rest {
				steps[i].name, steps[i].note = it.name, note
			}
		}
		return steps
	}
	return b.groups(it, steps, note)
}

func (b *lineBuilder) noneOf(it *item, t *timeText, word, why string) {
	if t != nil {
		b.wrong(it, t.token, "%s %s", word, why)
	}
}

// loneRest makes the step of a rest that stands for itself.
func (b *lineBuilder) loneRest(it *item, note string) []step {
	switch {
	case len(it.counts) > 0:
		b.wrong(it, it.counts[0].token, "a rest alone is not repeated: write one time, or put it into the set, as in 6 x 100 at 1:50, rest :20")
	case it.pace != nil && it.pace.token >= it.from && it.pace.token < it.to:
		b.wrong(it, it.pace.token, "a rest has no pace: the water comes to rest")
	case it.on != nil:
		b.wrong(it, it.on.token, "a rest has no send-off: give the set one")
	case it.in != nil:
		b.wrong(it, it.in.token, "a rest has no pace: the water comes to rest")
	case it.descend != nil:
		b.wrong(it, it.descend.token, "a rest has no pace: the water comes to rest")
	}
	if it.broken {
		return nil
	}
	st := step{at: b.mark(it.from, it.to), name: cmp.Or(it.name, "Rest"), kind: it.kind, note: note, rest: true}
	if it.isOpen {
		st.extent = Open
		b.open(it, &st)
	} else {
		st.time = b.duration(it, it.rest, leastTime)
		st.extentAt = b.span(it.rest.token, it.rest.to)
	}
	if it.broken {
		return nil
	}
	return []step{st}
}

func (b *lineBuilder) open(it *item, st *step) {
	st.time = OpenPlan
	if it.cap != nil {
		st.capped = true
		st.time = b.duration(it, it.cap, leastTime)
		st.extentAt = b.span(it.cap.token, it.cap.to)
	}
}

// duration is a time of at least so much, at most 12 h.
func (b *lineBuilder) duration(it *item, t *timeText, least time.Duration) time.Duration {
	if t.time < least || t.time > mostTime {
		b.wrong(it, t.token, "allowed is %s to %s", units.FormatTime(least), units.FormatTime(mostTime))
	}
	return t.time
}

// restBehind is the rest behind each swim, or each round; nothing where there is none.
func (b *lineBuilder) restBehind(it *item) []step {
	switch {
	case it.restOpen:
		return []step{{at: b.mark(it.from, it.to), name: "Rest", rest: true, extent: Open, time: OpenPlan}}
	case it.rest != nil:
		return []step{{at: b.mark(it.rest.token, it.rest.to), name: "Rest", rest: true, time: b.duration(it, it.rest, leastTime), extentAt: b.span(it.rest.token, it.rest.to)}}
	}
	return nil
}

// stretches makes the swims of one round of an item without brackets, each with its rest.
func (b *lineBuilder) stretches(it *item) (steps []step) {
	extents := it.extents
	if it.isOpen {
		extents = []extent{{token: it.from, to: it.from + 1}}
	}
	ladder := len(extents) > 1
	if ladder && it.on != nil {
		b.wrong(it, it.on.token, "one send-off does not fit swims of different lengths: give them rests, or write each as 1 x 50 on 1:00 at 1:50")
	}
	if d := it.descend; ladder && d != nil && (len(it.counts) > 0 || d.by > 0 || d.every > 0) {
		b.wrong(it, d.token, "swims of different lengths take two paces, first and last, as in 50-100-150 %s", d.example())
	}
	for _, e := range extents {
		st := step{at: b.mark(e.token, e.to), extentAt: b.span(e.token, e.to)}
		unit := b.session.Unit
		switch {
		case it.isOpen:
			st.extent = Open
			b.open(it, &st)
		case e.time > 0 || e.distance == 0 && b.tokens[e.token].kind == tTime:
			st.time = b.duration(it, &timeText{e.token, e.to, e.time}, leastTime)
		default:
			if st.unitSaid = e.hasUnit; e.hasUnit {
				unit = e.unit
			}
			st.suffix = b.text[b.tokens[e.token].to:b.tokens[e.to-1].to]
			if strings.EqualFold(strings.TrimSpace(st.suffix), "km") {
				st.suffix = " m"
			}
			st.extent, st.written, st.unit, st.distance = ByDistance, e.distance, unit, units.Of(e.distance, unit)
			if !(e.distance > 0) || st.distance.Metres() > mostMetres {
				b.wrong(it, e.token, "a distance is more than 0, at most 100 km")
			}
		}
		if it.broken {
			return nil
		}
		if !b.speed(it, &st, e, unit) {
			return nil
		}
		steps = append(append(steps, st), b.restBehind(it)...)
	}
	if ladder && it.descend != nil {
		b.stairs(it, steps)
	}
	return steps
}

// speed finds the pace of a swim.
func (b *lineBuilder) speed(it *item, st *step, e extent, unit units.Unit) bool {
	first, second := it.pace, it.second
	if d := it.descend; d != nil && d.from != nil {
		if first != nil || it.in != nil {
			b.wrong(it, d.token, "two paces stand in this set: leave one out, at or from")
			return false
		}
		first, second = d.from, nil
	} else if d != nil && d.by == 0 && second != nil { // at 1:50 to 1:40, descend 1-3: the two belong to descend
		second = nil
	}
	switch {
	case it.build > 0 && second == nil:
		b.wrong(it, it.build, "from which pace to which? Write build 1:50 to 1:40")
	case it.descend != nil && it.descend.from == nil && it.descend.by == 0 && (first == nil || it.second == nil):
		b.wrong(it, it.descend.token, "by how much? Write %s 2 s beside a pace, or %s", it.descend.word(), it.descend.example())
	case first != nil && it.in != nil && first.token >= it.from && first.token < it.to:
		b.wrong(it, it.in.token, "in and at both give the pace: leave one out")
	case it.in != nil && st.extent != ByDistance:
		b.wrong(it, it.in.token, "in belongs to a distance: write at and a pace per 100")
	case it.in != nil && len(it.extents) > 1:
		b.wrong(it, it.in.token, "one time does not fit distances of different lengths: write at and a pace per 100")
	case it.in != nil:
		own := math.Floor(it.in.time.Seconds()*100/st.written*1000+1e-6) / 1000 // never longer than the time that is given
		st.from = newPace(own, false, per100(unit), b.session.Unit)
		st.to, st.paceAt, st.inAt = st.from, b.mark(it.in.token, it.in.to), b.span(it.in.token, it.in.to)
		b.inRange(it, it.in.token, st.from)
		b.session.paces = append(b.session.paces, paceSpot{at: st.inAt, from: st.from, to: st.from, form: inTime, count: st.written, said: e.hasUnit})
	case first == nil:
		b.missing(it, e)
	default:
		st.from = b.pace(it, first, unit, st.unitSaid)
		st.to, st.paceAt = st.from, b.mark(first.token, first.to)
		if second != nil {
			st.to = b.pace(it, second, unit, st.unitSaid)
			st.paceAt = b.mark(first.token, second.to)
		}
	}
	return !it.broken
}

// missing says that a pace is missing, and what can be written.
func (b *lineBuilder) missing(it *item, e extent) {
	b.wrong(it, e.token, "%s", b.lacks(it, e))
}

// lacking says that a pace is missing in a set whose times are wrong already.
func (b *lineBuilder) lacking(it, around *item) {
	if !it.failed || it.unsure || it.isRest || len(it.extents) == 0 || it.pace != nil || it.in != nil || it.turn > 0 || it.descend != nil && it.descend.from != nil ||
		around != nil && (around.pace != nil || around.descend != nil) {
		return
	}
	b.problem(it.extents[0].token, "%s", b.lacks(it, it.extents[0]))
}

func (b *lineBuilder) lacks(it *item, e extent) string {
	what := b.snippet(e.token, e.to)
	say := fmt.Sprintf(`a pace is missing: write "%s at 1:50" or "%s at threshold+5"`, what, what)
	if e.distance > 0 && it.on != nil {
		say += `, or "in" and the time of one; on is when the next one starts`
	} else if e.distance > 0 {
		say += fmt.Sprintf(`, or "%s in" and its time`, what)
	}
	if list := b.list(it, e); list != "" {
		say += fmt.Sprintf("; distances that share a pace are written %s at 1:50", list)
	}
	return say
}

// list is what follows a distance behind commas, as a ladder; empty for none.
func (b *lineBuilder) list(it *item, e extent) string {
	list := b.snippet(e.token, e.to)
	n := e.to
	if e.token > 0 && b.tokens[e.token-1].is(",") { // it has been said of the first
		return ""
	}
	for ; n+2 < len(b.tokens) && n < e.to+farAhead && len(it.counts) == 0 && b.tokens[n].is(",") && b.tokens[n+1].kind == tNumber && !b.tokens[n+2].is("x"); n += 2 {
		list += "-" + b.tokens[n+1].text
	}
	if n == e.to {
		return ""
	}
	return list
}

// pace works a written pace out for a set that counts in unit.
func (b *lineBuilder) pace(it *item, t *paceText, unit units.Unit, said bool) pace {
	u := b.session.Unit
	in := per100(unit)
	if t.hasIn {
		in = t.in
	}
	var p pace
	switch {
	case t.named == nil:
		p = newPace(t.figure, t.relative, in, u)
	case t.figure == 0 && (!t.named.pace.relative || t.named.pace.in == in):
		p = t.named.pace
	case t.named.pace.in == metresPerSecond:
		b.wrong(it, t.token, "seconds cannot stand beside a speed in m/s")
		return p
	default: // seconds beside it count in this set's unit
		own := t.named.pace.own * (unit.Metres() / t.named.pace.in.unit().Metres())
		p = newPace(math.Round((own+t.figure)*1000)/1000, t.named.pace.relative, in, u)
	}
	b.inRange(it, t.token, p)
	if t.named == nil || !t.named.given {
		spot := paceSpot{at: b.span(t.token, t.to), from: p, to: p, form: paceWord, said: said || t.hasIn}
		if first := b.tokens[t.token]; first.kind == tTime {
			spot.suffix = b.text[first.to:b.tokens[t.to-1].to]
		}
		b.session.paces = append(b.session.paces, spot)
	}
	return p
}

func (b *lineBuilder) inRange(it *item, token int, p pace) {
	u := b.session.Unit
	switch {
	case p.relative && math.Abs(p.seconds) > mostOffset+1e-6:
		b.wrong(it, token, "allowed is threshold-%g to threshold+%g, in seconds per 100 %s", mostOffset, mostOffset, u)
	case p.in == metresPerSecond && !(p.own > stillMPS && p.own <= fastestMPS):
		b.wrong(it, token, "allowed is more than %g, at most %g m/s", stillMPS, fastestMPS)
	case !p.relative && p.in != metresPerSecond && !(p.seconds >= fastestPace && p.seconds <= slowestPace):
		b.wrong(it, token, "as a pace this is %s per 100 %s: allowed is %s", units.PacePer100(p.seconds, u).Clock(), u, paceRange(u))
	}
}

// groups puts the steps of one round into their groups, from the inside out.
func (b *lineBuilder) groups(it *item, steps []step, note string) []step {
	g := step{at: b.mark(it.from, it.to), steps: steps, repeat: 1, repeats: true}
	rounds := it.counts
	if len(rounds) > 0 {
		last := rounds[len(rounds)-1]
		rounds = rounds[:len(rounds)-1]
		g.repeat, g.repeatAt = last.n, b.mark(last.token, last.token+2)
		g.repeatSpan, g.repeatPer = b.span(last.token, last.token+1), 1
	}
	switch {
	case it.turn > 0:
		g.repeat, g.repeatPer = g.repeat/2, 2
	case it.on != nil:
		g = b.sendOff(it, g)
	}
	if it.descend != nil {
		g = b.descending(it, g)
	}
	if it.broken {
		return nil
	}
	for i := len(rounds) - 1; i >= 0; i-- {
		g = step{at: g.at, steps: []step{g}, repeat: rounds[i].n, repeats: true, repeatAt: b.mark(rounds[i].token, rounds[i].token+2),
			repeatSpan: b.span(rounds[i].token, rounds[i].token+1), repeatPer: 1}
	}
	g.name, g.kind, g.note = it.name, it.kind, note
	return []step{g}
}

// sendOff gives a group the send-off of its set.
func (b *lineBuilder) sendOff(it *item, g step) step {
	g.sendOff = b.duration(it, it.on, leastSendOff)
	g.sendOffAt, g.sendOffSpan = b.mark(it.on.token, it.on.to), b.span(it.on.token, it.on.to)
	g.sendOffAt.text = "on " + g.sendOffAt.text
	return g
}
