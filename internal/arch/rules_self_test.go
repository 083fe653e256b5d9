package arch

import (
	"strings"
	"testing"
	"testing/fstest"
)

// small is a house of six rooms on which the rules are tried.
var small = house{
	module: "example.org/m",
	rooms: []room{
		{path: "calm", pure: true},
		{path: "deep", imports: []string{"calm"}},
		{path: "loop", imports: []string{"deep"}, closure: true},
		{path: "web", imports: []string{"loop"}, closure: true, never: []string{"deep"}},
		{path: "util"},
		{path: "start", starts: true},
	},
	forbidden: []edge{{"web", "deep", "the web stays at the surface"}},
	libraries: []library{{"lib.org/a", []string{"deep"}, "depth"}, {"lib.org/check", nil, "tests"}},
}

func TestEachRuleIsSeenToFail(t *testing.T) {
	cases := []struct{ name, file, text, want string }{
		{"a package that is not on the map", "attic/a.go", "package attic", "attic/a.go:1: package attic is not on the map"},
		{"a test alone of a package that is not on the map", "attic/a_test.go", "package attic", "attic/a_test.go:1: package attic is not"},
		{"a file that does not parse", "calm/a.go", "package calm\nfunc {", "calm/a.go:2:"},
		{"a package without a doc", "calm/a.go", "package calm", "calm: the package has no doc"},
		{"an import that the row does not have", "calm/a.go", "// Package calm.\npackage calm\nimport _ \"example.org/m/deep\"", "calm/a.go:3: calm may not import deep: not in its row"},
		{"an import with its reason", "web/a.go", "// Package web.\npackage web\nimport _ \"example.org/m/deep\"", "web/a.go:3: web may not import deep: the web stays at the surface"},
		{"an import for other machines only", "calm/a_plan9.go", "//go:build plan9\n\n// Package calm.\npackage calm\nimport _ \"example.org/m/loop\"", "calm/a_plan9.go:5: calm may not"},
		{"a library that nobody listed", "deep/a.go", "// Package deep.\npackage deep\nimport _ \"lib.org/b\"", "lib.org/b is not in the list"},
		{"a library whose name only begins alike", "deep/a.go", "// Package deep.\npackage deep\nimport _ \"lib.org/ab\"", "lib.org/ab is not in the list"},
		{"a library in the wrong room", "loop/a.go", "// Package loop.\npackage loop\nimport _ \"lib.org/a/sub\"", "loop may not import lib.org/a/sub: only deep may"},
		{"a test library outside tests", "deep/a.go", "// Package deep.\npackage deep\nimport _ \"lib.org/check\"", "lib.org/check is for tests only"},
		{"a go statement in a pure package", "calm/a.go", "// Package calm.\npackage calm\nfunc f() {\n\tgo f()\n}", "calm/a.go:4: a pure package may not start a goroutine"},
		{"a wait group that starts one", "calm/a.go", "// Package calm.\npackage calm\nimport \"sync\"\nfunc f(w *sync.WaitGroup) { w.Go(nil) }", "may not start a goroutine"},
		{"a goroutine that nobody guards", "deep/a.go", "// Package deep.\npackage deep\nfunc f() {\n\tgo f()\n}", "deep/a.go:4: a goroutine starts through task.Start or task.Run: a panic in there would end the program without a stop"},
		{"a wait group's goroutine that nobody guards", "deep/a.go", "// Package deep.\npackage deep\nimport \"sync\"\nfunc f(w *sync.WaitGroup) { w.Go(nil) }", "deep/a.go:4: a goroutine starts through task.Start or task.Run, not through a method Go"},
		{"a timer's goroutine that nobody guards", "deep/a.go", "// Package deep.\npackage deep\nimport \"time\"\nvar x = time.AfterFunc(1, func() { move() })", "deep/a.go:4: what time.AfterFunc starts may only close"},
		{"a clock read", "calm/a.go", "// Package calm.\npackage calm\nimport \"time\"\nvar x = time.Now()", "calm/a.go:4: a pure package may not read the clock (time.Now)"},
		{"a clock under another name, not even called", "calm/a.go", "// Package calm.\npackage calm\nimport t \"time\"\nvar x = t.Since", "(time.Since)"},
		{"a clock behind a dot", "calm/a.go", "// Package calm.\npackage calm\nimport . \"time\"\nvar x = Now()", "with a dot"},
		{"a timer in a context", "calm/a.go", "// Package calm.\npackage calm\nimport \"context\"\nvar x = context.WithTimeout", "(context.WithTimeout)"},
		{"a file opened in a pure package", "calm/a.go", "// Package calm.\npackage calm\nimport _ \"os\"", "may not import os"},
		{"a socket in a pure package", "calm/a.go", "// Package calm.\npackage calm\nimport _ \"net/http\"", "may not import net/http"},
		{"an init function", "deep/a.go", "// Package deep.\npackage deep\n\nfunc init() {}", "deep/a.go:4: init() works at a distance"},
		{"a package that says nothing", "util/a.go", "// Package util.\npackage util", "a package named util says nothing"},
		{"a package clause that says nothing", "deep/a.go", "// Package helper.\npackage helper", "a package named helper says nothing"},
		{"a test that skips", "calm/a_test.go", "package calm\nimport \"testing\"\nfunc TestX(t *testing.T) {\n\tt.Skip()\n}", "calm/a_test.go:4: a test may not skip itself"},
		{"a test that skips by a field", "calm/a_test.go", "package calm\nimport \"testing\"\ntype h struct{ tb testing.TB }\nfunc (x h) f() { x.tb.Skipf(\"\") }", "a test may not skip itself"},
		{"a property that skips", "calm/a_test.go", "package calm\nimport \"pgregory.net/rapid\"\nfunc p(rt *rapid.T) { rt.SkipNow() }", "a test may not skip itself"},
		{"a test that sleeps", "calm/a_test.go", "package calm\nimport \"time\"\nfunc f() {\n\ttime.Sleep(1)\n}", "calm/a_test.go:4: a test may not sleep"},
		{"a suite outside test files that sleeps", "deep/a.go", "// Package deep.\npackage deep\nimport (\n\"testing\"\n\"time\"\n)\nfunc F(t *testing.T) { time.Sleep(1) }", "deep/a.go:7: a test may not sleep"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			broken, _, err := small.inspect(fstest.MapFS{c.file: {Data: []byte(c.text)}})
			if err != nil {
				t.Fatal(err)
			}
			if len(broken) != 1 || !strings.Contains(broken[0], c.want) {
				t.Errorf("got %q, want one finding with %q", broken, c.want)
			}
		})
	}
}

