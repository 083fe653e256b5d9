package fault

import (
	"errors"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write testdata/sentences.golden anew")

// withValues has one example of each fault whose sentences name what was asked.
var withValues = []Fault{
	NotNow("skip", "stopped"),
	NudgeTooFar(-31, 30),
	CannotNudge(errors.New("1:02/100m is faster than this flume gives, 1:04.2/100m")),
}

// all has every fault: the catalogue in the order of the codes, then those with values.
func all() []Fault {
	codes := Codes()
	slices.Sort(codes)
	faults := make([]Fault, len(codes))
	for i, c := range codes {
		faults[i] = Of(c)
		if faults[i].Code != c {
			panic("the fault of " + c + " has the code " + faults[i].Code)
		}
	}
	return append(faults, withValues...)
}

// TestSentences holds the catalogue to testdata/sentences.golden, where all sentences can be read in one go.
func TestSentences(t *testing.T) {
	var b strings.Builder
	for _, f := range all() {
		b.WriteString(f.Text() + "\n")
	}
	golden := filepath.Join("testdata", "sentences.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the sentences have changed. Read them, then: go test ./internal/fault -update\n--- now\n%s--- golden\n%s", b.String(), want)
	}
}

// TestCatalogue: every fault says what happened and one thing to do, in whole sentences; no two faults say the same.
func TestCatalogue(t *testing.T) {
	form := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	said := map[string]Code{}
	for _, f := range all() {
		c := f.Code
		if !form.MatchString(string(c)) {
			t.Errorf("code %q: want lower-case words joined by hyphens", c)
		}
		if f.What == "" || f.Do == "" {
			t.Errorf("%s: says not what happened, or not what to do", c)
		}
		for _, s := range []string{f.What, f.Water, f.Do} {
			if s == "" {
				continue // only Water may be; the others were looked at above
			}
			asks := s == f.What && strings.HasSuffix(s, "?")
			if !strings.HasSuffix(s, ".") && !asks {
				t.Errorf("%s: %q does not end with a full stop", c, s)
			}
			if strings.ToUpper(s[:1]) != s[:1] || s != strings.TrimSpace(s) || strings.Contains(s, "  ") {
				t.Errorf("%s: %q is not written as a sentence", c, s)
			}
		}
		if other, ok := said[f.What]; ok {
			t.Errorf("%s and %s say the same: %q", c, other, f.What)
		}
		said[f.What] = c
	}
}

// TestEveryCodeHasSentence reads the constants from the source: a code that nobody wrote a sentence for would tell a swimmer nothing.
func TestEveryCodeHasSentence(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Code]string{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			if !ok {
				return true
			}
			if typ, ok := v.Type.(*ast.Ident); !ok || typ.Name != "Code" {
				return true
			}
			for i, value := range v.Values {
				text, err := strconv.Unquote(value.(*ast.BasicLit).Value)
				if err != nil {
					t.Fatal(err)
				}
				if other, ok := seen[Code(text)]; ok {
					t.Errorf("%s and %s are both %q", other, v.Names[i].Name, text)
				}
				seen[Code(text)] = v.Names[i].Name
			}
			return true
		})
	}
	for c, name := range seen {
		if !slices.ContainsFunc(all(), func(f Fault) bool { return f.Code == c }) {
			t.Errorf("%s (%q) has no sentence", name, c)
		}
	}
	if len(seen) < len(catalogue) {
		t.Errorf("%d constants, but %d sentences", len(seen), len(catalogue))
	}
}

func TestText(t *testing.T) {
	f := Fault{Code: "cold-water", What: "The water is cold.", Do: "Get out."}
	if got, want := f.Text(), "The water is cold. Get out. [cold-water]"; got != want || f.Error() != want {
		t.Errorf("%q, want %q", got, want)
	}
	f.Water = "It is at rest."
	if got, want := f.Text(), "The water is cold. It is at rest. Get out. [cold-water]"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestUnknownCode: a code without a sentence is shown rather than hidden.
func TestUnknownCode(t *testing.T) {
	if got, want := Of("no-such").Text(), "Something went wrong that has no sentence yet. [no-such]"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestProblems(t *testing.T) {
	var none Problems
	if err := none.Sorted(); err != nil {
		t.Errorf("no problems are the error %v", err)
	}
	ps := Problems{
		{"a.toml", 3, 1, "third"},
		{"a.toml", 2, 9, "second"},
		{"a.toml", 2, 1, "first"},
		{"a.toml", 0, 0, "of the whole file"},
		{"a.toml", 3, 1, "also there, found later"},
	}
	want := "a.toml: of the whole file\na.toml:2:1: first\na.toml:2:9: second\na.toml:3:1: third\na.toml:3:1: also there, found later"
	if err := ps.Sorted(); err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
}
