package schedule

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// item is what stands between two separators of the lines: a set, a rest, or sets in brackets. It is what is written, not yet what it comes to.
type item struct {
	from, to   int // tokens, to is the first that does not belong to it
	name, kind string
	remarks    []string
	counts     []count
	items      []*item // in brackets
	extents    []extent
	isOpen     bool // open, or rest open
	isRest     bool // not a swim
	drill      bool // by the word, not by its label
	build      int  // the token that asks for two paces; 0 for none

	pace, second *paceText // second of "1:50 to 1:40"
	in           *timeText // of one repetition
	on           *timeText
	rest         *timeText // behind each swim of it, behind each round where it has items; of a rest, how long it is
	restOpen     bool
	cap          *timeText
	descend      *descendText
	turns        [2]*paceText // of the odd and of the even repetitions
	turn         int          // the token that asks for them; 0 for none
	broken       bool         // something is wrong with it and has been said
	failed       bool         // the same, but what follows was read on
	unsure       bool         // failed, and by more than a time that is known to be one
	lost         bool         // what follows would make no sense
}

// count is "6 x".
type count struct {
	n     int
	token int
}

// extent is a distance or a time.
type extent struct {
	token, to int // tokens
	distance  float64
	unit      units.Unit
	hasUnit   bool
	time      time.Duration // 0 for a distance
}

// timeText is a time as it stands in the lines.
type timeText struct {
	token, to int // tokens
	time      time.Duration
}

// paceText is a pace as it stands in the lines. What its seconds are per 100 of is known only with the set that it is for.
type paceText struct {
	token, to int // tokens
	figure    float64
	relative  bool
	named     *namedPace
	in        measure
	hasIn     bool // else per 100 of the set's unit
}

// descendText is "descend 2 s", "descend 1-3 from … to …", or "descend" alone beside two paces; ascend is the same, slower.
type descendText struct {
	token, to int
	every     int // the rounds come in threes: 3; 0 for all of them in one
	by        time.Duration
	byToken   int
	from, end *paceText
	slower    bool
}

// lineParser reads tokens into items. What is wrong with an item is said once, at its word; reading goes on behind the next separator.
type lineParser struct {
	text     string
	tokens   []token
	i, depth int
	paces    map[string]*namedPace
	problems []lineProblem
}

type lineProblem struct {
	token int
	text  string
}

const mostBrackets = 8 // in each other, when they are read; steps have a limit of their own

const mostProblems = 50 // of the lines; who has more of them has something else in mind

func (p *lineParser) cur() token { return p.tokens[p.i] }

func (p *lineParser) peek(n int) token { return p.tokens[min(p.i+n, len(p.tokens)-1)] }

func (p *lineParser) role(n int) role {
	t := p.peek(n)
	if t.kind != tWord || p.paces[t.text] != nil && p.paces[t.text].given {
		return noRole
	}
	return roles[t.text]
}

func (p *lineParser) wrong(it *item, token int, format string, args ...any) {
	if !it.broken {
		it.broken = true
		p.problem(token, format, args...)
	}
}

func (p *lineParser) problem(token int, format string, args ...any) {
	if len(p.problems) > mostProblems {
		return
	}
	text := p.word(token) + fmt.Sprintf(format, args...)
	if len(p.problems) == mostProblems {
		text = "more is wrong from here on; mend what stands above first"
	}
	p.problems = append(p.problems, lineProblem{token, text})
}

// word is a token as it begins a problem.
func (p *lineParser) word(i int) string {
	switch t := p.tokens[i]; t.kind {
	case tLabel:
		return t.text + ": "
	case tEnd, tNewline:
		return ""
	}
	return p.snippet(i, i+1) + ": "
}

// ended reports whether an item ends here.
func (p *lineParser) ended() bool {
	t := p.cur()
	return t.kind == tEnd || t.kind == tNewline || t.is(";") || t.is(")")
}

// skip goes to the next separator.
func (p *lineParser) skip() {
	depth := 0
	for t := p.cur(); t.kind != tEnd && t.kind != tNewline; t = p.cur() {
		switch {
		case t.is("("):
			depth++
		case depth == 0 && (t.is(";") || t.is(")")):
			return
		case t.is(")"):
			depth--
		}
		p.i++
	}
}

