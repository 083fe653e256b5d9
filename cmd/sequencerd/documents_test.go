package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/rogpeppe/go-internal/testscript"
)

// All that the documents show to be typed is run, as it stands there. These lines are not run here, each as it stands in the document without sudo, for the
// reason given; a reason that is a phase of .ci/run says that it is run there.
var notRun = map[string]string{
	"go test -p 1 -timeout 20m ./...": "phase tests",
	"go test ./...":                   "phase tests",
	"make packages":                   "phase packages",
	"make packages VERSION=1.2.3":     "phase packages",
	"make package-test":               "phase package-test",
	"make service-test":               "phase service-test",
	"make bench":                      "ten minutes on a machine with nothing else to do",
}

// These programs are about a whole system, or somebody else's: their lines are run where there is one.
var ranElsewhere = map[string]string{
	"apt":           "deploy/trial, in a Debian with its own systemd: phase service-test",
	"systemctl":     "deploy/trial, likewise",
	"journalctl":    "deploy/trial, likewise",
	"mosquitto_pub": "TestHomeAutomationMayStopASwimAndNothingElse, which takes them from the documents",
}

// At these lines somebody is asked, who sits at a terminal and answers.
var asks = map[string]struct{ question, answer string }{
	"sequencerd panel-code":                                 {"The new code: ", "three otters at the weir"},
	"sequencerd --config training.toml drive jog --rpm 200": {"Type the flume's name, \"Otterford Mill\", to go on: ", "Otterford Mill"},
}

// These documents have nothing that could be run here, for the reason given.
var nothingToRun = map[string]string{
	"docs/board.md":   "it is about make board-test, which needs a virtual board",
	"docs/fuzzing.md": "it is about make fuzz, which takes as long as it is told to",
	"docs/figures.md": "it is about make bench, which takes minutes and a quiet machine",
}

// lasting are the commands that go on until somebody ends them, with what they say once others can go on. They are begun, have to say what the document
// shows, are there for the lines below, as in a second terminal, and end well when they are interrupted.
var lasting = map[string]string{"serve": "", "drive-sim": "", "node-sim": "at the broker", "mosquitto": "running"}

// elsewhere are folders of a computer beside a flume. In a document they stand as they are there; the test has them below a folder of its own.
var elsewhere = regexp.MustCompile(`(^|[\s="'])(/(?:tmp|etc/sequencerd|media/stick|var/lib/sequencerd|usr/share/sequencerd)\b)`)

// standardPort is that of a broker on this computer, which may have one of its own: the test's is on another port.
var standardPort = regexp.MustCompile(`(mqtt://127\.0\.0\.1)\b|^1883$`)

// TestTheDocumentsDoWhatTheySay holds README.md and docs/*.md to the program. A document is its own script:
//
//   - a fence "toml file=NAME" is a file that is there from then on;
//   - a fence "sh" is lines to type; in a fence "console" those are behind "$ ", and what they write stands below them, … for what is left out;
//   - a line of another program is run too, or listed with who runs it;
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
		s := script{tree: tree, used: used, port: freePort(t)}
		for _, p := range append(d.problems, s.write(d)...) {
			t.Error(p)
		}
		for _, line := range s.inTree { // before the others, some of which are on real time
			inTree(t, tree, line)
		}
		if s.missing != "" {
			t.Logf("NOT CHECKED: %s", s.missing)
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
	phases, err := os.ReadFile(filepath.Join(tree, ".ci", "run"))
	if err != nil {
		t.Fatal(err)
	}
	for line, why := range notRun {
		if !used[line] {
			t.Errorf("listed as not run, and in no document: %s", line)
		}
		if strings.HasPrefix(why, "phase ") && !strings.Contains(string(phases), "\n"+why+" ") && !strings.Contains(string(phases), "\n\t"+why+" ") {
			t.Errorf("%s: .ci/run has no %s", line, why)
		}
	}
	for line := range asks {
		if !used[line] {
			t.Errorf("listed as asking somebody, and in no document: %s", line)
		}
	}
	testscript.Run(t, testscript.Params{Files: scripts, Setup: beside(t, tree), RequireExplicitExec: true, Cmds: map[string]func(*testscript.TestScript, bool, []string){
		"file": asFile, "ends": ends, "into": into, "asked": asked, "lasts": lasts, "interrupt": interrupt,
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

// checkMake: the Makefile has that target, and make knows how to make it.
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
	if _, err := exec.LookPath("make"); err != nil && os.Getenv("CI") != "true" {
		return nil
	}
	if said, err := exec.Command("make", append([]string{"-n", "-C", tree}, args...)...).CombinedOutput(); err != nil {
		return fmt.Errorf("make -n: %w: %s", err, said)
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
