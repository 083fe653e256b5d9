package tomlplace

import "slices"

// Span is where a key's value stands in the text that was read (without a byte order mark at its begin): bytes from to end, quotes included.
// Both are 0 where the key is missing or its value is a table under a header.
func (t *Table) Span(key string) (from, end int) {
	kid := t.node.kids[key]
	if kid == nil {
		return 0, 0
	}
	return kid.value, kid.end
}

// TextSpan is the same without the quotes, for a text value: what TextPlace and TextProblem count their bytes in.
func (t *Table) TextSpan(key string) (from, end int) {
	kid := t.node.kids[key]
	if kid == nil {
		return 0, 0
	}
	quotes := 1
	if raw := t.doc.text[kid.value:kid.end]; len(raw) >= 6 && (raw[:3] == `"""` || raw[:3] == "'''") {
		quotes = 3
	}
	return t.textStart(key, 0), max(kid.end-quotes, kid.value)
}

// Asked lists the keys that somebody has asked this table for, there or not, in the order of asking.
func (t *Table) Asked() []string { return slices.Clone(t.known) }

// Rows is Tables for a reader who does not know the key's kind: false, and no problem, where it is no array of tables.
func (t *Table) Rows(key string) ([]*Table, bool) {
	switch v := t.values[key].(type) {
	case []map[string]any:
		return t.Tables(key), true
	case []any:
		if len(v) == 0 {
			return nil, false
		}
		for _, item := range v {
			if _, isTable := item.(map[string]any); !isTable {
				return nil, false
			}
		}
		return t.Tables(key), true
	}
	return nil, false
}

// Sub is Table for a reader who does not know the key's kind: false where it is no table.
func (t *Table) Sub(key string) (*Table, bool) {
	if _, ok := t.values[key].(map[string]any); !ok {
		return nil, false
	}
	return t.Table(key), true
}

// Text is a key's value as it stands in the text, in full; empty where the key is missing or its value is a table under a header.
func (t *Table) Text(key string) string {
	from, end := t.Span(key)
	return t.doc.text[from:end]
}
