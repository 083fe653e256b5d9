package schedule

import (
	"cmp"
	"regexp"
	"slices"
	"strings"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/tomlplace"
)

// The lines of a session are read in three goes: tokens (lexer.go), what is written (parser.go, attributes.go), and here the steps that it comes to,
// the same that [[step]] makes. docs/lines.md says it in words.

// namedPace is an entry of [paces].
type namedPace struct {
	name  string
	pace  pace
	given bool // in the file; else ours
}

var paceName = regexp.MustCompile(`^[a-z][a-z0-9_]*(-[a-z]+)*$`)

// easy is the one pace that has a name without [paces]: nobody is asked for more than he can by it. The figure is the project's own choice.
const easy = 15.0 // seconds per 100 of the session's unit slower than threshold

// paceSpot is a place in the file where paces stand.
type paceSpot struct {
	at       span
	from, to pace
	form     paceForm
	count    float64 // inTime: of what distance it is the time
	said     bool    // paceWord, inTime: it counts in a unit that stands beside it or beside its distance
	suffix   string  // paceWord: what stands behind the time, as in "1:40 per 100"
}

type paceForm uint8

const (
	paceKey  paceForm = iota // pace = "1:50 to 1:40", quotes included
	speedKey                 // speed_mps = 1.2
	paceWord                 // one pace in the lines
	inTime                   // the time of one repetition in the lines
	tableKey                 // easy = "threshold+15"
)

// readLines reads lines and [paces].
func (s *Session) readLines(root *tomlplace.Table) {
	holder := linesHolder(root)
	paces := s.readPaces(root)
	if holder == nil {
		if root.Has("paces") {
			root.Problem("paces", `paces are named for lines = """…""" only: in [[step]] each pace is written out`)
		}
		return
	}
	text, ok := holder.String("lines")
	if !ok {
		return
	}
	s.lined = true
	from, to := holder.TextSpan("lines")
	if raw := s.text[from:to]; strings.Contains(raw, `\`) && strings.HasPrefix(holder.Written("lines"), `"`) {
		line, col := holder.TextPlace("lines", strings.IndexByte(raw, '\\'))
		root.Note(fault.Problem{File: s.file, Line: line, Col: col, Text: `\: a backslash means nothing in lines: leave it out`})
		return
	}
	line, col := holder.TextPlace("lines", 0)
	b := &lineBuilder{session: s, base: from, lineParser: &lineParser{text: text, tokens: lex(text, line, col), paces: paces}}
	b.lines()
	for _, p := range b.problems {
		t := b.tokens[p.token]
		root.Note(fault.Problem{File: s.file, Line: t.line, Col: t.col, Text: p.text})
	}
	if len(b.problems) == 0 && len(s.steps) == 0 {
		holder.Problem("lines", "lines is empty: a session has at least one set, as in 6 x 100 at 1:50, rest :20")
	}
	next := 0
	number(s.steps, &next)
}

// linesHolder is the table that has the lines: [paces] where they stand below it, since TOML takes them as its own there; nil where there are none.
func linesHolder(root *tomlplace.Table) *tomlplace.Table {
	if root.Has("lines") {
		return root
	}
	if !root.Has("step") && belowPaces(root, "lines") {
		if paces := root.Table("paces"); strings.HasSuffix(paces.Written("lines"), "…") { // of several lines
			return paces
		}
	}
	return nil
}

// belowPaces reports whether a key of the session has fallen into [paces].
func belowPaces(root *tomlplace.Table, key string) bool {
	return root.Has("paces") && root.Table("paces").Has(key)
}

func number(steps []step, next *int) {
	for i := range steps {
		steps[i].number = *next
		*next++
		number(steps[i].steps, next)
	}
}

