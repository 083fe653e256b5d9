package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/rogpeppe/go-internal/testscript"
)

// Of what the documents show to be typed, this is not done. Each line is as it stands in the document, without sudo; that the program knows its command
// and flags is checked all the same. All else is run: see TestTheDocumentsDoWhatTheySay.
var notRun = map[string]string{
	"sequencerd panel-code":                                                            "a person: it asks for a code without showing it",
	"sequencerd --config training.toml drive jog --rpm 200":                            "a person: it asks for the flume's name before it turns a motor",
	"sequencerd node-sim --broker mqtt://127.0.0.1 --topic flume/drive":                "a network: a broker",
	"sequencerd --config my.toml drive status":                                         "a network: a node behind a broker",
	"sequencerd --config my.toml run --uncommissioned config/sessions/first-swim.toml": "a network: a node behind a broker",
}

// These programs are not ours, and not run. What can be said about such a line without that is checked.
var others = map[string]func(tree string, args []string) error{
	"make":          checkMake,
	"go":            checkGo,
	"systemctl":     checkUnit,
	"journalctl":    checkUnit,
	"apt":           nil, // root, and a system that is changed
	"git":           nil, // a network
	"cd":            nil, // no program
	"mosquitto":     nil, // a network
	"mosquitto_pub": nil, // a network
	"sqlite3":       nil, // may not be there
}

// These documents have nothing that could be run here, for the reason given.
var nothingToRun = map[string]string{
	"docs/board.md":   "it is about make board-test, which needs a virtual board",
	"docs/fuzzing.md": "it is about make fuzz, which takes as long as it is told to",
	"docs/figures.md": "it is about make bench, which takes minutes and a quiet machine",
}

// lasting are the commands that go on until somebody ends them. They are begun, have to say what the document shows, are there for the lines below, as in
// a second terminal, and end well when they are interrupted.
var lasting = map[string]bool{"serve": true, "drive-sim": true, "node-sim": true}

// elsewhere are folders of a computer beside a flume. In a document they stand as they are there; the test has them below a folder of its own.
var elsewhere = regexp.MustCompile(`(^|[\s="'])(/(?:tmp|etc/sequencerd|media/stick|var/lib/sequencerd|usr/share/sequencerd)\b)`)

// TestTheDocumentsDoWhatTheySay holds README.md and docs/*.md to the program. A document is its own script:
//
//   - a fence "toml file=NAME" is a file that is there from then on;
//   - a fence "sh" is lines to type; in a fence "console" those are behind "$ ", and what they write stands below them, … for what is left out;
//   - a line ends with code 0, or with what "echo $?" shows below it.
//
// A line that no rule covers, a command line that stands elsewhere than in a fence, and a document in which nothing is run, fail. So does a command that
// is named in a sentence and is none.
func TestTheDocumentsDoWhatTheySay(t *testing.T) {
	tree := filepath.Join("..", "..")
	guides, err := filepath.Glob(filepath.Join(tree, "docs", "*.md"))
	if err != nil || len(guides) < 6 {
		t.Fatalf("documents: %v, %v; at least six were expected", guides, err)
	}
	var scripts []string
	dir, used := t.TempDir(), map[string]bool{}
	for _, path := range append(guides, filepath.Join(tree, "README.md"), filepath.Join(tree, "DEVELOPERS.md"), filepath.Join(tree, "SAFETY.md")) {
		name, _ := filepath.Rel(tree, path)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		d := read(name, string(text))
		s := script{tree: tree, used: used}
		for _, p := range append(d.problems, s.write(d)...) {
			t.Error(p)
		}
		switch guide := name == "README.md" || strings.HasPrefix(name, "docs/"); {
		case s.ran > 0:
			file := filepath.Join(dir, strings.ReplaceAll(name, "/", "-")+".txtar")
			if err := os.WriteFile(file, []byte(s.text()), 0o600); err != nil {
				t.Fatal(err)
			}
			scripts = append(scripts, file)
			if nothingToRun[name] != "" {
				t.Errorf("%s is listed as having nothing to run, and has", name)
			}
		case guide && nothingToRun[name] == "":
			t.Errorf("%s shows nothing that is run: show it at work, in a fence sh or console", name)
		}
	}
	for line := range notRun {
		if !used[line] {
			t.Errorf("listed as not run, and in no document: %s", line)
		}
	}
	testscript.Run(t, testscript.Params{Files: scripts, Setup: beside(t, tree), RequireExplicitExec: true, Cmds: map[string]func(*testscript.TestScript, bool, []string){
		"file": asFile, "ends": ends, "into": into, "lasts": lasts, "interrupt": interrupt,
	}})
}

