package tomlplace

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