// readPaces reads [paces].
func (s *Session) readPaces(root *tomlplace.Table) map[string]*namedPace {
	paces := map[string]*namedPace{"easy": {name: "easy", pace: newPace(easy, true, per100(s.Unit), s.Unit)}}
	if !root.Has("paces") {
		return paces
	}
	table := root.Table("paces")
	for _, key := range table.Keys() {
		if table == linesHolder(root) && key == "lines" {
			continue
		}
		if slices.Contains([]string{"lines", "title", "unit", "notes", "author", "format"}, key) {
			table.Has(key)
			table.Problem(key, "put %s above [paces]: below it, TOML takes it as a pace", key)
			continue
		}
		text, ok := table.String(key)
		name := strings.ToLower(key)
		r := roles[name]
		switch {
		case !ok:
			continue
		case !paceName.MatchString(name):
			table.Problem(key, "%s cannot name a pace: allowed is one word of letters and digits, as in easy or race-pace", key)
			continue
		case r == roleThreshold:
			if text = strings.ToLower(strings.TrimSpace(text)); name != "t" && roles[text] != roleThreshold {
				table.Problem(key, "%s already means threshold: give this pace another name", key)
			}
			if name != "t" || roles[text] == roleThreshold {
				continue
			}
		case r != noRole && r != roleRemark && r != roleFiller && r != roleUntold:
			table.Problem(key, "%s cannot name a pace: the word means something else in lines", key)
			continue
		case paces[name] != nil && paces[name].given:
			table.Problem(key, "%s is given twice: capital letters make no difference", key)
			continue
		}
		p, allowed := parsePace(strings.TrimSpace(text), s.Unit)
		if allowed != "" {
			table.Refuse(key, strings.TrimSuffix(allowed, `; or two of these as in "1:50 to 1:40"`))
		}
		paces[name] = &namedPace{name, p, true}
		s.paces = append(s.paces, paceSpot{at: valueSpan(table, key), from: p, to: p, form: tableKey})
	}
	return paces
}

// lineBuilder makes steps of items.
type lineBuilder struct {
	*lineParser
	session *Session
	base    int // where the lines begin in the file, in bytes
}

func (b *lineBuilder) mark(from, to int) mark {
	t := b.tokens[from]
	return mark{t.line, t.col, b.snippet(from, to)}
}

func (b *lineBuilder) span(from, to int) span {
	return span{b.base + b.tokens[from].from, b.base + b.tokens[max(to, from+1)-1].to}
}

// lines reads all lines: headings, which hold until the next one, and sets.
func (b *lineBuilder) lines() {
	var name, kind string // of the heading
	for b.cur().kind != tEnd && len(b.problems) <= mostProblems {
		if b.cur().kind == tNewline {
			b.i++
			continue
		}
		from := b.i
		head := &item{from: b.i}
		b.labels(head)
		if head.name == "" && head.kind == "" {
			if k, n := b.kindWords(); n > 0 && (b.peek(n).kind == tNewline || b.peek(n).kind == tEnd) {
				head.kind = k
				b.i += n
			}
		}
		if t := b.cur(); (t.kind == tNewline || t.kind == tEnd) && !head.broken {
			name, kind = head.name, head.kind // the next turn goes past the line's end; there is nothing past that of the text
			continue
		}
		if head.broken {
			for b.cur().kind != tNewline && b.cur().kind != tEnd {
				b.i++
			}
			continue
		}
		items := b.items()
		if b.cur().kind != tNewline && b.cur().kind != tEnd { // a bracket too many has been said
			b.skip()
			b.i++
		}
		first := len(b.session.steps)
		for _, it := range items {
			it.name, it.kind = cmp.Or(it.name, head.name), cmp.Or(it.kind, head.kind)
			if it.drill && it.name == "" && head.kind != "" && head.kind != "drill" { // Warm-up: 400 easy drill
				it.name = kindName(head.kind)
			}
			it.name, it.kind = cmp.Or(it.name, name), cmp.Or(it.kind, kind)
			b.session.steps = append(b.session.steps, b.item(it, nil, 1)...)
		}
		if last := len(b.session.steps); last > first {
			b.session.sets = append(b.session.sets, set{line: b.tokens[from].line, text: b.source(from, b.i), from: first, to: last})
		}
	}
}

// source is what is written from one token to another, on one line, without comments.
func (b *lineBuilder) source(from, to int) string {
	var s strings.Builder
	for i := from; i < to; i++ {
		t := b.tokens[i]
		if t.kind == tNewline || t.kind == tEnd {
			break
		}
		raw := cmp.Or(b.text[t.from:t.to], t.text) // a bracket that stands for deeper lines has no text of its own
		if raw == "\n" {
			if last := b.tokens[i-1]; last.is("(") || last.is(";") || b.tokens[i+1].is(")") {
				continue
			}
			raw = ";"
		} else if i > from && !t.glued {
			s.WriteByte(' ')
		}
		s.WriteString(raw)
	}
	return s.String()
}