// items reads what stands on a line or in brackets.
func (p *lineParser) items() (items []*item) {
	for {
		for p.cur().is(";") || p.cur().is(",") || p.cur().is("+") || p.role(0) == roleThen {
			p.i++
		}
		if p.ended() {
			return items
		}
		items = append(items, p.item())
	}
}

// item reads one set or rest. It goes on by one token at least.
func (p *lineParser) item() *item {
	it := &item{from: p.i}
	defer func() { it.to = p.i }()
	p.labels(it)
	for p.lead(it) {
	}
	p.counts(it)
	for p.lead(it) { // 4 x kick 50
	}
	switch {
	case p.cur().is("("):
		if p.depth == mostBrackets {
			p.wrong(it, p.i, "brackets stand in each other more than %d deep", mostBrackets)
			break
		}
		p.i++
		p.depth++
		it.items = p.items()
		p.depth--
		if len(it.items) == 0 {
			p.wrong(it, p.i-1, "nothing stands in these brackets: write sets in them, as in 3 x (200 at 1:50; 50 at 1:40)")
		}
		if p.cur().is(")") {
			p.i++
		}
		if p.cur().is("x") && p.peek(1).kind == tNumber && p.peek(2).kind != tSign {
			p.i++
			p.count(it)
		}
	case p.role(0) == roleRest:
		p.i++
		p.restItem(it)
	case p.role(0) == roleOpen:
		p.i++
		it.isOpen = true
	case p.cur().kind == tNumber || p.cur().kind == tTime:
		p.extents(it)
	case p.cur().kind == tBad:
		p.wrong(it, p.i, "%s", p.cur().text)
		if r := p.tokens[p.i]; r.to-r.from <= 3 && strings.HasPrefix(r.text, unclosed) { // what stands in it makes no sense without it
			for p.cur().kind != tNewline && p.cur().kind != tEnd {
				p.i++
			}
			return it
		}
	case it.from == p.i || len(it.counts) > 0 || it.kind != "" || len(it.remarks) > 0 || it.pace != nil:
		p.noExtent(it)
	}
	if p.i == it.from {
		p.wrong(it, p.i, "a set is expected here, as in 6 x 100 at 1:50, rest :20")
	}
	if it.broken {
		p.i = max(p.i, it.from+1)
		p.skip()
		return it
	}
	for !p.ended() {
		at := p.i
		if !p.attribute(it) && !(it.broken && p.resume(it, at)) {
			break
		}
	}
	if it.broken {
		p.skip()
	}
	it.broken = it.broken || it.failed
	return it
}

// resume goes on behind what is wrong, which began at that token, to the next thing about the same set, so that it is told as well.
func (p *lineParser) resume(it *item, at int) bool {
	if it.lost {
		return false
	}
	if p.i == at && !p.cur().is("(") && !p.ended() {
		p.i++
	}
	if p.cur().kind == tWord && p.role(0) == noRole && p.role(1) == rolePace { // at race pace
		p.i += 2
	}
	for depth := 0; ; p.i++ {
		t := p.cur()
		switch {
		case t.kind == tEnd || t.kind == tNewline || depth == 0 && (t.is(";") || t.is(")")):
			return false
		case t.is("("):
			depth++
		case t.is(")"):
			depth--
		case depth > 0:
		case t.is(","), slices.Contains([]role{rolePace, roleIn, roleSendOff, roleRest, roleDescend, roleAscend}, p.role(0)):
			it.broken, it.failed, it.unsure = false, true, true
			return true
		}
	}
}

