package tomlplace

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
)

// Table is one table of the text, to be asked for its keys. Asking for a key makes it known (see Rest). A getter's second result is true
// where the key is there and has the right type; a wrong type is noted as a problem, a missing key is not. A Table is never nil: a table
// that is missing, or is none, is an empty one.
type Table struct {
	doc    *document
	node   *node
	values map[string]any
	known  []string // keys asked for, in the order of asking
	tables map[string][]*Table
}

// Has reports whether the key is there, of whatever type, and makes it known.
func (t *Table) Has(key string) bool {
	_, ok := t.get(key)
	return ok
}

// String is a text.
func (t *Table) String(key string) (string, bool) {
	return want[string](t, key, `text in quotes, as in `+key+` = "…"`)
}

// Bool is true or false.
func (t *Table) Bool(key string) (value, ok bool) {
	return want[bool](t, key, "true or false, without quotes")
}

// Int is a whole number written without a decimal point.
func (t *Table) Int(key string) (int64, bool) {
	return want[int64](t, key, "a whole number, without quotes")
}

// Float is a number, whole or not; nan and inf are problems.
func (t *Table) Float(key string) (float64, bool) {
	v, ok := t.get(key)
	if !ok {
		return 0, false
	}
	f, ok := number(v)
	if !ok {
		t.Refuse(key, aNumber)
	}
	return f, ok
}

// Floats is a list of numbers; an empty list is one. An item that is no number is a problem at the item's own place.
func (t *Table) Floats(key string) ([]float64, bool) {
	return list(t, key, "a list of numbers, as in [1, 2.5]", aNumber, number)
}

// Strings is a list of texts.
func (t *Table) Strings(key string) ([]string, bool) {
	return list(t, key, `a list of texts, as in ["…", "…"]`, "text in quotes", func(v any) (string, bool) {
		s, ok := v.(string)
		return s, ok
	})
}

// Table is the table under a key: a [table] of its own, an inline table, or one made by dotted keys. The same key gives the same Table every time.
func (t *Table) Table(key string) *Table {
	v, ok := t.get(key)
	if made := t.tables[key]; len(made) == 1 {
		return made[0]
	}
	values, isTable := v.(map[string]any)
	if ok && !isTable {
		t.Refuse(key, "one table, as in ["+key+"] with single brackets")
	}
	n := &node{key: t.place(key), head: t.place(key)}
	if kid := t.node.kids[key]; isTable && kid != nil {
		n = kid
	}
	return t.keep(key, []*Table{{doc: t.doc, node: n, values: values}})[0]
}

// Tables is an array of tables: [[table]] any number of times, or a list of inline tables. The same key gives the same Tables every time.
func (t *Table) Tables(key string) []*Table {
	v, ok := t.get(key)
	if made, again := t.tables[key]; again || !ok {
		return made
	}
	var made []*Table
	switch v := v.(type) {
	case []map[string]any:
		for i, row := range v {
			made = append(made, &Table{doc: t.doc, node: t.item(key, i), values: row})
		}
	case []any:
		for i, item := range v {
			if row, isTable := item.(map[string]any); isTable {
				made = append(made, &Table{doc: t.doc, node: t.item(key, i), values: row})
			} else {
				t.wrongItem(key, i, "a table, as in { … }")
			}
		}
	default:
		t.Refuse(key, "any number of tables, each under [["+key+"]] with double brackets")
	}
	return t.keep(key, made)
}

// Keys lists the keys that are there, in the order of the text; it makes none known.
func (t *Table) Keys() []string {
	return slices.DeleteFunc(slices.Clone(t.node.order), func(k string) bool {
		_, ok := t.values[k]
		return !ok
	})
}

// Written is a key's value as it stands in the text, shortened where it is long or has several lines; empty where the key is
// missing or its value is a table under a header.
func (t *Table) Written(key string) string {
	kid := t.node.kids[key]
	if kid == nil {
		return ""
	}
	return t.doc.written(kid)
}

// Problem notes a problem at a key's place. A key that is missing stands where its table does; so does the key "": at the header, at
// an inline table's bracket or key, at 1:1 for the root.
func (t *Table) Problem(key, format string, args ...any) {
	t.doc.problem(t.place(key), fmt.Sprintf(format, args...))
}

// Note adds a problem whose place the caller knows.
func (t *Table) Note(p fault.Problem) { t.doc.problems = append(t.doc.problems, p) }

