package schedule

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

var fenced = regexp.MustCompile("(?s)```(\\w+)[^\n]*\n(.*?)```")

// TestTheGuideIsRight: every example of docs/lines.md is read as it says, every wrong one is refused, and its grammar names each word it uses.
func TestTheGuideIsRight(t *testing.T) {
	text, err := os.ReadFile("../../docs/lines.md")
	if err != nil {
		t.Fatal(err)
	}
	n := map[string]int{}
	for _, m := range fenced.FindAllStringSubmatch(string(text), -1) {
		kind, body := m[1], m[2]
		switch kind {
		case "toml":
			if _, err := Parse("guide", []byte(body)); err != nil {
				t.Errorf("%v", err)
			}
		case "ebnf":
			checkGrammar(t, body)
		}
		for line := range strings.Lines(body) {
			n[kind]++
			_, err := Parse("guide", []byte(lined(strings.TrimSpace(line))))
			if kind == "lines" && err != nil || kind == "wrong" && err == nil {
				t.Errorf("%s line %q: %v", kind, line, err)
			}
		}
	}
	if n["lines"] < 40 || n["wrong"] < 10 || n["toml"] == 0 || n["ebnf"] == 0 {
		t.Errorf("too few examples: %v", n)
	}
}

// TestTheCoachsTableIsRight: each line that docs/coaches.md proposes is one.
func TestTheCoachsTableIsRight(t *testing.T) {
	text, err := os.ReadFile("../../docs/coaches.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "| you want | write |\n|---|---|\n")
	table, _, _ = strings.Cut(table, "\n\n")
	n := 0
	for _, m := range regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(table, -1) {
		n++
		if _, err := Parse("guide", []byte(lined(m[1]))); err != nil {
			t.Errorf("%q: %v", m[1], err)
		}
	}
	if n < 10 {
		t.Errorf("only %d lines found: is the table still there?", n)
	}
}

// checkGrammar holds the formal grammar to itself and to the vocabulary: what it uses is defined, and its words are words of lines.
func checkGrammar(t *testing.T, body string) {
	t.Helper()
	defined := map[string]bool{"comment": true, "newline": true, "name": true, "number": true, "pacename": true, "stroke": true, "gear": true, "characters": true, "digit": true}
	for line := range strings.Lines(body) {
		defined[strings.Fields(line)[0]] = true
	}
	for line := range strings.Lines(body) {
		_, right, _ := strings.Cut(line, "=")
		for _, w := range regexp.MustCompile(`"([^"]+)"`).FindAllStringSubmatch(right, -1) {
			word := regexp.MustCompile(`^[a-z/-]+$`).FindString(w[1])
			if word != "" && word != "m/s" && word != "-" && word != "/" && roles[word] == noRole && kindOf(word) == "" {
				t.Errorf("the grammar has the word %q, lines have not", word)
			}
		}
		bare := regexp.MustCompile(`"[^"]*"|'[^']*'`).ReplaceAllString(right, " ")
		for _, name := range regexp.MustCompile(`[a-z]+`).FindAllString(bare, -1) {
			if !defined[name] {
				t.Errorf("the grammar uses %s and does not say what it is", name)
			}
		}
	}
}
