package schedule

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// tokenKind is what a token of a line is.
type tokenKind uint8

const (
	tEnd     tokenKind = iota // of the whole text
	tNewline                  // ends a line, and with it a set
	tWord                     // in lower case
	tNumber
	tTime
	tNote  // what stands in quotes
	tLabel // what stands before a colon
	tSign  // one of ( ) , ; + - / @ = . x and others that mean nothing
	tBad   // text says what is wrong
)

// token is one word, number or sign of the lines, and where it stands.
type token struct {
	kind      tokenKind
	text      string // as it is understood; for tBad, what is wrong
	from, to  int    // bytes of the lines
	line, col int    // in the file, from 1, columns in characters
	glued     bool   // no space before it
	number    float64
	time      time.Duration
}

func (t token) is(sign string) bool { return t.kind == tSign && t.text == sign }

// lexer cuts lines into tokens. It goes through the text once; nothing looks further ahead than a line, and a look ahead that fails reaches a
// bounded way, so the time grows with the text and no faster.
type lexer struct {
	text      string
	pos       int
	line, col int
	counted   int  // how far line and col have been counted
	start     bool // a set may begin here, with a label
	open      int  // brackets
	tokens    []token
}

// lex cuts the text, whose first byte stands at that line and column of the file. The last token is tEnd.
func lex(text string, line, col int) []token {
	l := &lexer{text: text, line: line, col: col, start: true}
	for l.one() {
	}
	l.tokens = indented(l.tokens)
	l.joinLines()
	return l.tokens
}

// plainRunes are what word processors, messengers and other keyboards put in place of plain signs.
var plainRunes = map[rune]rune{
	'×': 'x', '✕': 'x', '✖': 'x', '⨯': 'x', '*': 'x', '−': '-', '–': '-', '—': '-', '\u2010': '-', '\u2011': '-', '\u2012': '-', '\ufe63': '-', '\uff0d': '-',
	'“': '"', '”': '"', '„': '"', '«': '"', '»': '"', '″': '"', '‟': '"', '‘': '\'', '’': '\'', '′': '\'', '‚': '\'', '‛': '\'',
	'\uff1a': ':', '∶': ':', '\uff0c': ',', '\uff1b': ';', '\uff08': '(', '\uff09': ')', '[': '(', ']': ')', '{': '(', '}': ')', '\uff0b': '+', '|': ';', '∕': '/', '⁄': '/',
}

// at is the rune at a byte, as it is understood, and its length; 0 and 0 at the end.
func (l *lexer) at(i int) (rune, int) {
	if i >= len(l.text) {
		return 0, 0
	}
	r, n := rune(l.text[i]), 1
	if r >= utf8.RuneSelf {
		r, n = utf8.DecodeRuneInString(l.text[i:])
	}
	if p, ok := plainRunes[r]; ok {
		return p, n
	}
	return r, n
}

// unseen are characters without a width, which come with pasted text.
func unseen(r rune) bool {
	return r == '\u200b' || r == '\u200c' || r == '\u200d' || r == '\u2060' || r == '\ufeff' || r == '\u00ad' || r == '\u200e' || r == '\u200f'
}

func blank(r rune) bool { return r != '\n' && (unicode.IsSpace(r) || unseen(r)) }

func digit(r rune) bool { return r >= '0' && r <= '9' }

// ends reports whether a word or number can end before this rune.
func ends(r rune) bool {
	return r == 0 || unicode.IsSpace(r) || unseen(r) || strings.ContainsRune(",;).+", r)
}

