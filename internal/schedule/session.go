// Package schedule turns the text of a session into a checked session, and that into flat blocks for one swimmer.
package schedule

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

// What a session may ask for. Everything outside is taken for a slip of the pen.
const (
	maxBlocks    = 10_000 // after repeats
	maxRepeat    = 10_000
	maxDepth     = 4 // steps in steps
	maxText      = 200
	leastTime    = 100 * time.Millisecond
	leastSendOff = time.Second
	mostTime     = 12 * time.Hour
	mostMetres   = 100_000.0
	fastestPace  = 20.0   // seconds per 100 of the session's unit
	slowestPace  = 1200.0 // the same
	stillMPS     = 0.05   // m/s; at or below is standstill
	fastestMPS   = 5.0
	mostOffset   = 120.0 // seconds per 100 beside the threshold
	mostDescend  = 60.0  // seconds per 100 and round
)

// Session is a checked session: a tree of steps, not yet for a swimmer. It does not change once it is read.
type Session struct {
	Title  string
	Notes  string // any text, several lines too
	Author string
	Unit   units.Unit // what distances count in, and what paces are per 100 of

	file            string
	text            string // of the file
	steps           []step
	sets            []set // the steps as they are written: by [[step]] or by line
	lined           bool  // written in lines
	paces           []paceSpot
	unitAt, titleAt span // of their values
}

// set is what one [[step]] of the session itself, or one line, comes to.
type set struct {
	line     int
	text     string // the line; empty for a [[step]]
	from, to int    // steps
}

// span is a stretch of the file's text, in bytes.
type span struct{ from, to int }

// Parse reads a session file; the name is only for the problems. The error is a fault.Problems with all that is wrong, each at the line
// and column of its key (of its table where the key is missing); a syntax error comes alone.
func Parse(file string, text []byte) (*Session, error) {
	root, err := tomlplace.Parse(file, text)
	if err != nil {
		return nil, err
	}
	s := &Session{file: file, text: strings.TrimPrefix(string(text), "\ufeff")}
	if version, ok := root.Int("format"); ok && version != 1 {
		root.Refuse("format", "1")
	} else if !root.Has("format") && !belowPaces(root, "format") {
		root.Problem("", "format is missing: allowed is format = 1")
	}
	s.Title = line(root, "title")
	if !root.Has("title") && !belowPaces(root, "title") {
		root.Problem("", `title is missing: allowed is text in quotes, as in title = "Over and under"`)
	}
	if name, ok := root.String("unit"); ok {
		if s.Unit, err = units.ParseUnit(name); err != nil {
			root.Refuse("unit", `"m" or "yd"`)
		}
	}
	if s.Notes, _ = root.String("notes"); strings.ContainsFunc(s.Notes, func(r rune) bool { return unicode.IsControl(r) && !strings.ContainsRune("\r\n\t", r) }) {
		root.Refuse("notes", "text without control characters other than line ends and tabs")
	}
	s.Author = line(root, "author")
	s.unitAt, s.titleAt = valueSpan(root, "unit"), valueSpan(root, "title")
	s.readSteps(root)
	s.readLines(root)
	root.Rest()
	for _, p := range s.foresee() {
		root.Note(p)
	}
	if err := root.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

// NeedsThreshold reports whether a pace is given relative to the swimmer's threshold.
func (s *Session) NeedsThreshold() bool {
	return anyStep(s.steps, func(st *step) bool { return st.from.relative || st.to.relative })
}

// line reads a text of one line that is shown to people: not empty, at most 200 characters, nothing that could steer a terminal.
func line(t *tomlplace.Table, key string) string {
	s, ok := t.String(key)
	if ok && (strings.TrimSpace(s) == "" || utf8.RuneCountInString(s) > maxText || strings.ContainsFunc(s, unicode.IsControl)) {
		t.Refuse(key, fmt.Sprintf("1 to %d characters on one line, without control characters", maxText))
	}
	return s
}

// mark is a place in the file and what stands there, for what is found wrong once the steps are put together.
type mark struct {
	line, col int
	text      string // as in `pace = "threshold-2"`
}

func (m mark) problem(file, format string, args ...any) fault.Problem {
	return fault.Problem{File: file, Line: m.line, Col: m.col, Text: m.text + ": " + fmt.Sprintf(format, args...)}
}

func valueSpan(t *tomlplace.Table, key string) span {
	from, to := t.Span(key)
	return span{from, to}
}
