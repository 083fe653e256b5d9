package schedule

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Written back: the same steps as [[step]] tables and as lines. Figures are written to the last digit, so that reading them gives the same steps.

// stepsText writes steps as tables under headers, "step" for those of the session itself.
func (s *Session) stepsText(steps []step, header, indent string) string {
	var b strings.Builder
	for i := range steps {
		st := &steps[i]
		if i > 0 || indent != "" {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "%s[[%s]]\n", indent, header)
		key := func(name, format string, args ...any) {
			fmt.Fprintf(&b, "%s%s = %s\n", indent, name, fmt.Sprintf(format, args...))
		}
		for _, k := range []struct{ name, text string }{{"name", st.name}, {"kind", st.kind}, {"note", st.note}} {
			if k.text != "" {
				key(k.name, "%s", strconv.Quote(k.text))
			}
		}
		if len(st.steps) > 0 {
			if st.repeats {
				key("repeat", "%d", st.repeat)
			}
			if st.sendOff > 0 {
				key("send_off", "%q", exactTime(st.sendOff))
			}
			switch {
			case st.descend > 0:
				key("descend_s", "%s", exactNumber(st.descend))
			case st.descend < 0:
				key("ascend_s", "%s", exactNumber(-st.descend))
			}
			b.WriteString(s.stepsText(st.steps, header+".step", indent+"  "))
			continue
		}
		switch {
		case st.rest && st.extent == Open:
			key("rest", `"open"`)
		case st.rest:
			key("rest", "%q", exactTime(st.time))
		case st.extent == Open:
			key("open", "true")
		case st.extent == ByTime:
			key("time", "%q", exactTime(st.time))
		case st.unit == s.Unit:
			key("distance", "%s", exactNumber(st.written))
		default:
			key("distance", "%s", exactNumber(st.distance.In(s.Unit)))
		}
		if st.capped {
			key("cap", "%q", exactTime(st.time))
		}
		switch {
		case st.rest:
		case st.from.in == metresPerSecond && st.from == st.to:
			key("speed_mps", "%s", exactNumber(st.from.own))
		default:
			key("pace", "%q", s.pacesText(st.from, st.to))
		}
	}
	return b.String()
}

// pacesText is what stands behind pace = in a [[step]].
func (s *Session) pacesText(from, to pace) string {
	if from == to {
		return s.paceText(from)
	}
	return s.paceText(from) + " to " + s.paceText(to)
}

// paceText is a pace for a [[step]], where seconds beside the threshold count in the session's unit and there is no m/s.
func (s *Session) paceText(p pace) string {
	if p.in == metresPerSecond || p.relative && p.in != per100(s.Unit) {
		p.own, p.in = p.seconds, per100(s.Unit)
	}
	return paceIn(p, s.Unit)
}

// paceIn writes a pace where a bare one is per 100 of u.
func paceIn(p pace, u units.Unit) string {
	switch {
	case p.in == metresPerSecond:
		return exactNumber(p.own) + " m/s"
	case p.relative && p.own == 0:
		return "threshold"
	case p.relative:
		sign := "+"
		if p.own < 0 {
			sign = ""
		}
		return "threshold" + sign + exactNumber(math.Round(p.own*1000)/1000)
	case p.in != per100(u):
		return exactSeconds(p.own) + "/100" + p.in.unit().String()
	}
	return exactSeconds(p.own)
}

func exactNumber(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }

// exactSeconds is a time to the thousandth, which is as far as a session file goes.
func exactSeconds(s float64) string {
	return exactTime(time.Duration(math.Round(s*1000)) * time.Millisecond)
}

func exactTime(d time.Duration) string {
	whole := units.FormatTimeWhole(d.Truncate(time.Second))
	if ms := d % time.Second / time.Millisecond; ms > 0 {
		return whole + strings.TrimRight(fmt.Sprintf(".%03d", ms), "0")
	}
	return whole
}

// lineText writes a step as a line, or as a part of one in brackets. around is what a name is taken from where a step has none.
func (s *Session) lineText(st *step, around string) string {
	label := ""
	if st.kind != "" {
		label = kindName(st.kind) + ": "
	}
	name := st.name
	if st.rest {
		if name = cmp.Or(name, around, kindName(st.kind), "Rest"); name == "Rest" {
			name = ""
		}
	}
	if name != "" {
		label += name + ": "
	}
	text := label
	switch {
	case len(st.steps) > 0:
		text += s.groupText(st, cmp.Or(st.name, around, kindName(st.kind)))
	case st.rest && st.extent == Open:
		text += "rest open"
	case st.rest:
		text += "rest " + exactTime(st.time)
	default:
		text += s.swimText(st)
	}
	if st.capped {
		text += ", at most " + exactTime(st.time)
	}
	if st.note != "" {
		text += ` "` + st.note + `"`
	}
	return text
}

