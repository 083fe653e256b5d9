package schedule

import (
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// wording puts steps into words.
type wording struct {
	session   *Session
	threshold float64 // seconds per 100 of the session's unit; 0 for none
}

func (w *wording) step(st *step) string {
	text := ""
	switch {
	case st.name != "" && st.kind != "" && !(st.rest && st.name == "Rest"):
		text = kindName(st.kind) + ", " + st.name + ": "
	case st.name != "" && !(st.rest && st.name == "Rest"):
		text = st.name + ": "
	case st.kind != "" && !st.rest:
		text = kindName(st.kind) + ": "
	}
	if len(st.steps) > 0 {
		text += w.group(st)
	} else {
		text += w.stretch(st)
	}
	if st.note != "" {
		text += ", \"" + st.note + "\""
	}
	return text
}

// stretch is a swim or a rest, with what it asks.
func (w *wording) stretch(st *step) string {
	switch {
	case st.rest && st.capped:
		return "rest until somebody says on, at most " + units.FormatTime(st.time)
	case st.rest && st.extent == Open:
		return "rest until somebody says on"
	case st.rest:
		return units.FormatTime(st.time) + " rest"
	case st.capped:
		return "open" + w.at(st, 0) + ", until somebody says on, at most " + units.FormatTime(st.time)
	case st.extent == Open:
		return "open" + w.at(st, 0) + ", until somebody says on"
	}
	text := w.extent(st) + w.at(st, 0)
	if asked := w.asked(st, 0); asked != "" {
		text += ", " + asked
	}
	return text
}

func (w *wording) extent(st *step) string {
	if st.extent == ByTime {
		return units.FormatTime(st.time)
	}
	return fmt.Sprintf("%.6g %s", st.written, st.unit)
}

// at is a pace in words, so many seconds per 100 of the session's unit faster than written.
func (w *wording) at(st *step, faster float64) string {
	if st.from == st.to {
		return " at " + w.pace(st.from, faster, true)
	}
	return " from " + w.pace(st.from, faster, st.from.relative || st.from.in != st.to.in) + " to " + w.pace(st.to, faster, true)
}

func (w *wording) pace(p pace, faster float64, whole bool) string {
	u := w.session.Unit
	per := ""
	if whole {
		per = " per 100"
	}
	switch {
	case p.in == metresPerSecond:
		return fmt.Sprintf("%.4g m/s (%s%s)", units.PacePer100(p.seconds-faster, u).Speed().MetresPerSecond(), units.PacePer100(p.seconds-faster, u).Clock(), per)
	case p.relative:
		own := p.own - faster*p.in.unit().Metres()/u.Metres()
		text := paceIn(pace{relative: true, own: math.Round(own*100) / 100, in: p.in}, p.in.unit())
		if w.threshold > 0 {
			text += fmt.Sprintf(" (%s%s%s)", units.PacePer100(w.threshold+p.seconds-faster, u).In(p.in.unit()).Clock(), per, w.foreign(p.in.unit()))
		}
		return text
	case p.in != per100(u):
		text := units.PacePer100(p.seconds-faster, u).In(p.in.unit()).Clock() + per
		if whole {
			text += w.foreign(p.in.unit())
		}
		return text
	}
	return units.PacePer100(p.seconds-faster, u).Clock() + per
}

// mean is the speed of a swim in m/s; 0 where it needs a threshold that is not known.
func (w *wording) mean(st *step, faster float64) float64 {
	v := 0.0
	for _, p := range []pace{st.from, st.to} {
		if p.relative && w.threshold == 0 {
			return 0
		}
		v += units.PacePer100(p.of(w.threshold)-faster, w.session.Unit).Speed().MetresPerSecond() / 2
	}
	return v
}

// time is what a swim asks; 0 where that is not known.
func (w *wording) time(st *step, faster float64) time.Duration {
	if st.extent != ByDistance {
		return st.time
	}
	if v := w.mean(st, faster); v > 0 {
		return time.Duration(st.distance.Metres() / v * float64(time.Second))
	}
	return 0
}

// asked is the time of a distance, or the distance of a time.
func (w *wording) asked(st *step, faster float64) string {
	v := w.mean(st, faster)
	switch {
	case v == 0 || st.extent == Open:
		return ""
	case st.extent == ByDistance:
		return units.FormatTime(w.time(st, faster))
	}
	return fmt.Sprintf("%.0f %s", units.Metres(v*st.time.Seconds()).In(w.session.Unit), w.session.Unit)
}

func (w *wording) group(st *step) string {
	if plain(st) && st.repeat > 1 {
		return w.set(st)
	}
	parts := make([]string, len(st.steps))
	for i := range st.steps {
		parts[i] = w.step(&st.steps[i])
		if in := &st.steps[i]; len(in.steps) > 0 && (len(st.steps) > 1 || !plain(in)) {
			parts[i] = "(" + parts[i] + ")"
		}
	}
	text := strings.Join(parts, "; ")
	switch {
	case st.repeats && st.repeat > 1:
		text = fmt.Sprintf("%d times: %s", st.repeat, text)
	case st.repeats && st.sendOff == 0:
		text = "once: " + text
	}
	if st.descend != 0 {
		text += "; each round " + w.descent(st)
	}
	if st.sendOff > 0 && st.repeat > 1 {
		text += fmt.Sprintf("; a round starts every %s", units.FormatTime(st.sendOff))
	} else if st.sendOff > 0 {
		text += fmt.Sprintf("; what follows starts %s after it", units.FormatTime(st.sendOff))
	}
	return text
}

// descent is what a round is beside the one before it.
func (w *wording) descent(st *step) string {
	than := "faster"
	if st.descend < 0 {
		than = "slower"
	}
	return fmt.Sprintf("%s s per 100%s %s than the one before", tidy(math.Abs(st.descendOwn)), w.foreign(st.descendUnit), than)
}

func tidy(n float64) string { return exactNumber(math.Round(n*100) / 100) }

func (w *wording) foreign(u units.Unit) string {
	if u == w.session.Unit {
		return ""
	}
	return " " + u.String()
}

// set is one swim several times.
func (w *wording) set(st *step) string {
	swim := &st.steps[0]
	last := float64(st.repeat-1) * st.descend
	text := fmt.Sprintf("%d times ", st.repeat)
	if swim.extent == Open {
		text += "open, until somebody says on,"
	} else {
		text += w.extent(swim)
	}
	text += w.at(swim, 0)
	if st.descend != 0 {
		text += ", each " + w.descent(st) + ", the last" + w.at(swim, last)
	}
	first := w.asked(swim, 0)
	switch end := w.asked(swim, last); {
	case first == "":
	case first == end:
		text += ", " + first + " each"
	case (swim.extent == ByTime) == (st.descend > 0):
		text += ", " + first + " up to " + end
	default:
		text += ", " + first + " down to " + end
	}
	var rest time.Duration
	if len(st.steps) == 2 {
		r := &st.steps[1]
		if rest = r.time; r.extent == Open {
			text += ", after each rest until somebody says on"
		} else if st.sendOff == 0 {
			text += ", " + units.FormatTime(rest) + " rest after each"
		}
	}
	if st.sendOff > 0 {
		text += ", leave every " + units.FormatTime(st.sendOff)
		if a, b := w.time(swim, 0), w.time(swim, last); a > 0 && swim.extent != Open {
			one, other := units.FormatTime(max(st.sendOff-a, rest)), units.FormatTime(max(st.sendOff-b, rest))
			if text += ", " + one; one != other {
				text += " to " + other
			}
			text += " rest asked"
		} else if rest > 0 {
			text += ", " + units.FormatTime(rest) + " rest at least"
		}
	}
	return text
}