// beside makes the folder in which a document's lines are typed: the program on the path, config/ as in the tree, no flume of this machine's own.
func beside(t *testing.T, tree string) func(*testscript.Env) error {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return func(e *testscript.Env) error {
		bin := filepath.Join(e.WorkDir, ".bin")
		for _, d := range []string{".bin", ".run", "tmp", "media/stick", "etc/sequencerd", "var/lib/sequencerd"} {
			if err := os.MkdirAll(filepath.Join(e.WorkDir, d), 0o700); err != nil {
				return err
			}
		}
		if err := os.Symlink(program, filepath.Join(bin, "sequencerd")); err != nil {
			return err
		}
		config := os.DirFS(filepath.Join(tree, "config"))
		for _, to := range []string{"config", "usr/share/sequencerd"} {
			if err := os.CopyFS(filepath.Join(e.WorkDir, to), config); err != nil {
				return err
			}
		}
		e.Setenv("PATH", bin+string(filepath.ListSeparator)+e.Getenv("PATH"))
		e.Setenv("HOME", e.WorkDir)
		e.Setenv("XDG_RUNTIME_DIR", filepath.Join(e.WorkDir, ".run"))
		e.Setenv("TZ", "UTC")
		e.Setenv(asProgram, "yes")
		e.Values[lastingKey] = &begun{env: e.Vars, work: e.WorkDir}
		return nil
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// parses says whether the program takes a command line, without doing what it says.
func parses(args []string) error {
	k, err := kong.New(&commandLine{}, kong.Name("sequencerd"), kong.Vars{"version": "v"})
	if err == nil {
		_, err = k.Parse(args)
	}
	return err
}

// named looks at a command line in a sentence, where words stand for others (FILE, …): there is such a command, with such flags.
func named(words []string) error {
	k, err := kong.New(&commandLine{}, kong.Name("sequencerd"), kong.Vars{"version": "v"})
	if err != nil {
		return err
	}
	node, flags := k.Model.Node, k.Model.Node.Flags
	for _, w := range words {
		if flag, ok := strings.CutPrefix(w, "--"); ok {
			flag, _, _ = strings.Cut(flag, "=")
			if flag != "help" && !slices.ContainsFunc(flags, func(f *kong.Flag) bool { return f.Name == flag }) {
				return fmt.Errorf("%s has no flag --%s", node.FullPath(), flag)
			}
			continue
		}
		i := slices.IndexFunc(node.Children, func(c *kong.Node) bool { return c.Name == w })
		switch {
		case i >= 0:
			node = node.Children[i]
			flags = append(flags, node.Flags...)
		case len(node.Children) > 0 && regexp.MustCompile(`^[a-z-]+$`).MatchString(w):
			return fmt.Errorf("%s has no command %s", node.FullPath(), w)
		}
	}
	return nil
}

// checkMake: the Makefile has that target.
func checkMake(tree string, args []string) error {
	text, err := os.ReadFile(filepath.Join(tree, "Makefile"))
	if err != nil {
		return err
	}
	for _, a := range args {
		if !strings.Contains(a, "=") && !strings.Contains(string(text), "\n"+a+":") {
			return fmt.Errorf("the Makefile has no %s", a)
		}
	}
	return nil
}

// checkGo: the packages are there, and the tests and benchmarks that are named.
func checkGo(tree string, args []string) error {
	var folders, names []string
	for i, a := range args {
		switch {
		case strings.HasPrefix(a, "./"):
			folders = append(folders, filepath.Join(tree, strings.TrimSuffix(a, "...")))
		case i > 0 && (args[i-1] == "-run" || args[i-1] == "-bench"):
			if regexp.MustCompile(`^\w+$`).MatchString(a) {
				names = append(names, a)
			}
		}
	}
	all := ""
	for _, f := range folders {
		sources, _ := filepath.Glob(filepath.Join(f, "*.go"))
		if !exists(f) || len(sources) == 0 && !strings.HasSuffix(filepath.Clean(f), "..") {
			return fmt.Errorf("there is no package %s", f)
		}
		for _, s := range sources {
			text, err := os.ReadFile(s)
			if err != nil {
				return err
			}
			all += string(text)
		}
	}
	for _, n := range names {
		if !regexp.MustCompile(`func (Test|Benchmark|Fuzz)\w*`+n).MatchString(all) && n != "none" {
			return fmt.Errorf("no test or benchmark is called %s there", n)
		}
	}
	return nil
}

// checkUnit: it is about our own service.
func checkUnit(_ string, args []string) error {
	for _, a := range args {
		if strings.HasPrefix(a, "sequencerd") {
			return nil
		}
	}
	return fmt.Errorf("it does not name the service")
}
