package schedule

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

// step is a stretch, a rest or a group of steps, whatever it was written in.
type step struct {
	number           int // from 0, in reading order, groups counted
	at               mark
	name, kind, note string
	broken           bool // something about it is wrong: it is counted, but nothing is concluded from it

	// A stretch or a rest.
	extent   Extent
	time     time.Duration
	capped   bool
	distance units.Distance
	written  float64    // the distance as it is written, counted in
	unit     units.Unit // metres or yards
	rest     bool
	from, to pace
	paceAt   mark
	extentAt span   // of its figure, in lines with its unit
	suffix   string // of a distance in lines: its unit, as it is written
	unitSaid bool   // the distance says what it counts in, whatever the session does
	inAt     span   // the time of one repetition, where that gives the pace

	// A group, which has steps.
	steps               []step
	repeat              int // at least 1
	repeats             bool
	sendOff             time.Duration // 0 for none
	descend             float64       // seconds per 100 of the session's unit that a round is faster than the one before; below 0 it is slower
	descendOwn          float64       // the same as it is written, per 100 of
	descendUnit         units.Unit    // metres or yards
	sendOffAt, repeatAt mark
	descendAt           mark
	repeatSpan          span // of the number
	repeatPer           int  // of the rounds as they are written, so many make one of these: 3 of "9 x 100 descend 1-3"
	sendOffSpan         span
	descendSpan         span // of the figure
	descendIn           bool // the figure counts for one repetition, not for 100
}

var (
	kinds      = []string{"warm-up", "main", "drill", "recovery", "cool-down"}
	extentKeys = []string{"time", "distance", "open", "rest"}
	speedKeys  = []string{"pace", "speed_mps"}
	groupKeys  = []string{"repeat", "send_off", "descend_s", "ascend_s", "step"}
)

func anyStep(steps []step, is func(*step) bool) bool {
	for i := range steps {
		if is(&steps[i]) || anyStep(steps[i].steps, is) {
			return true
		}
	}
	return false
}

func (s *Session) readSteps(root *tomlplace.Table) {
	next := 0
	s.steps = s.readTables(root, 1, &next)
	for _, st := range s.steps {
		s.sets = append(s.sets, set{line: st.at.line, from: len(s.sets), to: len(s.sets) + 1})
	}
	switch {
	case linesHolder(root) != nil:
		if root.Has("step") {
			root.Problem("lines", "lines cannot stand beside step: a session is written in one of the two ways")
		}
	case !root.Has("step"):
		root.Problem("", `step is missing: a session has at least one step, under [[step]]; or lines = """…""", one set a line`)
	case len(s.steps) == 0 && strings.HasPrefix(root.Written("step"), "["):
		root.Refuse("step", "at least one step, under [[step]]")
	}
}

// readTables reads the steps of a table (the session or a group); next is the number of the next step in the file.
func (s *Session) readTables(t *tomlplace.Table, depth int, next *int) []step {
	tables := t.Tables("step")
	if depth > maxDepth && len(tables) > 0 {
		t.Problem("step", "step: steps stand in each other %d deep: allowed are %d", depth, maxDepth)
		return nil
	}
	steps := make([]step, len(tables))
	for i, table := range tables {
		r := stepReader{Table: table, session: s, unit: s.Unit, step: &steps[i]}
		r.read(depth, next)
	}
	return steps
}

// stepReader reads one step.
type stepReader struct {
	*tomlplace.Table
	session *Session
	unit    units.Unit
	step    *step
}

func (r stepReader) read(depth int, next *int) {
	st := r.step
	st.number = *next
	*next++
	st.at = r.mark("")
	for _, keys := range [][]string{{"name", "kind", "note"}, extentKeys, {"cap"}, speedKeys, groupKeys} {
		for _, k := range keys {
			r.Has(k) // all are known, and named in this order where one is not
		}
	}
	st.name, st.note = line(r.Table, "name"), line(r.Table, "note")
	if kind, ok := r.String("kind"); ok {
		if st.kind = kind; !slices.Contains(kinds, kind) {
			r.Refuse("kind", `"`+strings.Join(kinds, `", "`)+`"`)
		}
	}
	if len(r.given(groupKeys)) > 0 {
		r.group(depth, next)
	} else {
		r.stretch()
	}
	r.Rest()
}

