// Package tomlplace reads a TOML text so that everything wrong in it can be told at once, each at the line and column of its key.
//
// The TOML library decodes; it gives a place for syntax errors only, so a small locator of our own follows the same text and notes
// where each key stands. A caller asks a Table for the keys that it knows, by type; what has the wrong type becomes a problem, and so
// does, after Rest, each key that was never asked for. Err on the root has all problems, in the order of their places.
//
//	root, err := tomlplace.Parse("session.toml", text)
//	if err != nil {
//		return err // syntax: one problem
//	}
//	title, ok := root.String("title")
//	if ok && title == "" {
//		root.Problem("title", `title is empty: allowed is up to 200 characters`)
//	}
//	for _, step := range root.Tables("step") { … step.Rest() }
//	root.Rest()
//	return root.Err()
//
// Lines and columns count from 1, columns in characters.
package tomlplace

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
)

// The largest text that is read, and what its keys may be. The library's own structures grow with the product of these; nobody's file comes near.
const (
	MaxBytes   = 1 << 20
	maxKey     = 64 // bytes of one key, or of one part of a dotted key
	maxNesting = 16 // tables and lists in each other
)

// Parse reads a whole text. The error is a fault.Problems with one problem: a syntax error, a text of more than 1 MiB, a text that is not UTF-8,
// keys longer than 64 bytes or nested more than 16 deep. The name is the file's, for the problems.
func Parse(name string, text []byte) (*Table, error) {
	d := &document{name: name}
	fail := func(at int, format string, args ...any) (*Table, error) {
		d.problem(at, fmt.Sprintf(format, args...))
		return nil, d.err()
	}
	if len(text) > MaxBytes {
		return fail(0, "the file has %d bytes: allowed are %d (1 MiB)", len(text), MaxBytes)
	}
	d.setText(strings.TrimPrefix(string(text), "\ufeff"))
	if i := firstForeign(d.text); i >= 0 {
		return fail(i, "byte 0x%02x is no text: allowed are UTF-8 without control characters; save the file as UTF-8", d.text[i])
	}

	root, bad := scan(d.text)
	if bad != nil && bad.text != "" {
		return fail(bad.at, "%s", bad.text)
	}
	readable := d.text
	if bad != nil { // the library gets no further than the locator did, so that nothing unmeasured reaches it
		if i := strings.IndexByte(readable[bad.at:], '\n'); i >= 0 {
			readable = readable[:bad.at+i+1]
		}
	}
	values, err := decode(readable)
	var syntax toml.ParseError
	switch {
	case errors.As(err, &syntax):
		return fail(syntax.Position.Start, "%s", plain(syntax.Message))
	case err != nil:
		return fail(0, "%s", err)
	case bad != nil:
		return fail(bad.at, "this cannot be read")
	}
	return &Table{doc: d, node: root, values: values}, nil
}

// decode guards against the library's own alarms: it panics on what it takes for a fault of its own.
func decode(text string) (values map[string]any, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the file cannot be read as TOML (%v)", r)
		}
	}()
	values = map[string]any{}
	_, err = toml.Decode(text, &values)
	return values, err
}

// firstForeign is the offset of the first byte that is not UTF-8, or a control character other than tab and line end; -1 for none.
func firstForeign(s string) int {
	for i, r := range s {
		switch {
		case r == utf8.RuneError:
			if _, n := utf8.DecodeRuneInString(s[i:]); n == 1 {
				return i
			}
		case r == '\t', r == '\n', r == '\r' && strings.HasPrefix(s[i+1:], "\n"):
		case unicode.IsControl(r): // TOML would let those above U+0080 pass, some terminals obey them
			return i
		}
	}
	return -1
}
