package tomlplace

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// node is where one key, or one item of a list, stands in the text. All places are byte offsets.
type node struct {
	key   int // the key; for an item of a list, the item
	head  int // what stands for a table as a whole: "[" of its header, "{" of an item of a list, else its key
	value int // the value as written, text[value:end]; nothing for tables that have a header or come from dotted keys
	end   int

	order []string // keys in the order of the text
	kids  map[string]*node
	items []*node
}

// child is the node of a key in a table, made where it is new.
func (n *node) child(p part) *node {
	c, ok := n.kids[p.name]
	if !ok {
		c = &node{key: p.at, head: p.at}
		if n.kids == nil {
			n.kids = map[string]*node{}
		}
		n.kids[p.name] = c
		n.order = append(n.order, p.name)
	}
	return c
}

// open is the table that a key leads into: the last one of an array of tables.
func (n *node) open() *node {
	if len(n.items) > 0 {
		return n.items[len(n.items)-1]
	}
	return n
}

// stop is where the locator cannot go on. Without a text of its own the library says why.
type stop struct {
	at   int
	text string
}

// part is one name in a dotted key or a header.
type part struct {
	name string
	at   int
}

// scanner follows a text like the TOML grammar (toml.io, v1.1) does, but only as closely as is needed to find each key of a text that the library accepts:
// values are skipped, not checked. It is linear in the text, and gives up on what is nested too deep.
type scanner struct {
	text string
	pos  int
}

func scan(text string) (*node, *stop) {
	s := &scanner{text: text}
	root := &node{}
	table, depth := root, 0
	for {
		s.blank(true)
		if s.pos == len(text) {
			return root, nil
		}
		var bad *stop
		if s.peek() == '[' {
			table, depth, bad = s.header(root)
		} else {
			bad = s.keyValue(table, depth)
		}
		if bad != nil {
			return root, bad
		}
		if s.blank(false); s.pos < len(text) && s.peek() != '\n' && s.peek() != '\r' {
			return root, s.stop()
		}
	}
}

func (s *scanner) stop() *stop { return &stop{at: s.pos} }

func (s *scanner) peek() byte {
	if s.pos < len(s.text) {
		return s.text[s.pos]
	}
	return 0
}

func (s *scanner) take(prefix string) bool {
	if strings.HasPrefix(s.text[s.pos:], prefix) {
		s.pos += len(prefix)
		return true
	}
	return false
}

// blank skips spaces and comments, and line ends where told to.
func (s *scanner) blank(lineEnds bool) {
	for s.pos < len(s.text) {
		switch c := s.text[s.pos]; {
		case c == ' ', c == '\t', lineEnds && (c == '\n' || c == '\r'):
			s.pos++
		case c == '#':
			if n := strings.IndexByte(s.text[s.pos:], '\n'); n >= 0 {
				s.pos += n
			} else {
				s.pos = len(s.text)
			}
		default:
			return
		}
	}
}

func (s *scanner) spaces() {
	for s.peek() == ' ' || s.peek() == '\t' {
		s.pos++
	}
}

// header reads [a.b] or [[a.b]] and gives the table that it opens.
func (s *scanner) header(root *node) (table *node, depth int, bad *stop) {
	start := s.pos
	array := s.take("[[")
	if !array {
		s.take("[")
	}
	parts, bad := s.keys(0)
	if bad != nil {
		return nil, 0, bad
	}
	if array && !s.take("]]") || !array && !s.take("]") {
		return nil, 0, s.stop()
	}
	table = root
	for _, p := range parts[:len(parts)-1] {
		table = table.child(p).open()
	}
	last := parts[len(parts)-1]
	table = table.child(last)
	if array {
		item := &node{key: last.at, head: start}
		table.items = append(table.items, item)
		return item, len(parts), nil
	}
	table.key, table.head = last.at, start // where a longer header came first, this one says more
	return table, len(parts), nil
}

// keyValue reads key = value into a table.
func (s *scanner) keyValue(table *node, depth int) *stop {
	parts, bad := s.keys(depth)
	if bad != nil {
		return bad
	}
	if !s.take("=") {
		return s.stop()
	}
	for _, p := range parts {
		table = table.open().child(p)
	}
	return s.valueOf(table, depth+len(parts))
}

