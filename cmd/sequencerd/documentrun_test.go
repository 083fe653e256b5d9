package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// asFile puts a file of the document where it says: file TEXT NAME. That of the service is the one which the program then reads.
func asFile(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[1])
	ts.Check(os.WriteFile(path, []byte(strings.ReplaceAll(ts.ReadFile(args[0]), work, ts.Getenv("WORK"))), 0o600))
	if strings.HasSuffix(path, "/etc/sequencerd/sequencerd.toml") {
		ts.Setenv("SEQUENCERD_CONFIG", path)
	}
}

// ends types a command line, and holds its code and what it writes to what the document shows: ends CODE SHOWN PROGRAM ARG…, SHOWN being a file, or - where
// nothing is shown. Where this machine was too late for a line to a drive, it is tried again.
func ends(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	for try := 1; ; try++ {
		code, err := exitOK, ts.Exec(args[2], args[3:]...)
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			code = exit.ExitCode()
		} else {
			ts.Check(err)
		}
		differs := shows(ts, args[1])
		if code != want {
			differs = fmt.Sprintf("exit %d, wanted %d", code, want)
		}
		if differs == "" {
			return
		}
		if said := ts.ReadFile("stdout") + ts.ReadFile("stderr"); try == 5 || !late.MatchString(said) {
			ts.Fatalf("%s", differs)
		}
	}
}

// late is what is said where the machine was too busy to speak with a drive in time.
var late = regexp.MustCompile(`\[(feedback-old|link-lost|link-settling|tick-late|loop-silent)\]|no answer`)

// shows says how what was written, on both outputs, differs from what the document shows.
func shows(ts *testscript.TestScript, file string) string {
	if file == "-" {
		return ""
	}
	shown := pattern(ts.ReadFile(file))
	out, errs := ts.ReadFile("stdout"), ts.ReadFile("stderr")
	if folder := ts.Getenv("WORK"); !shown.MatchString(tidy(out+errs, folder)) && !shown.MatchString(tidy(errs+out, folder)) {
		return fmt.Sprintf("the document shows\n%s\nand it is\n%s", ts.ReadFile(file), tidy(out+errs, folder))
	}
	return ""
}

// into puts what the last line wrote into a file, as > does.
func into(ts *testscript.TestScript, _ bool, args []string) {
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(ts.ReadFile("stdout")), 0o600))
}

// pattern is what a document shows: … alone on a line is any number of lines, and elsewhere anything within the line.
func pattern(shown string) *regexp.Regexp {
	var b strings.Builder
	b.WriteString(`(?s)\A`)
	for line := range strings.SplitSeq(strings.TrimRight(shown, "\n"), "\n") {
		if strings.TrimSpace(line) == "…" {
			b.WriteString(`(?:[^\n]*\n)*`)
			continue
		}
		b.WriteString(strings.ReplaceAll(regexp.QuoteMeta(strings.TrimRight(line, " ")), "…", `[^\n]*`) + `\n`)
	}
	return regexp.MustCompile(b.String() + `\z`)
}

// tidy is what was written as a document has it: no blanks at the end of lines, folders where they are on a computer beside a flume.
func tidy(text, folder string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		b.WriteString(strings.TrimRight(strings.ReplaceAll(line, folder, ""), " \n") + "\n")
	}
	return b.String()
}

type lastingKeyType struct{}

var lastingKey lastingKeyType

// begun are the commands of one script that go on.
type begun struct {
	env  []string
	work string
	goOn []goingOn
}

type goingOn struct {
	name  string
	cmd   *exec.Cmd
	said  *listener
	ended chan error
}

// inTree has go do a line in the source. What it builds is put into a folder of the test's, and a benchmark is run once instead of for a second.
func inTree(t *testing.T, tree string, args []string) {
	more := map[string][]string{"build": {"-o", t.TempDir()}, "test": {"-benchtime", "1x"}}[args[1]]
	cmd := exec.Command("go", slices.Concat(args[1:2], more, args[2:])...)
	cmd.Dir = tree
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%s: %v: %s", strings.Join(args, " "), err, said)
	}
}

