package schedule

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// A scaled session is the same text with some figures replaced: what is not a figure, comments too, stays where it stands.

// Shorter is the text of the session with that share of it left away, 0 to 1. Sets lose rounds where whole rounds come within a tenth of that,
// else what stands in them gets shorter, distances by whole 25 and times by whole 5 s. Paces and rests stay; a send-off shrinks with its swims.
// The error is a fault.Problems about the text that would come out.
func (s *Session) Shorter(share float64) (string, error) {
	e := &editor{session: s, unit: s.Unit}
	e.shorten(s.steps, 1-share)
	if len(e.edits) == 0 {
		return "", fault.Problems{{File: s.file, Text: "nothing in it gets shorter by so little: rounds are whole, distances go by 25, times by 5 s"}}
	}
	return e.text()
}

// Slower is the text of the session with all its paces so many seconds per 100 of its unit slower. A send-off gets longer by what its round does.
func (s *Session) Slower(secondsPer100 float64) (string, error) {
	e := &editor{session: s, unit: s.Unit}
	for _, p := range s.paces {
		slower := func(p pace) pace {
			if p.in == metresPerSecond {
				v := units.PacePer100(p.seconds+secondsPer100, s.Unit).Speed().MetresPerSecond()
				return newPace(math.Round(v*1000)/1000, false, metresPerSecond, s.Unit)
			}
			own := p.own + secondsPer100*p.in.unit().Metres()/s.Unit.Metres()
			return newPace(math.Round(own*10)/10, p.relative, p.in, s.Unit)
		}
		e.repace(p, slower(p.from), slower(p.to))
	}
	for i := range s.steps {
		e.lengthen(&s.steps[i], secondsPer100)
	}
	return e.text()
}

// In is the text of the session in another unit: the same speeds, distances that are round in the new unit (400 m are 425 yd), times as they are.
// What says its own unit stays as it is.
func (s *Session) In(u units.Unit) (string, error) {
	if u == s.Unit {
		return s.text, nil
	}
	e := &editor{session: s, unit: u}
	ratio := u.Metres() / s.Unit.Metres()
	for _, p := range s.paces {
		convert := func(p pace) pace {
			if p.in != per100(s.Unit) {
				return p
			}
			return newPace(math.Round(p.own*ratio*10)/10, p.relative, per100(u), u)
		}
		if !p.said && p.form != speedKey && p.form != inTime && p.from.in != metresPerSecond {
			e.repace(p, convert(p.from), convert(p.to))
		}
	}
	e.convert(s.steps, u)
	name := strconv.Quote(u.String())
	if s.unitAt.to > 0 {
		e.edit(s.unitAt, name)
	} else {
		ends := "\n"
		if strings.Contains(s.text, "\r\n") {
			ends = "\r\n"
		}
		e.edit(span{s.titleAt.to, s.titleAt.to}, ends+"unit = "+name)
	}
	return e.text()
}

// editor collects what is to be written in place of what.
type editor struct {
	session *Session
	unit    units.Unit // what a bare pace of a [[step]] will be per 100 of
	edits   map[span]string
}

func (e *editor) edit(at span, text string) {
	if e.edits == nil {
		e.edits = map[span]string{}
	}
	e.edits[at] = text
}

