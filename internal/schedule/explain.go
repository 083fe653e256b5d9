package schedule

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Explained is one line of a session, or one [[step]] of the session itself, in plain words.
type Explained struct {
	Line  int    // of the file, from 1
	Text  string // the line as it stands there; empty for a [[step]]
	Words string // "12 times 50 yd at 1:24 per 100, 0:42 each, leave every 1:00, 0:18 rest asked"
	Steps string // the same as [[step]] tables
	Short string // of a [[step]]: the same as a line; empty where lines cannot say it
	Asked Ask
	Known bool // Asked is: all its paces can be worked out, and all its times are planned ones
}

// Explain says in plain words what the session asks, line by line. Without a threshold what depends on one is not worked out.
// The session is one that Blocks accepts for this threshold, or one that needs a threshold and has none.
func (s *Session) Explain(threshold units.Pace) []Explained {
	w := &wording{session: s, threshold: threshold.In(s.Unit).Seconds()}
	out := make([]Explained, len(s.sets))
	var behind time.Duration // the rest that the step before ends in
	for i, set := range s.sets {
		e := Explained{Line: set.line, Text: set.text, Steps: s.stepsText(s.steps[set.from:set.to], "step", ""), Known: true}
		words := make([]string, 0, set.to-set.from)
		alone := &Session{Unit: s.Unit, file: s.file, steps: s.steps[set.from:set.to]}
		for j := range alone.steps {
			st := &alone.steps[j]
			said := w.step(st)
			if st.rest && st.extent == ByTime && behind > 0 {
				said += fmt.Sprintf(", with the %s before it %s", units.FormatTime(behind), units.FormatTime(behind+st.time))
			}
			words = append(words, said)
			behind = lastRest(st)
		}
		e.Words = strings.Join(words, "; ")
		if set.text == "" {
			e.Short = s.asLine(&alone.steps[0])
		}
		blocks, _, err := alone.Blocks(threshold)
		e.Known = err == nil
		for _, a := range Asked(blocks) {
			e.Asked.Time += a.Time
			e.Asked.Distance = units.Metres(e.Asked.Distance.Metres() + a.Distance.Metres())
		}
		out[i] = e
	}
	return out
}

// lastRest is the rest of a known time that a step ends in; 0 for none.
func lastRest(st *step) time.Duration {
	switch {
	case len(st.steps) > 0 && st.sendOff == 0:
		return lastRest(&st.steps[len(st.steps)-1])
	case st.rest && st.extent == ByTime:
		return st.time
	}
	return 0
}

// Steps is the whole session in steps, as the text of a file. words, where given, is asked for a comment to each line's steps.
func (s *Session) Steps(explained []Explained, comment func(Explained) []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "format = 1\ntitle = %s\nunit = %q\n", strconv.Quote(s.Title), s.Unit)
	for _, k := range []struct{ name, text string }{{"author", s.Author}, {"notes", s.Notes}} {
		if k.text != "" {
			fmt.Fprintf(&b, "%s = %s\n", k.name, strconv.Quote(k.text))
		}
	}
	for _, e := range explained {
		b.WriteByte('\n')
		for _, line := range comment(e) {
			fmt.Fprintf(&b, "# %s\n", line)
		}
		b.WriteString(e.Steps)
	}
	return b.String()
}