func (r stepReader) group(depth int, next *int) {
	st := r.step
	st.repeat = 1
	if st.repeats = r.Has("repeat"); st.repeats {
		st.repeatAt = r.mark("repeat")
		if n, ok := r.Int("repeat"); ok && n >= 1 && n <= maxRepeat {
			st.repeat = int(n)
		} else if ok {
			r.Refuse("repeat", fmt.Sprintf("a whole number from 1 to %d", maxRepeat))
		}
	}
	st.sendOffAt = r.mark("send_off")
	st.repeatSpan, st.repeatPer = valueSpan(r.Table, "repeat"), 1
	st.sendOffSpan = valueSpan(r.Table, "send_off")
	st.sendOff, _ = r.duration("send_off", leastSendOff)
	r.descent("descend_s", 1)
	if r.descent("ascend_s", -1) && r.Has("descend_s") {
		r.wrong("ascend_s", "ascend_s cannot stand beside descend_s: rounds get slower or faster")
	}
	for _, k := range []string{"send_off", "descend_s", "ascend_s"} {
		if r.Has(k) && !st.repeats {
			r.wrong(k, "%s belongs to rounds: allowed is beside repeat", k)
		}
	}
	for _, k := range r.given(slices.Concat(extentKeys, speedKeys, []string{"cap"})) {
		r.wrong(k, "%s cannot stand beside %s: allowed is in a step of its own inside, under [[%sstep]]", k, r.given(groupKeys)[0], strings.Repeat("step.", depth))
	}
	st.steps = r.session.readTables(r.Table, depth+1, next)
	st.broken = st.broken || len(st.steps) == 0
	if !r.Has("step") || len(r.Tables("step")) == 0 && strings.HasPrefix(r.Written("step"), "[") {
		r.wrong("", "a group has no steps: allowed is at least one, under [[%sstep]]", strings.Repeat("step.", depth))
	}
}

// descent reads by how much each round is faster than the one before, or slower where the sign is -1; it reports whether that is given.
func (r stepReader) descent(key string, sign float64) bool {
	d, ok := r.Float(key)
	if !ok {
		return r.Has(key)
	}
	st := r.step
	if !(d > 0 && d <= mostDescend) {
		r.Refuse(key, fmt.Sprintf("more than 0, at most %g seconds per 100 and round", mostDescend))
		d = 0
	}
	st.descend = sign * d
	st.descendOwn, st.descendUnit = st.descend, r.unit
	st.descendAt, st.descendSpan = r.mark(key), valueSpan(r.Table, key)
	return true
}

func (r stepReader) stretch() {
	st := r.step
	extents, speeds := r.given(extentKeys), r.given(speedKeys)
	switch len(extents) {
	case 0:
		r.wrong("", `a step has no extent: allowed is one of time, distance, open = true, rest; or steps of its own`)
	case 1:
		r.extent(extents[0])
	default:
		for _, k := range extents[1:] {
			r.wrong(k, "%s cannot stand beside %s: allowed is one of time, distance, open, rest in a step", k, extents[0])
		}
	}
	if r.Has("cap") && st.extent != Open && len(extents) == 1 {
		r.wrong("cap", `cap belongs to what is open: allowed is beside open = true or rest = "open"`)
	}
	switch {
	case r.Has("rest"):
		for _, k := range speeds {
			r.wrong(k, "%s cannot stand beside rest: the water comes to rest there; leave it out", k)
		}
	case len(speeds) == 0 && len(extents) > 0:
		r.wrong("", `a step has no speed: allowed is pace, as in pace = "1:40", or speed_mps; or rest in place of both`)
	case len(speeds) == 2:
		r.wrong(speeds[1], "%s cannot stand beside %s: allowed is one of pace, speed_mps in a step", speeds[1], speeds[0])
	case len(speeds) == 1:
		r.speed(speeds[0])
	}
}

