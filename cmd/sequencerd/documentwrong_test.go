package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// A document that is wrong is found, and by what is wrong with it.
func TestADocumentThatIsWrongIsFound(t *testing.T) {
	for what, wrong := range map[string]struct{ text, says string }{
		"a command that is none":                   {"```sh\nsequencerd chek x.toml\n```", "chek"},
		"a flag that is none":                      {"```sh\nsequencerd rehearse --graph x.svg x.toml\n```", "--graph"},
		"the same from the source":                 {"```sh\ngo run ./cmd/sequencerd rehearse --graph x.svg x.toml\n```", "--graph"},
		"the same as root":                         {"```sh\nsudo -u sequencerd sequencerd swims --all\n```", "--all"},
		"a program that nobody knows":              {"```sh\nfrobnicate the pump\n```", "no rule"},
		"a line outside of a fence":                {"Type\n\n    sequencerd check x.toml\n", "into a fence"},
		"a line in a fence of another kind":        {"```text\n$ sequencerd check x.toml\n```", "not sh or console"},
		"output of nothing":                        {"```console\nall well\n```", "nothing was typed"},
		"an exit code that is none":                {"```console\n$ sequencerd check x.toml\n$ echo $?\ngood\n```", "no exit code"},
		"a shell's own":                            {"```sh\nsequencerd backup swims-$(date).db\n```", "the shell's"},
		"a quote that is left open":                {"```sh\nsequencerd check \"x.toml\n```", "not closed"},
		"a command in a sentence that is none":     {"Use `sequencerd swims lst` for that.", "no command lst"},
		"a flag in a sentence that is none":        {"Use `sequencerd check --explan FILE`.", "no flag --explan"},
		"a target that the Makefile has not":       {"```sh\nmake waves\n```", "no waves"},
		"a package that is not there":              {"```sh\ngo test ./internal/nowhere\n```", "no package"},
		"a test that is not there":                 {"```sh\ngo test -run TestOfNothing ./internal/units\n```", "TestOfNothing"},
		"one in a sentence":                        {"Then `make waves`.", "no waves"},
		"a test in a sentence that is not there":   {"Then `go test -run TestOfNothing ./internal/units`.", "TestOfNothing"},
		"a line in a list, in a fence that stands": {"1. So:\n\n   ```sh\n   sequencerd rehears x\n   ```\n", "rehears"},
	} {
		d := read("guide.md", wrong.text)
		s := script{tree: filepath.Join("..", ".."), used: map[string]bool{}}
		problems := strings.Join(append(d.problems, s.write(d)...), "\n")
		if !strings.Contains(problems, wrong.says) || !strings.HasPrefix(problems, "guide.md:") {
			t.Errorf("%s: %q is not told, but %q", what, wrong.says, problems)
		}
	}
}

// What is shown is held to what is written, line by line, but for what is left out.
func TestWhatIsShownIsWhatIsWritten(t *testing.T) {
	for _, row := range []struct {
		shown, written string
		same           bool
	}{
		{"a\nb\n", "a\nb\n", true},
		{"a\nb\n", "a\nb  \n", true},
		{"a\n", "a\nb\n", false},
		{"b\n", "a\nb\n", false},
		{"a\nc\n", "a\nb\nc\n", false},
		{"a\n…\nc\n", "a\nb\nb\nc\n", true},
		{"a\n…\nc\n", "a\nc\n", true},
		{"a\n…\nc\n", "a\nb\nb\n", false},
		{"…\nb\n", "a\nxb\n", false},
		{"at … by 3\n", "at 10:30 by 3\n", true},
		{"at … by 3\n", "at 10:30\nby 3\n", false},
		{"1.5 (a) [b]\n", "1.5 (a) [b]\n", true},
		{"1.5\n", "1x5\n", false},
	} {
		if same := pattern(row.shown).MatchString(tidy(row.written, "/nowhere")); same != row.same {
			t.Errorf("%q shown, %q written: the same %v, wanted %v", row.shown, row.written, same, row.same)
		}
	}
}