// one reads one token; it reports whether there are more.
func (l *lexer) one() bool {
	for {
		r, n := l.at(l.pos)
		if r == '#' || r == '/' && strings.HasPrefix(l.text[l.pos:], "//") {
			if i := strings.IndexByte(l.text[l.pos:], '\n'); i >= 0 {
				l.pos += i
			} else {
				l.pos = len(l.text)
			}
			continue
		}
		if n == 0 || !blank(r) {
			break
		}
		l.pos += n
	}
	if l.start && (l.bullet() || l.label()) {
		return true
	}
	r, n := l.at(l.pos)
	l.start = false
	switch {
	case n == 0:
		l.add(tEnd, "", l.pos)
		return false
	case r == '\n':
		l.add(tNewline, "", l.pos+1)
		l.start = true
	case digit(r) || r == ':' && l.digitAt(l.pos+n):
		l.figure()
	case r == '"' || r == '\'':
		l.note(r, n)
	case r == ':' && l.idle():
		l.pos += n
	case (r == 'x' || r == 'X') && l.times(n):
		l.add(tSign, "x", l.pos+n)
	case unicode.IsLetter(r):
		l.word()
	case r == '.' && l.digitAt(l.pos+n):
		end := l.pos + n
		for l.digitAt(end) {
			end++
		}
		l.bad(end, "a digit is missing before the decimal point")
	case r == utf8.RuneError && n == 1 || unicode.IsControl(r):
		l.bad(l.pos+n, "a character that cannot be read; leave it out")
	default:
		l.add(tSign, string(r), l.pos+n)
		l.start = r == '(' || r == ';'
		switch r {
		case '(':
			l.open++
		case ')':
			l.open = max(l.open-1, 0)
		}
	}
	return true
}

func (l *lexer) digitAt(i int) bool { return i < len(l.text) && digit(rune(l.text[i])) }

// add appends the token that ends at to, and counts on to the place where it begins.
func (l *lexer) add(kind tokenKind, text string, to int) *token {
	for _, r := range l.text[l.counted:l.pos] {
		l.col++
		if r == '\n' {
			l.line, l.col = l.line+1, 1
		}
	}
	l.counted = l.pos
	t := token{kind: kind, text: text, from: l.pos, to: to, line: l.line, col: l.col}
	if n := len(l.tokens); n > 0 {
		t.glued = l.tokens[n-1].to == l.pos
	}
	l.tokens = append(l.tokens, t)
	l.pos = to
	return &l.tokens[len(l.tokens)-1]
}

func (l *lexer) bad(to int, say string) { l.add(tBad, say, to) }

// times reports whether an x here multiplies: behind a number or a bracket, and not the first letter of a word.
func (l *lexer) times(n int) bool {
	if len(l.tokens) == 0 {
		return false
	}
	last := l.tokens[len(l.tokens)-1]
	next, _ := l.at(l.pos + n)
	return (last.kind == tNumber || last.is(")") || last.is("x")) && !(unicode.IsLetter(next) && next != 'x')
}

// idle reports whether a colon here only follows a word, as in "rest: 0:20".
func (l *lexer) idle() bool {
	if len(l.tokens) == 0 {
		return false
	}
	last := l.tokens[len(l.tokens)-1]
	if last.kind != tWord || last.to != l.pos {
		return false
	}
	switch roles[last.text] {
	case rolePace, roleIn, roleSendOff, roleRest, roleDescend, roleAscend, roleCap, roleOdd, roleEven:
		return true
	}
	return false
}

// bullet skips what numbers or marks the items of a list: "1.", "2)", "-", "•".
func (l *lexer) bullet() bool {
	r, n := l.at(l.pos)
	end := l.pos + n
	switch {
	case r == '-' || r == '•' || r == '·' || r == '–' || r == 'x' && l.text[l.pos] == '*' || r == '>' || r == '◦' || r == '▪':
	case digit(r):
		for l.digitAt(end) && end < l.pos+3 {
			end++
		}
		if c, m := l.at(end); c == '.' || c == ')' && l.open == 0 {
			end += m
			break
		}
		return false
	default:
		return false
	}
	if c, _ := l.at(end); !blank(c) {
		return false
	}
	l.pos = end
	return true // start stays
}

const mostLabel = 80 // characters before a colon

// label reads "Warm-up:" where a set may begin.
func (l *lexer) label() bool {
	first, _ := l.at(l.pos)
	if !unicode.IsLetter(first) {
		return false
	}
	i, before, timed := l.pos, rune(0), false
	for range mostLabel {
		r, n := l.at(i)
		switch {
		case n == 0 || strings.ContainsRune("\n\"#;()", r) || unicode.IsControl(r) && r != '\t' || r == utf8.RuneError:
			return false
		case r == ':' && digit(before) && l.digitAt(i+n): // Down from 2:06: 4 x …
			timed = true
		case r == ':':
			text := strings.Join(strings.FieldsFunc(strings.Map(straightHyphen, l.text[l.pos:i]), blank), " ")
			next, _ := l.at(i + n)
			if next != 0 && !unicode.IsSpace(next) && !unseen(next) && !(kindOf(text) != "" && (digit(next) || next == '(') && !digit(before)) {
				return false
			}
			if timed && slices.ContainsFunc(strings.Fields(strings.ToLower(text)), func(w string) bool {
				return slices.Contains([]role{rolePace, roleIn, roleSendOff, roleRest, roleOpen}, roles[w])
			}) {
				return false
			}
			if roles[strings.ToLower(text)] == roleRest { // "Rest: 1:00" is a rest
				if after := strings.TrimLeftFunc(l.text[i+n:], blank); len(after) < 4 || !strings.EqualFold(after[:4], "rest") {
					return false
				}
			}
			l.add(tLabel, text, i+n)
			return true
		}
		if !blank(r) {
			before = r
		}
		i += n
	}
	return false
}