// keys reads the parts of a dotted key.
func (s *scanner) keys(depth int) ([]part, *stop) {
	var parts []part
	for {
		s.spaces()
		p := part{at: s.pos}
		if c := s.peek(); c == '"' || c == '\'' {
			if bad := s.line(c); bad != nil {
				return nil, bad
			}
			p.name = s.text[p.at+1 : s.pos-1]
			if c == '"' {
				p.name = unescape(p.name)
			}
		} else {
			for bare(s.peek()) {
				s.pos++
			}
			if p.name = s.text[p.at:s.pos]; p.name == "" {
				return nil, s.stop()
			}
		}
		parts = append(parts, p)
		if s.pos-p.at > maxKey {
			return nil, &stop{p.at, fmt.Sprintf("a key of %d bytes: allowed are %d", s.pos-p.at, maxKey)}
		}
		if depth+len(parts) > maxNesting {
			return nil, &stop{p.at, tooDeep}
		}
		s.spaces()
		if !s.take(".") {
			return parts, nil
		}
	}
}

var tooDeep = fmt.Sprintf("tables and lists stand in each other more than %d deep: allowed are %d", maxNesting, maxNesting)

func bare(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_' || c == '-'
}

// valueOf skips one value and notes in n where it stands, and what stands in it.
func (s *scanner) valueOf(n *node, depth int) *stop {
	s.spaces()
	if depth > maxNesting {
		return &stop{s.pos, tooDeep}
	}
	n.value = s.pos
	bad := s.skipValue(n, depth)
	n.end = s.pos
	return bad
}

func (s *scanner) skipValue(n *node, depth int) *stop {
	switch c := s.peek(); {
	case c == '"' || c == '\'':
		if q := strings.Repeat(string(c), 3); s.take(q) {
			return s.multiLine(c)
		}
		return s.line(c)
	case c == '[':
		n.items = nil
		return s.items(']', func() *stop {
			item := &node{key: s.pos, head: s.pos}
			n.items = append(n.items, item)
			return s.valueOf(item, depth+1)
		})
	case c == '{':
		return s.items('}', func() *stop { return s.keyValue(n, depth) })
	}
	start := s.pos
	for s.pos < len(s.text) && !strings.ContainsRune(",]}#\r\n", rune(s.peek())) {
		s.pos++
	}
	s.pos = start + len(strings.TrimRight(s.text[start:s.pos], " \t"))
	if s.pos == start {
		return s.stop()
	}
	return nil
}

// items reads a list or an inline table up to its end; the opening bracket is next.
func (s *scanner) items(end byte, one func() *stop) *stop {
	s.pos++
	for {
		if s.blank(true); s.peek() == end {
			s.pos++
			return nil
		}
		if bad := one(); bad != nil {
			return bad
		}
		if s.blank(true); !s.take(",") && s.peek() != end {
			return s.stop()
		}
	}
}

// line skips a text in single quotes (' or ") on one line.
func (s *scanner) line(quote byte) *stop {
	start := s.pos
	for s.pos++; s.pos < len(s.text) && s.text[s.pos] != '\n'; s.pos++ {
		switch c := s.text[s.pos]; {
		case c == quote:
			s.pos++
			return nil
		case c == '\\' && quote == '"':
			s.pos++
		}
	}
	return &stop{start, fmt.Sprintf("the text that begins here is not closed: its last %c is missing on this line", quote)}
}

// multiLine skips a text in threefold quotes; up to two more quotes before the closing three belong to it.
func (s *scanner) multiLine(quote byte) *stop {
	start, run := s.pos-3, 0
	for ; s.pos < len(s.text); s.pos++ {
		switch c := s.text[s.pos]; {
		case c == quote:
			run++
			continue
		case run >= 3:
			return nil
		case c == '\\' && quote == '"':
			s.pos++
		}
		run = 0
	}
	s.pos = min(s.pos, len(s.text))
	if run >= 3 {
		return nil
	}
	return &stop{start, fmt.Sprintf("the text that begins here is not closed: its last %c%c%c is missing", quote, quote, quote)}
}

// unescape is the name that a key in " quotes stands for. What the library would refuse is left as it is.
func unescape(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' || i+1 == len(s) {
			b.WriteByte(s[i])
			continue
		}
		i++
		if plain := strings.IndexByte(`btnfre"\`, s[i]); plain >= 0 {
			b.WriteByte("\b\t\n\f\r\x1b\"\\"[plain])
			continue
		}
		digits := map[byte]int{'x': 2, 'u': 4, 'U': 8}[s[i]]
		n, err := strconv.ParseUint(s[i+1:min(i+1+digits, len(s))], 16, 32)
		if err != nil || !utf8.ValidRune(rune(n)) {
			b.WriteByte(s[i])
			continue
		}
		b.WriteRune(rune(n))
		i += digits
	}
	return b.String()
}
