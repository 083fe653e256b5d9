package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// documents is the folder in the Debian with what people read.
const documents = "/packages/documents"

// shown are the lines of apt, systemctl and journalctl in the documents, in fences and in sentences: they are about a whole system, and this is one. Each has to
// be typed in the course of the trial, as it stands there.
var shown = regexp.MustCompile("(?m)(?:^ *(?:\\$ )?|`)(?:sudo )?((?:apt|systemctl|journalctl) [^`\n]*)")

// typed are those that were.
var typed = map[string]bool{}

// giveDocuments puts the documents of this tree into a Debian.
func giveDocuments(root string) error {
	guides, err := filepath.Glob("docs/*.md")
	if err != nil || len(guides) < 6 {
		return fmt.Errorf("%d documents in docs (%v): run it in the root of the source", len(guides), err)
	}
	to := filepath.Join(root, documents)
	if err := os.Mkdir(to, 0o755); err != nil {
		return err
	}
	return command("cp", append(guides, "README.md", "DEVELOPERS.md", "SAFETY.md", to)...)
}

// asShown types a line that a document shows, in the folder with the packages, and what somebody answers to what is asked.
func asShown(line string, answers ...string) (string, error) {
	typed[line] = true
	c := exec.Command("sh", "-c", line)
	c.Dir, c.Env = "/packages", environment("LC_ALL=C.UTF-8")
	c.Stdin = strings.NewReader(strings.Join(answers, "\n") + "\n")
	said, err := c.CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%s: %w\n%s", line, err, said)
	}
	return string(said), err
}

// allTyped: no line of the documents was left out, and none was made up.
func allTyped(t *table) error {
	paths, err := filepath.Glob(documents + "/*.md")
	if err != nil {
		return err
	}
	var lines []string
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, m := range shown.FindAllStringSubmatch(string(text), -1) {
			line := strings.TrimSpace(m[1])
			if lines = append(lines, line); !typed[line] {
				err = errors.Join(err, fmt.Errorf("%s shows %q, and it was not tried", filepath.Base(path), line))
			}
		}
		if err != nil {
			return err
		}
	}
	for line := range typed {
		if !slices.Contains(lines, line) {
			return fmt.Errorf("%q was tried, and no document shows it", line)
		}
	}
	t.saw("the documents' lines", "%d of apt, systemctl and journalctl, typed as they stand there", len(typed))
	return nil
}
