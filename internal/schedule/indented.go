package schedule

// indented puts brackets around the lines that stand deeper than a line which ends in "3 x": they are what is swum so often.
func indented(tokens []token) []token {
	next := make([]int, len(tokens)) // the token that begins a line behind this one
	for i := len(tokens) - 1; i >= 0; i-- {
		if next[i] = i; tokens[i].kind == tNewline {
			next[i] = next[i+1]
		}
	}
	var out []token
	var opened []int // the columns of lines that have deeper ones
	begin, written := 0, 0
	for i, t := range tokens {
		switch {
		case t.is("("):
			written++
		case t.is(")"):
			written--
		}
		if t.kind != tNewline && t.kind != tEnd {
			out = append(out, t)
			continue
		}
		behind := tokens[next[i]]
		sign := token{kind: tSign, from: t.from, to: t.from, line: t.line, col: t.col}
		switch {
		case written != 0 || begin == i:
		case i-begin >= 2 && tokens[i-1].is("x") && tokens[i-2].kind == tNumber && behind.kind != tEnd && behind.col > tokens[begin].col:
			opened = append(opened, tokens[begin].col)
			sign.text = "("
			out = append(out, sign)
		default:
			for n := len(opened); n > 0 && (behind.kind == tEnd || behind.col <= opened[n-1]); n-- {
				opened = opened[:n-1]
				sign.text = ")"
				out = append(out, sign)
			}
		}
		out = append(out, t)
		begin = i + 1
	}
	return out
}