func TestWhatIsAllowedIsLeftAlone(t *testing.T) {
	files := map[string]string{
		"calm/a.go":              "// Package calm.\npackage calm\nimport \"time\"\nconst d = 3 * time.Second\nfunc f(now time.Time) bool { return now.IsZero() }",
		"calm/b.go":              "package calm\ntype key struct{ Skip, After int }\nfunc (k key) Now() int { return k.Skip + k.After }",
		"calm/a_test.go":         "package calm\nimport (\n\"os\"\n\"testing\"\n\"time\"\n\"lib.org/check\"\n\"example.org/m/web\"\n)\nfunc TestX(t *testing.T) { go web.F(); check.It(os.Args, time.Now()) }",
		"deep/a.go":              "// Package deep.\npackage deep\nimport (\n\"os\"\n\"time\"\n\"lib.org/a\"\n\"example.org/m/calm\"\n)\nfunc F() { a.B(os.Args); time.AfterFunc(1, func() { os.Stdin.Close() }); time.Sleep(calm.D) }",
		"start/a.go":             "// Package start.\npackage start\nfunc F() { go F() }",
		"deep/suite.go":          "package deep\nimport \"testing\"\nfunc G(t *testing.T) { go F() }",
		"loop/a.go":              "// Package loop.\npackage loop\nimport _ \"example.org/m/calm\"", // by closure
		"web/a.go":               "// Package web.\npackage web\nimport _ \"example.org/m/calm\"",   // by closure of a closure
		"calm/testdata/bad.go":   "package nonsense; func {",
		"_scratch/a.go":          "package scratch",
		".git/hooks/pretend.go":  "package hooks",
		"calm/notes/plain.txt":   "time.Now()",
		"deep/skipping_test.go":  "package deep\ntype cmd struct{}\nfunc (cmd) Skip() {}\nfunc g(c cmd) { c.Skip() }",
		"deep/outside_x_test.go": "package deep_test\nfunc init() {}",
	}
	m := fstest.MapFS{}
	for name, text := range files {
		m[name] = &fstest.MapFile{Data: []byte(text)}
	}
	broken, long, err := small.inspect(m)
	if err != nil || len(broken) != 0 || len(long) != 0 {
		t.Errorf("broken %q, long %q, err %v; want none", broken, long, err)
	}
}

func TestLongFilesAreListed(t *testing.T) {
	text := "// Package deep.\npackage deep\n" + strings.Repeat("// and on\n", tooLong-1)
	_, long, err := small.inspect(fstest.MapFS{"deep/a.go": {Data: []byte(text)}})
	if err != nil || len(long) != 1 || long[0] != "deep/a.go: 451 lines" {
		t.Errorf("got %q, %v; want deep/a.go with 451 lines", long, err)
	}
}