// noExtent says what is missing where neither distance nor time stands.
func (p *lineParser) noExtent(it *item) {
	t := p.cur()
	switch {
	case t.kind == tWord && p.role(0) == noRole && p.paces[t.text] == nil && kindOf(t.text) == "":
		p.unknown(it, false)
	case t.kind == tWord && p.role(0) == roleUntold:
		p.wrong(it, p.i, "this is not swum: write # before what is only to be read")
	case len(it.counts) > 0 && (t.kind == tNewline || t.is(";")):
		n := it.counts[len(it.counts)-1].n
		p.wrong(it, max(p.i-1, it.from), "what is swum %d times stands in brackets: write %d x ( here, each set on a line of its own, and ) behind the last; or indent those lines", n, n)
	case t.kind == tWord || t.kind == tSign || t.kind == tNote || t.kind == tLabel:
		p.wrong(it, p.i, "here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it")
	default:
		p.wrong(it, max(p.i-1, it.from), "a distance or a time is missing behind this, as in 6 x 100 at 1:50")
	}
}

// labels reads "Warm-up:" and "Main: Fifties:".
func (p *lineParser) labels(it *item) {
	for p.cur().kind == tLabel {
		text := p.cur().text
		kind := kindOf(text)
		switch {
		case p.role(0) == noRole && roles[strings.ToLower(text)] == roleUntold:
			p.wrong(it, p.i, "this is not swum: write # before what is only to be read")
		case kind != "" && it.kind == "" && it.name == "":
			it.kind = kind
		case it.name != "":
			p.wrong(it, p.i, "a second name: one is enough")
		default:
			it.name = text
		}
		p.i++
	}
}

// lead reads one word that may stand before the distance: a kind, a remark, a pace by name.
func (p *lineParser) lead(it *item) bool {
	t := p.cur()
	if t.kind != tWord {
		if it.kind != "" && p.i > it.from && t.is("-") { // Warm-up - 400 easy
			p.i++
			return true
		}
		return false
	}
	if named := p.paces[t.text]; named != nil && named.given {
		return p.attribute(it)
	}
	if kind, n := p.kindWords(); n > 0 && kind != "drill" {
		if it.kind == "" {
			it.kind = kind
		}
		p.i += n
		return true
	}
	switch r := p.role(0); {
	case r == roleRemark || r == roleDrill || r == roleThreshold || p.paces[t.text] != nil:
		return p.attribute(it)
	case r == roleFiller:
		p.i++
		return true
	case (r == roleDescend || r == roleAscend) && p.peek(1).kind == tNumber && (p.peek(2).is("x") || p.role(2) == roleTimes): // descend 4 x 100 from 1:50 to 1:40
		it.descend = &descendText{token: p.i, to: p.i + 1, slower: r == roleAscend}
		p.i++
		return true
	case r == roleBuild && (p.peek(1).kind == tNumber || p.peek(1).kind == tTime): // build 400 from 2:00 to 1:45
		it.build = p.i
		p.i++
		return true
	}
	return false
}

// kindWords reads a kind that stands here in one or two words, and how many; none where a number gives it another meaning.
func (p *lineParser) kindWords() (kind string, words int) {
	for n := 2; n > 0; n-- {
		text := ""
		for i := range n {
			if p.peek(i).kind != tWord || p.paces[p.peek(i).text] != nil && p.paces[p.peek(i).text].given {
				text = ""
				break
			}
			text += " " + p.peek(i).text
		}
		if kind := kindOf(text); kind != "" {
			return kind, n
		}
	}
	return "", 0
}

// counts reads "6 x", "3 x 4 x", "3 rounds of".
func (p *lineParser) counts(it *item) {
	for p.cur().kind == tNumber && !it.broken {
		switch {
		case p.peek(1).is("x") || p.role(1) == roleTimes:
			p.count(it)
			p.i++
		case p.role(1) == roleRounds:
			word := p.i + 1
			p.count(it)
			p.i++
			if p.role(0) == roleFiller || p.cur().is("x") {
				p.i++
			}
			if strings.HasPrefix(p.tokens[word].text, "round") && !p.cur().is("(") {
				p.wrong(it, word, "what belongs to a round stands in brackets, as in 3 x (200 at 1:50; 50 at 1:40)")
			}
		default:
			return
		}
	}
}

func (p *lineParser) count(it *item) {
	t := p.cur()
	if n := int(t.number); float64(n) != t.number || n < 1 || n > maxRepeat {
		p.wrong(it, p.i, "a set is swum a whole number of times, from 1 to %d", maxRepeat)
	} else {
		it.counts = append(it.counts, count{n, p.i})
	}
	p.i++
}