// straightHyphen is a hyphen for whatever stands for one, so that a label is found whatever it was pasted from.
func straightHyphen(r rune) rune {
	if plainRunes[r] == '-' {
		return '-'
	}
	return r
}

// word reads letters, with digits, and with a hyphen, slash or apostrophe between letters.
func (l *lexer) word() {
	i := l.pos
	for {
		r, n := l.at(i)
		next, _ := l.at(i + n)
		inside := i > l.pos && unicode.IsLetter(next) && (r == '-' || r == '\'' || r == '/' && i == l.pos+1)
		if !(unicode.IsLetter(r) || i > l.pos && (digit(r) || r == '_' || unicode.IsMark(r)) || inside || i > l.pos && unseen(r) && r != '\ufeff' && unicode.IsLetter(next)) {
			break
		}
		if digit(r) && roles[strings.ToLower(l.text[l.pos:i])] == roleRest { // r20
			break
		}
		i += n
	}
	text := strings.ToLower(strings.Map(func(r rune) rune {
		if unseen(r) {
			return -1
		}
		if p, ok := plainRunes[r]; ok && !unicode.IsLetter(r) {
			return p
		}
		return r
	}, l.text[l.pos:i]))
	if next, n := l.at(i); text == "w" && next == '/' { // w/ board
		i += n
	}
	if n, ok := numberWords[text]; ok {
		l.add(tNumber, text, i).number = n
		return
	}
	l.add(tWord, text, i)
}

// note reads a remark in quotes, on one line.
func (l *lexer) note(quote rune, n int) {
	i := l.pos + n
	for {
		r, n := l.at(i)
		if n == 0 || r == '\n' {
			l.bad(i, "the remark that begins here is not closed: write \"…\" around it, on one line")
			return
		}
		next, _ := l.at(i + n)
		if r == quote && (quote == '"' || ends(next)) {
			text := strings.TrimFunc(l.text[l.pos:i], func(r rune) bool { p, ok := plainRunes[r]; return blank(r) || r == quote || ok && p == quote })
			switch {
			case text == "":
				l.bad(i+n, "there is nothing between these quotes: write a remark, or leave them out")
			case utf8.RuneCountInString(text) > maxText || strings.ContainsFunc(text, unicode.IsControl):
				l.bad(i+n, "a remark has at most "+strconv.Itoa(maxText)+" characters, without control characters")
			default:
				l.add(tNote, text, i+n)
			}
			return
		}
		i += n
	}
}

const unclosed = "this bracket is not closed: its ) is missing"

// joinLines makes the line ends inside of brackets part the sets there, as ";" does. A bracket that is never closed holds nothing.
func (l *lexer) joinLines() {
	var opened []int
	partner := make([]bool, len(l.tokens))
	for i, t := range l.tokens {
		switch {
		case t.is("("):
			opened = append(opened, i)
		case t.is(")") && len(opened) > 0:
			last := opened[len(opened)-1]
			opened = opened[:len(opened)-1]
			partner[i], partner[last] = true, true
		}
	}
	depth := 0
	for i := range l.tokens {
		t := &l.tokens[i]
		switch {
		case partner[i] && t.is("("):
			depth++
		case partner[i]:
			depth--
		case t.is("("):
			t.kind, t.text = tBad, unclosed
		case t.is(")"):
			t.kind, t.text = tBad, "no bracket is open here: leave this ) out, or put its ( before the first set that belongs to it"
		case t.kind == tNewline && depth > 0:
			t.kind, t.text = tSign, ";"
		}
	}
}
