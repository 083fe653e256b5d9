package settings

import (
	"fmt"
	"strconv"
	"strings"

	"flume.example/sequencerd/internal/tomlplace"
)

// Hide says what Show leaves out.
type Hide uint8

// What is left out: what could only be a password always, and people's names where the text goes to somebody else.
const (
	Secrets Hide = iota
	SecretsAndNames
)

// Show writes every value in force, each with where it is from, as a configuration that reads back as the same settings: the text over the defaults, as
// Parse takes them, and with its errors. Keys that have no value are there as comments. What could only be a secret is masked: no key holds one, so this is
// what somebody put into a wrong place.
func Show(file string, text, defaults []byte, hide Hide) (string, error) {
	s := new(Settings)
	base, err := s.overlay(builtIn, defaults)
	if err != nil {
		return "", err
	}
	mine, err := s.overlay(file, text)
	if err != nil {
		return "", err
	}
	w := shower{file: file, hide: hide}
	if file == "" {
		w.line("# The defaults: no configuration file was found.")
	} else {
		w.line("# In force: %s over the defaults. Behind each value is where it is from.", file)
	}
	w.table("", layers{base: base, mine: mine})
	return w.out.String(), nil
}

// layers is one table of the defaults, and the same of the file; either may be nil, but not both.
type layers struct{ base, mine *tomlplace.Table }

// top is the table that a key's value is from, and nil where it has none.
func (l layers) top(key string) *tomlplace.Table {
	for _, t := range []*tomlplace.Table{l.mine, l.base} {
		if t != nil && t.Has(key) {
			return t
		}
	}
	return nil
}

// asked are the keys that the settings know, in their order.
func (l layers) asked() []string {
	if l.base != nil {
		return l.base.Asked()
	}
	return l.mine.Asked()
}

func sub(t *tomlplace.Table, key string) *tomlplace.Table {
	if t == nil {
		return nil
	}
	s, _ := t.Sub(key)
	return s
}

type shower struct {
	file  string
	hide  Hide
	out   strings.Builder
	names []string // in small letters
}

func (w *shower) line(format string, args ...any) { fmt.Fprintf(&w.out, format+"\n", args...) }

// table writes the values of a table, then the tables in it.
func (w *shower) table(path string, l layers) {
	var inner []string
	for _, key := range l.asked() {
		t := l.top(key)
		if t == nil {
			w.line("%-30s  # not given", "# "+key+" =")
			continue
		}
		_, isTable := t.Sub(key)
		_, isRows := t.Rows(key)
		if isTable || isRows {
			inner = append(inner, key)
			continue
		}
		w.value(path, key, t, l)
	}
	for _, key := range inner {
		name := strings.TrimPrefix(path+"."+key, ".")
		if rows, ok := l.top(key).Rows(key); ok {
			for _, row := range rows {
				inside := layers{base: row}
				if l.mine != nil && l.mine.Has(key) {
					inside = layers{mine: row}
				}
				w.line("\n[[%s]]%s", name, w.from(row, "", inside))
				w.table(name, inside)
			}
			continue
		}
		w.line("\n[%s]", name)
		w.table(name, layers{base: sub(l.base, key), mine: sub(l.mine, key)})
	}
}

func (w *shower) value(path, key string, t *tomlplace.Table, l layers) {
	text := t.Text(key)
	if strings.HasPrefix(text, `"`) || strings.HasPrefix(text, "'") {
		s, _ := t.String(key)
		switch {
		case strings.HasSuffix(key, "_file") || key == "key" || key == "certificate":
			if s != "" && !strings.Contains(s, "/") {
				text = `"(hidden: no path of a file)"`
			}
		case w.hide == SecretsAndNames && (path == "swimmer.person" && key == "name" || path == "swimmer" && key == "default" && s != ""):
			text = strconv.Quote(w.somebody(s))
		}
	}
	w.line("%-30s%s", key+" = "+text, w.from(t, key, l))
}

// somebody stands for a name. The same name, in capitals or not, is the same somebody.
func (w *shower) somebody(name string) string {
	name = strings.ToLower(name)
	for i, n := range w.names {
		if n == name {
			return fmt.Sprintf("somebody %d", i+1)
		}
	}
	w.names = append(w.names, name)
	return fmt.Sprintf("somebody %d", len(w.names))
}

func (w *shower) from(t *tomlplace.Table, key string, l layers) string {
	if l.mine == nil || t != l.mine {
		return "  # default"
	}
	line, _ := t.Place(key)
	return fmt.Sprintf("  # %s:%d", w.file, line)
}
