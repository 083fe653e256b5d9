package tomlplace

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/BurntSushi/toml"

	"flume.example/sequencerd/internal/fault"
)

func parse(t *testing.T, text string) *Table {
	t.Helper()
	root, err := Parse("f.toml", []byte(text))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return root
}

func TestEveryWayToWriteAKeyHasAPlace(t *testing.T) {
	text := "a = 1\r\n" + // CRLF
		"# b = 2\n" +
		"  \"ü.b\" = [ 1, # ]\n 2 ]\n" +
		"x . y.'z' = \"\"\"q = 1\n\\\"\"\"\"\"\"\n" +
		"in = { p = 1, q = { r = \"}\" } }\n" +
		"list = [ { k = 1 },\n  { k = 2 } ]\n" +
		"[t.u]\nv = '''\nw = 3\n'''\n" +
		"[[r]]\n[[r.s]]\n o = 1\n[[r]]\n [[r.s]]\n o = 2\n" +
		"\t[t]\nlast = 07:30\n"
	root := parse(t, text)
	at := func(tab *Table, key string) string {
		l, c := tab.Place(key)
		return fmt.Sprintf("%d:%d", l, c)
	}
	list, r := root.Tables("list"), root.Tables("r")
	for _, row := range []struct{ what, got, want string }{
		{"a bare key at the start", at(root, "a"), "1:1"},
		{"a quoted key with an umlaut and a point, behind spaces", at(root, "ü.b"), "3:3"},
		{"the first part of a dotted key", at(root, "x"), "5:1"},
		{"the middle part", at(root.Table("x"), "y"), "5:5"},
		{"the last part, in quotes", at(root.Table("x").Table("y"), "z"), "5:7"},
		{"a key behind a text of two lines with quotes in it", at(root, "in"), "7:1"},
		{"a key of an inline table", at(root.Table("in"), "q"), "7:15"},
		{"a key of an inline table in another", at(root.Table("in").Table("q"), "r"), "7:21"},
		{"an inline table itself stands at its key", at(root.Table("in"), ""), "7:1"},
		{"a key in the second table of a list", at(list[1], "k"), "9:5"},
		{"a table of a list stands at its bracket", at(list[1], ""), "9:3"},
		{"a key of a header with points", at(root.Table("t").Table("u"), "v"), "11:1"},
		{"a table with a header of its own stands at the bracket", at(root.Table("t"), ""), "20:2"},
		{"and its key at the name", at(root, "t"), "20:3"},
		{"an array of tables stands at its first name", at(root, "r"), "14:3"},
		{"the second table of an array", at(r[1], ""), "17:1"},
		{"an array in an array", at(r[1].Tables("s")[0], "o"), "19:2"},
		{"its header, indented", at(r[1].Tables("s")[0], ""), "18:2"},
		{"a key behind a later header", at(root.Table("t"), "last"), "21:1"},
		{"a missing key stands where its table does", at(r[0], "nothing"), "14:1"},
		{"and at 1:1 in the root", at(root, "nothing"), "1:1"},
	} {
		if row.got != row.want {
			t.Errorf("%s: %s, want %s", row.what, row.got, row.want)
		}
	}
	if got := strings.Join(root.Keys(), " "); got != "a ü.b x in list t r" {
		t.Errorf("keys in the order of the text: %s", got)
	}
	if err := root.Err(); err != nil {
		t.Error(err)
	}
}

func TestTheByteOrderMarkIsNoCharacter(t *testing.T) {
	if l, c := parse(t, "\ufeffa = 1").Place("a"); l != 1 || c != 1 {
		t.Errorf("%d:%d", l, c)
	}
}