// Refuse notes that a key's value, which it shows as written, is not among what is allowed: "pace = \"1:4\": allowed is …".
func (t *Table) Refuse(key, allowed string) {
	if w := t.Written(key); w != "" {
		t.Problem(key, "%s = %s: allowed is %s", key, w, allowed)
		return
	}
	t.Problem(key, "%s is a table here: allowed is %s", key, allowed)
}

// Place is the line and column at which Problem would note one.
func (t *Table) Place(key string) (line, col int) {
	return t.doc.place(t.place(key))
}

// TextPlace is the line and column of byte i of a text value, so that a grammar inside a text (several lines in """ or ”' too) can name
// a place in the file. Escapes with a backslash are not followed: behind one on the same line the column is too small.
func (t *Table) TextPlace(key string, i int) (line, col int) {
	return t.doc.place(t.textStart(key, i))
}

// TextProblem notes a problem at byte i of a text value, as TextPlace does.
func (t *Table) TextProblem(key string, i int, format string, args ...any) {
	t.doc.problem(t.textStart(key, i), fmt.Sprintf(format, args...))
}

// Rest notes a problem for each key of this table (not of those inside it) that was never asked for.
func (t *Table) Rest() {
	for _, key := range t.Keys() {
		if slices.Contains(t.known, key) {
			continue
		}
		text := fmt.Sprintf("unknown key %q;", key)
		if s := nearest(key, t.known); s != "" {
			text += fmt.Sprintf(" did you mean %q?", s)
		}
		t.Problem(key, "%s allowed here: %s", text, strings.Join(t.known, ", "))
	}
}

// Err is all problems of the whole text so far as fault.Problems, in the order of their places, each once; nil for none.
func (t *Table) Err() error { return t.doc.err() }

const aNumber = "a number, without quotes"

func (t *Table) get(key string) (any, bool) {
	if !slices.Contains(t.known, key) {
		t.known = append(t.known, key)
	}
	v, ok := t.values[key]
	return v, ok
}

func (t *Table) keep(key string, made []*Table) []*Table {
	if t.tables == nil {
		t.tables = map[string][]*Table{}
	}
	t.tables[key] = made
	return made
}

func want[V any](t *Table, key, allowed string) (V, bool) {
	v, there := t.get(key)
	got, ok := v.(V)
	if there && !ok {
		t.Refuse(key, allowed)
	}
	return got, ok
}

func list[V any](t *Table, key, allowed, each string, item func(any) (V, bool)) ([]V, bool) {
	v, ok := t.get(key)
	if !ok {
		return nil, false
	}
	raw, ok := v.([]any)
	if !ok {
		t.Refuse(key, allowed)
		return nil, false
	}
	out := make([]V, len(raw))
	for i, v := range raw {
		var right bool
		if out[i], right = item(v); !right {
			t.wrongItem(key, i, each)
			ok = false
		}
	}
	return out, ok
}

func number(v any) (float64, bool) {
	switch v := v.(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	return 0, false
}

func (t *Table) wrongItem(key string, i int, allowed string) {
	n := t.item(key, i)
	t.doc.problem(n.head, fmt.Sprintf("item %d of %s is %s: allowed is %s", i+1, key, t.doc.written(n), allowed))
}

// item is the node of one item of a list.
func (t *Table) item(key string, i int) *node {
	if kid := t.node.kids[key]; kid != nil && i < len(kid.items) {
		return kid.items[i]
	}
	return &node{key: t.place(key), head: t.place(key)}
}

// place is the offset of a key, of the table itself where there is no such key.
func (t *Table) place(key string) int {
	if kid := t.node.kids[key]; kid != nil {
		return kid.key
	}
	return t.node.head
}

// textStart is the offset of byte i of a text value.
func (t *Table) textStart(key string, i int) int {
	kid := t.node.kids[key]
	if kid == nil {
		return t.node.head
	}
	raw := t.doc.text[kid.value:kid.end]
	start := 1
	if strings.HasPrefix(raw, `"""`) || strings.HasPrefix(raw, "'''") {
		start = 3
		for _, lineEnd := range []string{"\r\n", "\n"} { // the first one does not belong to the text
			if strings.HasPrefix(raw[3:], lineEnd) {
				start += len(lineEnd)
				break
			}
		}
	}
	return min(kid.value+start+max(i, 0), kid.end)
}

// written is a node's value as it stands in the text, shortened.
func (d *document) written(n *node) string {
	const most = 40 // characters
	s, _, cut := strings.Cut(d.text[n.value:n.end], "\n")
	s = strings.TrimRight(s, "\r")
	if utf8.RuneCountInString(s) > most {
		s, cut = string([]rune(s)[:most]), true
	}
	if cut {
		s += "…"
	}
	return s
}
