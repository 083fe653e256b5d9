package fault

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing wrong in a file, at a place: what, the value, what is allowed.
type Problem struct {
	File      string
	Line, Col int // from 1, Col in characters; 0 where there is no such place
	Text      string
}

// Error is "FILE:LINE:COL: text".
func (p Problem) Error() string {
	if p.Line == 0 {
		return p.File + ": " + p.Text
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Col, p.Text)
}

// Problems is all that is wrong in a file, in the order of the places.
type Problems []Problem

// Error is one problem a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Sorted puts the problems in the order of their places; it returns nil where there are none, so that it can be returned as an error.
func (ps Problems) Sorted() error {
	if len(ps) == 0 {
		return nil
	}
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
	return ps
}