func TestAPlaceInsideAText(t *testing.T) {
	root := parse(t, "one = 'abc'\ntwo = \"\"\"\r\n4 x 100\r\n  ü 20 sec rest\"\"\"\nthree = '''x\ny'''\n")
	for _, row := range []struct {
		key, find string
		want      string
	}{
		{"one", "a", "1:8"}, {"one", "c", "1:10"},
		{"two", "4", "3:1"}, {"two", "100", "3:5"}, {"two", "20", "4:5"},
		{"three", "x", "5:12"}, {"three", "y", "6:1"},
	} {
		s, _ := root.String(row.key)
		l, c := root.TextPlace(row.key, strings.Index(s, row.find))
		if got := fmt.Sprintf("%d:%d", l, c); got != row.want {
			t.Errorf("%q in %s: %s, want %s", row.find, row.key, got, row.want)
		}
	}
	root.TextProblem("two", 2, "x is no number of rounds")
	if got := root.Err().Error(); got != "f.toml:3:3: x is no number of rounds" {
		t.Error(got)
	}
}

func TestTypesAreCheckedAllAtOnce(t *testing.T) {
	root := parse(t, `n = "4"
w = 1.5
f = nan
g = -inf
s = 3
c = 07:30
b = "yes"
fs = [1, "a", 2.5]
ss = ["a", 1]
fl = 3
one = 1
many = 2
mixed = [{}, 1]
[tab]
[[tabs]]
[[tabs]]
`)
	root.Float("n")
	root.Int("w")
	root.Float("f")
	root.Float("g")
	root.String("s")
	root.String("c")
	root.Bool("b")
	root.Floats("fs")
	root.Strings("ss")
	root.Floats("fl")
	root.Table("one").Rest()
	root.Tables("many")
	root.Tables("mixed")
	root.Tables("tab")
	root.Table("tabs")
	root.String("tab")
	root.Float("n") // asked twice, told once
	want := `f.toml:1:1: n = "4": allowed is a number, without quotes
f.toml:2:1: w = 1.5: allowed is a whole number, without quotes
f.toml:3:1: f = nan: allowed is a number, without quotes
f.toml:4:1: g = -inf: allowed is a number, without quotes
f.toml:5:1: s = 3: allowed is text in quotes, as in s = "…"
f.toml:6:1: c = 07:30: allowed is text in quotes, as in c = "…"
f.toml:7:1: b = "yes": allowed is true or false, without quotes
f.toml:8:10: item 2 of fs is "a": allowed is a number, without quotes
f.toml:9:12: item 2 of ss is 1: allowed is text in quotes
f.toml:10:1: fl = 3: allowed is a list of numbers, as in [1, 2.5]
f.toml:11:1: one = 1: allowed is one table, as in [one] with single brackets
f.toml:12:1: many = 2: allowed is any number of tables, each under [[many]] with double brackets
f.toml:13:14: item 2 of mixed is 1: allowed is a table, as in { … }
f.toml:14:2: tab is a table here: allowed is any number of tables, each under [[tab]] with double brackets
f.toml:14:2: tab is a table here: allowed is text in quotes, as in tab = "…"
f.toml:15:3: tabs is a table here: allowed is one table, as in [tabs] with single brackets`
	if got := root.Err().Error(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestRightTypesAreRead(t *testing.T) {
	root := parse(t, "s = 'x'\nb = true\ni = -4\nf = 2\nfs = [1, 2.5]\nss = ['a']\nempty = []\ntables = [{ a = 1 }, { a = 2 }]\n")
	s, _ := root.String("s")
	b, _ := root.Bool("b")
	i, _ := root.Int("i")
	f, _ := root.Float("f")
	fs, _ := root.Floats("fs")
	ss, _ := root.Strings("ss")
	empty, ok := root.Floats("empty")
	a, _ := root.Tables("tables")[1].Int("a")
	if s != "x" || !b || i != -4 || f != 2 || !slices.Equal(fs, []float64{1, 2.5}) || !slices.Equal(ss, []string{"a"}) || len(empty) != 0 || !ok || a != 2 {
		t.Error(s, b, i, f, fs, ss, empty, ok, a)
	}
	if _, ok := root.Float("missing"); ok {
		t.Error("a missing key was there")
	}
	if root.Has("missing") || !root.Has("s") {
		t.Error("Has is wrong")
	}
	if x, ok := root.Table("missing").Table("deeper").String("x"); x != "" || ok || root.Tables("none") != nil {
		t.Error("a missing table is an empty one")
	}
	root.Rest()
	if err := root.Err(); err != nil {
		t.Error(err)
	}
}

func TestUnknownKeysAreNamedWithTheNearestKnown(t *testing.T) {
	root := parse(t, "distanse = 1\nDistance = 2\ntiem = 3\nzzz = 4\n\"\" = 5\ndistance = 6\n")
	root.Has("distance")
	root.Has("time")
	root.Rest()
	want := `f.toml:1:1: unknown key "distanse"; did you mean "distance"?; allowed here: distance, time
f.toml:2:1: unknown key "Distance"; did you mean "distance"?; allowed here: distance, time
f.toml:3:1: unknown key "tiem"; did you mean "time"?; allowed here: distance, time
f.toml:4:1: unknown key "zzz"; allowed here: distance, time
f.toml:5:1: unknown key ""; allowed here: distance, time`
	want = strings.ReplaceAll(want, "?; allowed", "? allowed")
	if got := root.Err().Error(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestSyntaxErrorsAreWordedPlainly(t *testing.T) {
	deep := strings.Repeat("[", 17)
	for _, row := range []struct{ what, text, want string }{
		{"a pace without quotes", "a = 1\npace = 1:40\n", `2:8: 1:40 stands without quotes: write "1:40"`},
		{"a word without quotes", "unit = m\n", `1:8: m stands without quotes: text is written "m", a number 1.5, else true or false`},
		{"no value", "a =\n", `1:4: a value is missing here: text in quotes, a number, true or false`},
		{"no value at the end", "a =", `1:3: a value is missing here: text in quotes, a number, true or false`},
		{"a unit behind a number", "ü = 1\nd = 100m\n", `1:1: a key is followed by = and its value`},
		{"a unit behind a number", "d = 100m\n", `1:8: 'm' does not belong here: one key = value a line, text in quotes`},
		{"a key alone", "a\n", `1:2: a key is followed by = and its value`},
		{"no key", "= 1\n", `1:1: the key before = is missing`},
		{"a key twice", "a = 1\n a = 2\n", `2:2: a is given twice: allowed is once in a table`},
		{"a table and an array of tables", "[a]\n[[a]]\n", `2:3: a is given in two ways: [[a]] needs double brackets every time`},
		{"a value and a table", "a = 1\n[a.b]\n", `2:2: a is given in two ways: once as a value, once as a table`},
		{"zeros in front", "a = 007\n", `1:5: 007: a number has no zeros in front`},
		{"no digit behind the point", "a = 1.\n", `1:5: 1.: a digit is missing after the decimal point`},
		{"no digit before the point", "a = .5\n", `1:5: a digit is missing before the decimal point, as in 0.5`},
		{"a huge number", "a = 99999999999999999999\n", `1:5: 99999999999999999999 is too large a number`},
		{"a control character", "a = '\x01'\n", `1:6: byte 0x01 is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
		{"a control character above ASCII", "a = '\u009b'\n", `1:6: byte 0xc2 is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
		{"a line end of the last century", "a = 1\rb = 2\n", `1:6: byte 0x0d is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
		{"a zero byte", "\x00a = 1\n", `1:1: byte 0x00 is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
		{"a bad escape", "a = \"C:\\dir\"\n", `1:6: \d means nothing in a text: write \\ for a backslash`},
		{"no comma in a list", "a = [1 2]\n", `1:8: a comma or ] is missing before '2'`},
		{"no comma in an inline table", "a = {b=1 c=2}\n", `1:10: a comma or } is missing before 'c'`},
		{"two commas", "a = [1,,2]\n", `1:8: a value is missing before this comma`},
		{"no table name", "[]\n", `1:2: a name is missing in the brackets`},
		{"one bracket too few", "[[a]\n", `1:4: a ] is missing here: a table is [name], one of several [[name]]`},
		{"no bracket", "[a\nb = 1\n", `1:3: a ] is missing here: a table is [name], one of several [[name]]`},
		{"a text left open", "a = 1\nb = \"x\nc = 2\n", `2:5: the text that begins here is not closed: its last " is missing on this line`},
		{"a text of several lines left open", "a = 1\nb = '''x\nc = 2\n", `2:5: the text that begins here is not closed: its last ''' is missing`},
		{"what the list of wordings does not have", "a = +x\n", `1:5: this cannot be read: expected a digit but got 'x'`},
		{"no UTF-8", "a = 1\nb = '\xff'\n", `2:6: byte 0xff is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
		{"too deep a list", "a = " + deep + "\n", `1:21: tables and lists stand in each other more than 16 deep: allowed are 16`},
		{"too long a key", "a" + strings.Repeat("b", 64) + " = 1\n", `1:1: a key of 65 bytes: allowed are 64`},
		{"too many points", "a" + strings.Repeat(".b", 16) + " = 1\n", `1:33: tables and lists stand in each other more than 16 deep: allowed are 16`},
		{"too large a file", strings.Repeat("#", MaxBytes+1), `1:1: the file has 1048577 bytes: allowed are 1048576 (1 MiB)`},
	} {
		_, err := Parse("f.toml", []byte(row.text))
		var ps fault.Problems
		if !errors.As(err, &ps) || len(ps) != 1 {
			t.Errorf("%s: %v", row.what, err)
			continue
		}
		if got := ps[0].Error(); got != "f.toml:"+row.want {
			t.Errorf("%s:\n got %s\nwant f.toml:%s", row.what, got, row.want)
		}
	}
}

// The largest files that do the most harm: each that is refused took the library alone minutes, gigabytes or the whole process.
func TestHostileTextsDoNoHarm(t *testing.T) {
	var many strings.Builder
	many.WriteString("[" + strings.Repeat(strings.Repeat("k", 64)+".", 14) + "z]\n")
	for i := 0; many.Len() < MaxBytes-16; i++ {
		fmt.Fprintf(&many, "a%d=1\n", i)
	}
	for _, row := range []struct{ what, text, want string }{
		{"lists in lists", "a = " + strings.Repeat("[", MaxBytes-8), tooDeep},
		{"inline tables", "a = " + strings.Repeat("{a=", MaxBytes/3-8), tooDeep},
		{"points", strings.Repeat("a.", MaxBytes/2-8) + "a = 1", tooDeep},
		{"points in a header", "[" + strings.Repeat("a.", MaxBytes/2-8) + "a]", tooDeep},
		{"a key without end", strings.Repeat("k", MaxBytes-8) + " = 1", "allowed are 64"},
		{"quotes", "a = " + strings.Repeat(`"`, MaxBytes-8), "cannot be read"},
		{"comments", strings.Repeat("#\n", MaxBytes/2), ""},
		{"tables", strings.Repeat("[[a]]\n", MaxBytes/6), "unknown key \"a\""},
		{"long ways to many keys", many.String(), "unknown key \"kkk"},
	} {
		root, err := Parse("f.toml", []byte(row.text))
		if err == nil {
			root.Rest()
			err = root.Err()
		}
		if err == nil && row.want != "" || err != nil && !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %.200v", row.what, err)
		}
	}
}

// FuzzEveryKeyHasItsPlace: for every text that the library accepts, the locator has a place for every key, and the key stands there.
func FuzzEveryKeyHasItsPlace(f *testing.F) {
	for _, s := range []string{
		"a = 1\r\n\"b\\u0041\".c = [1, {d = 2}]\n[[e]]\n[[e.f]]\ng = '''\n'''''\n[h.i]\nj={k='}',\n}\n",
		"a = \"\"\"\\\"\"\"\"\"\"\nb = 1979-05-27 07:32:00 # x\nc = [ # ]\n[], [[1]], ]\n", "a.b = 1\na = 2\n", "a.b = 1\na = [1]\n",
		"'' = 1\n\"\\x41\\e\" = {}\n", "a = \"\"\"\\\\\"\"\"\"\"\"\n", "\ufeffx = inf\n", "[a.b]\n[a]\nc = { d.e = 1, d.f = 2 }\n", "a = [{b = [{c = 1}, {c = 2}]}]",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<12 {
			return
		}
		root, err := Parse("f.toml", []byte(text))
		var values map[string]any
		_, lib := safely(text, &values)
		switch {
		case lib == nil && err != nil:
			var ps fault.Problems
			if !errors.As(err, &ps) || !strings.Contains(ps[0].Text, "allowed are") {
				t.Fatalf("the library accepts %q, we do not: %v", text, err)
			}
			return
		case lib != nil && err == nil:
			t.Fatalf("the library refuses %q (%v), we do not", text, lib)
		case err != nil:
			inside(t, text, err)
			return
		}
		everyKey(t, root)
		root.Rest()
		if err := root.Err(); err != nil {
			inside(t, text, err)
		}
	})
}

func safely(text string, values *map[string]any) (_ toml.MetaData, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("panic: %v", r)
		}
	}()
	return toml.Decode(text, values)
}

// inside: every problem has a place in the text.
func inside(t *testing.T, text string, err error) {
	lines := strings.Split(text, "\n")
	for _, p := range err.(fault.Problems) {
		if p.Line < 1 || p.Line > len(lines) || p.Col < 1 || p.Col > utf8.RuneCountInString(lines[p.Line-1])+1 {
			t.Fatalf("%v is not in %q", p, text)
		}
	}
}

func everyKey(t *testing.T, tab *Table) {
	text := tab.doc.text
	for key, v := range tab.values {
		kid := tab.node.kids[key]
		if kid == nil {
			t.Fatalf("no place for %q in %q", key, text)
		}
		s := &scanner{text: text, pos: kid.key}
		parts, bad := s.keys(-1000)
		if bad != nil || parts[0].name != key {
			t.Fatalf("%q does not stand at byte %d of %q", key, kid.key, text)
		}
		line, col := tab.Place(key)
		if !strings.HasPrefix(string([]rune(strings.Split(text, "\n")[line-1])[col-1:]), strings.SplitN(text[kid.key:], "\n", 2)[0]) {
			t.Fatalf("%q does not stand at %d:%d of %q", key, line, col, text)
		}
		switch v := v.(type) {
		case string:
			if w := text[kid.value:kid.end]; !strings.Contains(w, `\`) {
				l, c := tab.TextPlace(key, 0)
				first, _, _ := strings.Cut(v, "\n")
				if rest := string([]rune(strings.Split(text, "\n")[l-1])[c-1:]); !strings.HasPrefix(rest, first) {
					t.Fatalf("the text of %q does not begin at %d:%d of %q", key, l, c, text)
				}
			}
		case int64:
			if i, ok := tab.Int(key); !ok || i != v || tab.Written(key) == "" {
				t.Fatalf("%q is %d of %q", key, i, text)
			}
		case float64:
			if _, ok := tab.Float(key); ok != (!math.IsNaN(v) && !math.IsInf(v, 0)) {
				t.Fatalf("%q of %q", key, text)
			}
		case map[string]any:
			everyKey(t, tab.Table(key))
		case []map[string]any:
			if len(kid.items) != len(v) {
				t.Fatalf("%d tables, not %d, for %q in %q", len(kid.items), len(v), key, text)
			}
			for _, tab := range tab.Tables(key) {
				everyKey(t, tab)
			}
		case []any:
			if len(kid.items) != len(v) {
				t.Fatalf("%d items, not %d, for %q in %q", len(kid.items), len(v), key, text)
			}
			for i, item := range v {
				if row, ok := item.(map[string]any); ok {
					everyKey(t, &Table{doc: tab.doc, node: kid.items[i], values: row})
				}
			}
		}
	}
}