// text is the session's text with the edits made, checked.
func (e *editor) text() (string, error) {
	order := make([]span, 0, len(e.edits))
	for at := range e.edits {
		order = append(order, at)
	}
	slices.SortFunc(order, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	var b strings.Builder
	done := 0
	for _, at := range order {
		b.WriteString(e.session.text[done:at.from])
		b.WriteString(e.edits[at])
		done = at.to
	}
	b.WriteString(e.session.text[done:])
	if _, err := Parse(e.session.file+", changed", []byte(b.String())); err != nil {
		return "", err
	}
	return b.String(), nil
}

// repace writes other paces where some stand.
func (e *editor) repace(p paceSpot, from, to pace) {
	u := e.unit
	view := &Session{Unit: u}
	switch p.form {
	case paceKey:
		e.edit(p.at, strconv.Quote(view.pacesText(from, to)))
	case speedKey:
		e.edit(p.at, exactNumber(from.own))
	case tableKey:
		e.edit(p.at, strconv.Quote(paceIn(from, u)))
	case inTime:
		e.edit(p.at, exactSeconds(from.own*p.count/100))
	case paceWord:
		text := paceIn(from, from.in.unit())
		if !from.relative && from.in != metresPerSecond {
			text += p.suffix
		}
		e.edit(p.at, text)
	}
}

// shorten takes a share of steps away. It gives the largest share that is left of one of their swims.
func (e *editor) shorten(steps []step, left float64) (most float64) {
	for i := range steps {
		st := &steps[i]
		if len(st.steps) == 0 {
			most = max(most, e.shortenSwim(st, left))
			continue
		}
		n := max(1, math.Round(float64(st.repeat)*left))
		if share := n / float64(st.repeat); st.repeatSpan.to > 0 && share < 1 && math.Abs(share-left) <= 0.1 {
			e.edit(st.repeatSpan, strconv.Itoa(int(n)*st.repeatPer))
			most = max(most, 1) // of a round
			continue
		}
		share := e.shorten(st.steps, left)
		e.sendOff(st, share, 0)
		most = max(most, share)
	}
	return most
}

func (e *editor) shortenSwim(st *step, left float64) float64 {
	switch {
	case st.rest:
		return 0
	case st.extent == ByDistance:
		d := roundDistance(st.written*left, st.written)
		e.distance(st, d)
		return d / st.written
	case st.extent == ByTime:
		t := max(5*time.Second, time.Duration(float64(st.time)*left).Round(5*time.Second))
		if t >= st.time {
			return 1
		}
		e.time(st.extentAt, t)
		return t.Seconds() / st.time.Seconds()
	}
	return 1
}

// roundDistance is a distance in whole 25 where the one it comes from is, else in whole ones.
func roundDistance(d, from float64) float64 {
	step := 1.0
	if math.Mod(from, 25) == 0 {
		step = 25
	}
	return max(step, math.Round(d/step)*step)
}

// distance writes another distance, and the time of one repetition with it.
func (e *editor) distance(st *step, d float64) {
	if d == st.written {
		return
	}
	e.edit(st.extentAt, exactNumber(d)+st.suffix)
	if st.inAt.to > 0 {
		e.edit(st.inAt, exactSeconds(math.Ceil(st.from.own*d/10-1e-6)/10))
	}
}

func (e *editor) time(at span, t time.Duration) {
	text := exactTime(t)
	if !e.session.lined {
		text = strconv.Quote(text)
	}
	e.edit(at, text)
}

// sendOff makes a send-off fit swims that take that share of their time, and that much more. What rests there stays.
func (e *editor) sendOff(st *step, share float64, more time.Duration) {
	inside := anyStep(st.steps, func(st *step) bool { return st.sendOff > 0 })
	if st.sendOff == 0 || share == 0 || share == 1 && more == 0 || inside && share <= 1 { // send-offs inside say how long a round is, and none gets longer
		return
	}
	rests := rests(st.steps)
	if inside {
		rests, more = 0, more+5*time.Second*time.Duration(st.count()/int64(st.repeat)) // what theirs are rounded by
	}
	t := rests + time.Duration(float64(st.sendOff-rests)*share) + more
	whole := time.Second
	if st.sendOff%(5*time.Second) == 0 {
		whole *= 5
	}
	t = min(max(t+whole-1, whole).Truncate(whole), mostTime)
	e.time(st.sendOffSpan, t)
}

// rests is the time of all the rests of a round.
func rests(steps []step) (t time.Duration) {
	for i := range steps {
		switch st := &steps[i]; {
		case len(st.steps) > 0:
			t += rests(st.steps) * time.Duration(st.repeat)
		case st.rest:
			t += st.time
		}
	}
	return t
}

// lengthen moves the send-offs in a step by what their rounds become slower; it gives what the whole step does.
func (e *editor) lengthen(st *step, secondsPer100 float64) (more time.Duration) {
	if len(st.steps) == 0 {
		if st.rest || st.extent != ByDistance {
			return 0
		}
		return time.Duration(math.Ceil(st.distance.In(e.session.Unit)/100*(secondsPer100+0.05)*10)) * 100 * time.Millisecond // paces are rounded to the tenth
	}
	for i := range st.steps {
		more += e.lengthen(&st.steps[i], secondsPer100)
	}
	if st.sendOff > 0 {
		more = (more + time.Second - 1).Truncate(time.Second)
		e.time(st.sendOffSpan, st.sendOff+more)
	}
	return more * time.Duration(st.repeat)
}

// convert writes distances, send-offs and descents in another unit. It gives the largest share that one of the swims has of its old length.
func (e *editor) convert(steps []step, u units.Unit) (most float64) {
	for i := range steps {
		st := &steps[i]
		switch {
		case len(st.steps) > 0:
			share := e.convert(st.steps, u)
			e.descent(st, share, u)
			if st.sendOff > 0 && share != 1 && share > 0 {
				e.sendOff(st, share, e.slack(st.steps))
			}
			most = max(most, share)
		case st.rest:
		case st.extent != ByDistance || st.unitSaid:
			most = max(most, 1)
		default:
			d := roundDistance(st.distance.In(u), st.written)
			share := units.Of(d, u).Metres() / st.distance.Metres()
			if e.edit(st.extentAt, exactNumber(d)+st.suffix); st.inAt.to > 0 {
				e.edit(st.inAt, exactSeconds(math.Ceil(st.from.own*st.written/100*share*10-1e-6)/10))
			}
			most = max(most, share)
		}
	}
	return most
}

// slack is what paces that are rounded to the tenth may add to a round.
func (e *editor) slack(steps []step) (t time.Duration) {
	for i := range steps {
		if st := &steps[i]; len(st.steps) > 0 {
			t += e.slack(st.steps) * time.Duration(st.repeat)
		} else if st.extent == ByDistance {
			t += time.Duration(st.distance.Metres() / 100 * 0.15 * float64(time.Second))
		}
	}
	return t
}

// descent writes the seconds of a descend in another unit.
func (e *editor) descent(st *step, share float64, u units.Unit) {
	if st.descend == 0 || st.descendSpan.to == 0 || st.descendUnit != e.session.Unit {
		return
	}
	by := math.Abs(st.descendOwn)
	own := by * u.Metres() / e.session.Unit.Metres()
	if st.descendIn {
		own = by * st.steps[0].written / 100 * share
	}
	if st.steps[0].unitSaid {
		return
	}
	text := exactNumber(max(0.1, math.Round(own*10)/10))
	if e.session.lined {
		text += " s"
	}
	e.edit(st.descendSpan, text)
}