// asked types a line at a terminal, and the answer to what is asked there: asked CODE SHOWN QUESTION ANSWER PROGRAM ARG… .
func asked(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	b := ts.Value(lastingKey).(*begun)
	shown := "…"
	if args[1] != "-" {
		shown = ts.ReadFile(args[1])
	}
	for try := 1; ; try++ {
		said := ""
		tr := attempt(func(t *trial) {
			p := newProcess(t, args[5:])
			defer func() { said = tidy(strings.ReplaceAll(p.output(), "\r", ""), b.work) }()
			p.cmd.Dir, p.cmd.Env = b.work, b.env
			p.onTerminal(80)
			p.begin()
			p.until(args[2])
			p.press(args[3] + "\n")
			p.ends(want)
			p.checkModes()
			if said := tidy(strings.ReplaceAll(p.output(), "\r", ""), b.work); !pattern(shown).MatchString(said) {
				t.Errorf("the document shows\n%s\nand it is\n%s", shown, said)
			}
		})
		if len(tr.failures) == 0 {
			return
		}
		if try == 5 || !late.MatchString(said) {
			ts.Fatalf("%s", strings.Join(tr.failures, "\n"))
		}
	}
}

// lasts begins a command that goes on, and waits until it has said what the document shows, or anything: lasts FILE PROGRAM ARG… .
func lasts(ts *testscript.TestScript, _ bool, args []string) {
	b := ts.Value(lastingKey).(*begun)
	program, err := exec.LookPath(args[1])
	if args[1] == "sequencerd" {
		program, err = exec.LookPath(b.work + "/.bin/sequencerd")
	}
	ts.Check(err)
	shown := ts.ReadFile(args[0])
	said := &listener{folder: b.work, wanted: pattern(shown), heard: make(chan struct{})}
	cmd := exec.Command(program, args[2:]...)
	configuration := ts.Getenv("SEQUENCERD_CONFIG")
	if args[2] == "serve" && configuration == "" { // others may listen on the port of the default
		configuration = b.work + "/.free-port.toml"
		ts.Check(os.WriteFile(configuration, []byte("[panel]\nlisten = \"127.0.0.1:0\"\n"), 0o600))
	}
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = b.work, append(b.env, "SEQUENCERD_CONFIG="+configuration), said, said
	ts.Check(cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	ts.Defer(func() { cmd.Process.Kill() })
	b.goOn = append(b.goOn, goingOn{strings.Join(args[1:], " "), cmd, said, ended})
	select {
	case <-said.heard:
		return
	case err := <-ended:
		ts.Logf("it has ended by itself: %v", err)
	case <-time.After(patience):
	}
	ts.Fatalf("the document shows\n%s\nand it is\n%s", shown, said.text())
}

// interrupt ends all that goes on, as Ctrl-C does, the last first; all have to end well.
func interrupt(ts *testscript.TestScript, _ bool, _ []string) {
	b := ts.Value(lastingKey).(*begun)
	for _, g := range slices.Backward(b.goOn) {
		ts.Check(g.cmd.Process.Signal(os.Interrupt))
		if err := <-g.ended; err != nil {
			ts.Fatalf("%s: interrupted, it ends with %v\n%s", g.name, err, g.said.text())
		}
	}
}

// listener hears what a command says, until it is what was wanted.
type listener struct {
	mu     sync.Mutex
	folder string
	said   bytes.Buffer
	wanted *regexp.Regexp
	heard  chan struct{}
	done   bool
}

func (l *listener) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said.Write(p)
	if whole := l.said.Bytes(); !l.done && bytes.HasSuffix(whole, []byte("\n")) && l.wanted.MatchString(tidy(string(whole), l.folder)) {
		l.done = true
		close(l.heard)
	}
	return len(p), nil
}

func (l *listener) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return tidy(l.said.String(), l.folder)
}