// swimText is a swim without what is said about it: 400 at 1:50.
func (s *Session) swimText(st *step) string {
	unit, text := s.Unit, ""
	switch st.extent {
	case Open:
		text = "open"
	case ByTime:
		text = exactTime(st.time)
	default:
		unit = st.unit
		text = exactNumber(st.written)
		if unit != s.Unit {
			text += " " + unit.String()
		}
	}
	text += " at " + paceIn(st.from, unit)
	if st.from != st.to {
		text += " to " + paceIn(st.to, unit)
	}
	return text
}

// groupText is a set: in brackets where it is more than one swim with its rest.
func (s *Session) groupText(st *step, around string) string {
	text := fmt.Sprintf("%d x ", st.repeat)
	first := &st.steps[0]
	unit := s.Unit
	if first.extent == ByDistance {
		unit = first.unit
	}
	own := math.Round(st.descendOwn*1000) / 1000
	bare := plain(st) && !(st.descend != 0 && own == st.descendOwn && st.descendUnit == s.Unit && unit != s.Unit) // what descends in brackets counts in the session's unit
	if bare {
		text += s.swimText(first)
		if len(st.steps) == 2 {
			text += ", " + s.lineText(&st.steps[1], "")
		}
	} else {
		parts := make([]string, len(st.steps))
		for i := range st.steps {
			parts[i] = s.lineText(&st.steps[i], around)
		}
		text += "(" + strings.Join(parts, "; ") + ")"
	}
	if st.sendOff > 0 {
		text += ", on " + exactTime(st.sendOff)
	}
	word := "descend "
	if st.descend < 0 {
		word = "ascend "
	}
	switch {
	case st.descend == 0:
	case own == st.descendOwn && st.descendUnit == unit || !bare:
		text += " " + word + exactNumber(math.Abs(st.descendOwn)) + " s"
	default:
		last := first.from
		last.own = math.Round((last.own-float64(st.repeat-1)*st.descendOwn)*1000) / 1000
		text = strings.Replace(text, " at "+paceIn(first.from, unit), " "+word+"from "+paceIn(first.from, unit)+" to "+paceIn(last, unit), 1)
	}
	return text
}

// plain reports whether a set is one swim, with or without its rest, of which nothing more is said.
func plain(st *step) bool {
	first, last := &st.steps[0], &st.steps[len(st.steps)-1]
	if len(first.steps) > 0 || first.rest || first.name != "" || first.kind != "" || first.note != "" || first.capped || len(st.steps) > 2 {
		return false
	}
	return len(st.steps) == 1 || last.rest && last.name == "Rest" && last.kind == "" && last.note == "" && !last.capped
}

// asLine is the line that makes these steps; empty where lines cannot say it.
func (s *Session) asLine(st *step) string {
	text := s.lineText(st, "")
	b := &lineBuilder{session: &Session{Unit: s.Unit}, lineParser: &lineParser{text: text, tokens: lex(text, 1, 1), paces: map[string]*namedPace{}}}
	b.lines()
	if len(b.problems) > 0 || len(b.session.steps) != 1 || !alike(&Session{Unit: s.Unit, steps: []step{*st}}, b.session) {
		return ""
	}
	return text
}

// alike reports whether two sessions ask the same of everybody.
func alike(a, b *Session) bool {
	for _, threshold := range []float64{95, 123.4} {
		x, _, err := a.Blocks(units.PacePer100(threshold, units.Metre))
		y, _, err2 := b.Blocks(units.PacePer100(threshold, units.Metre))
		if (err == nil) != (err2 == nil) || len(x) != len(y) {
			return false
		}
		for i := range x {
			if !same(x[i], y[i]) {
				return false
			}
		}
	}
	return true
}

// same reports whether two blocks are the same, wherever they stand in a file, but for the last digits of sums.
func same(a, b Block) bool {
	near := func(x, y float64) bool { return math.Abs(x-y) <= 1e-3 }
	if len(a.Leaves) != len(b.Leaves) || !near(a.Distance.Metres()*1000, b.Distance.Metres()*1000) || !near(a.From.Seconds(), b.From.Seconds()) || !near(a.To.Seconds(), b.To.Seconds()) {
		return false
	}
	for i := range a.Leaves {
		if a.Leaves[i] != b.Leaves[i] {
			return false
		}
	}
	a.Step, a.Leaves, a.Distance, a.From, a.To = b.Step, nil, b.Distance, b.From, b.To
	b.Leaves = nil
	return fmt.Sprint(a) == fmt.Sprint(b)
}
