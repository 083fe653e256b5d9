package schedule

import "fmt"

// What is said of words that mean nothing in lines.

// unknown says that a word means nothing here. Quotes are offered only where what is swum is known without it.
func (p *lineParser) unknown(it *item, asPace bool) {
	w := p.cur().text
	remark := fmt.Sprintf("a remark goes in quotes, %q", w)
	say := fmt.Sprintf(`this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as %s = "threshold+5"`, bareName(w))
	paced := !asPace && p.paced(it)
	if paced {
		say = "this word is not known here: " + remark
	}
	if m := meant(w, p.paces); m != "" && !(asPace && roles[m] == rolePace) {
		say = fmt.Sprintf("did you mean %s? This word is not known here", m)
		if paced {
			say += "; " + remark
		}
	}
	if order := orderWords[w]; order != "" {
		say = order
	}
	p.wrong(it, p.i, "%s", say)
}

const farAhead = 40 // tokens, where a look ahead may be taken again and again

// paced reports whether the set has a pace, before or behind the word that stands here.
func (p *lineParser) paced(it *item) bool {
	if it.pace != nil || it.in != nil || it.turn > 0 || it.descend != nil && (it.descend.from != nil || it.descend.by > 0) {
		return true
	}
	for n := 1; n < farAhead; n++ {
		switch t := p.peek(n); {
		case t.kind == tEnd || t.kind == tNewline || t.is(";") || t.is("(") || t.is(")") || t.is("x"):
			return false
		case t.is(",") && p.peek(n+1).kind == tNumber:
			return false
		case p.named(n), p.role(n) == rolePace, p.role(n) == roleIn, p.role(n) == roleThreshold:
			return true
		}
	}
	return false
}

func bareName(w string) string {
	if paceName.MatchString(w) {
		return w
	}
	return "easy"
}