func (r stepReader) extent(key string) {
	st := r.step
	st.extentAt = valueSpan(r.Table, key)
	var ok bool
	switch key {
	case "time":
		st.time, ok = r.duration("time", leastTime)
	case "distance":
		st.extent = ByDistance
		var n float64
		if n, ok = r.Float("distance"); ok {
			st.written, st.unit, st.distance = n, r.unit, units.Of(n, r.unit)
			if ok = n > 0 && st.distance.Metres() <= mostMetres; !ok {
				r.Refuse("distance", fmt.Sprintf("more than 0, at most 100 km, counted in %s", r.unit))
			}
		}
	case "open":
		st.extent = Open
		var open bool
		if open, ok = r.Bool("open"); ok && !open {
			r.Refuse("open", "true; or leave it out")
			ok = false
		}
	case "rest":
		st.rest = true
		text, isText := r.String("rest")
		if ok = isText; text == "open" {
			st.extent = Open
		} else if isText {
			st.time, ok = r.duration("rest", leastTime)
		}
	}
	if st.extent == Open {
		st.time = OpenPlan
		if r.Has("cap") {
			st.capped = true
			if d, right := r.duration("cap", leastTime); right {
				st.time = d
			} else {
				ok = false
			}
		}
	}
	st.broken = st.broken || !ok
}

func (r stepReader) speed(key string) {
	st := r.step
	st.paceAt = r.mark(key)
	if key == "speed_mps" {
		v, ok := r.Float("speed_mps")
		if ok && !(v > stillMPS && v <= fastestMPS) {
			r.Refuse("speed_mps", fmt.Sprintf("more than %g, at most %g m/s", stillMPS, fastestMPS))
			ok = false
		}
		if ok {
			st.from = newPace(v, false, metresPerSecond, r.unit)
			st.to = st.from
			r.session.paces = append(r.session.paces, paceSpot{at: valueSpan(r.Table, key), from: st.from, to: st.to, form: speedKey})
		}
		st.broken = st.broken || !ok
		return
	}
	text, ok := r.String("pace")
	if ok {
		var allowed string
		if st.from, st.to, allowed = parsePaces(text, r.unit); allowed != "" {
			r.Refuse("pace", allowed)
			ok = false
		} else {
			r.session.paces = append(r.session.paces, paceSpot{at: valueSpan(r.Table, key), from: st.from, to: st.to, form: paceKey})
		}
	}
	st.broken = st.broken || !ok
}

// duration reads a time of at most 12 h. A missing key is 0.
func (r stepReader) duration(key string, least time.Duration) (time.Duration, bool) {
	text, ok := r.String(key)
	if !ok {
		return 0, false
	}
	d, err := units.ParseTime(text)
	switch {
	case err != nil || !strings.Contains(text, ":"): // a bare number would be seconds to one reader and minutes to another
		allowed := `minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"`
		if key == "rest" {
			allowed += `; or "open"`
		}
		r.Refuse(key, allowed)
	case d < least || d > mostTime:
		r.Refuse(key, fmt.Sprintf("%s to %s", units.FormatTime(least), units.FormatTime(mostTime)))
	default:
		return d, true
	}
	return 0, false
}

// given is which of the keys are there, in the order of the file.
func (r stepReader) given(keys []string) []string {
	return slices.DeleteFunc(r.Keys(), func(k string) bool { return !slices.Contains(keys, k) })
}

func (r stepReader) wrong(key, format string, args ...any) {
	r.step.broken = true
	r.Problem(key, format, args...)
}

func (r stepReader) mark(key string) mark {
	l, c := r.Place(key)
	return mark{l, c, key + " = " + r.Written(key)}
}
