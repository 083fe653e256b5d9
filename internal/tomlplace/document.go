package tomlplace

import (
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
)

// document is what all tables of one text share: the text, where its lines begin, what is wrong so far.
type document struct {
	name     string
	text     string
	lines    []int // offset of the first byte of each line
	problems fault.Problems
}

func (d *document) setText(text string) {
	d.text, d.lines = text, []int{0}
	for i := 0; ; i++ {
		n := strings.IndexByte(text[i:], '\n')
		if n < 0 {
			return
		}
		i += n
		d.lines = append(d.lines, i+1)
	}
}

// place is the line and column of an offset; an offset outside of the text is taken for its nearest end.
func (d *document) place(at int) (line, col int) {
	if d.lines == nil {
		return 1, 1
	}
	at = min(max(at, 0), len(d.text))
	line = sort.SearchInts(d.lines, at+1)
	return line, utf8.RuneCountInString(d.text[d.lines[line-1]:at]) + 1
}

func (d *document) problem(at int, text string) {
	line, col := d.place(at)
	d.problems = append(d.problems, fault.Problem{File: d.name, Line: line, Col: col, Text: text})
}

func (d *document) err() error {
	if len(d.problems) == 0 {
		return nil
	}
	sorted := slices.Clone(d.problems)
	_ = sorted.Sorted() // in place; the same slice comes back as an error
	seen := make(map[fault.Problem]bool, len(sorted))
	return slices.DeleteFunc(sorted, func(p fault.Problem) bool {
		again := seen[p]
		seen[p] = true
		return again
	})
}
