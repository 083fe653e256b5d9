package arch

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	said "flume.example/sequencerd/internal/fault"
)

var (
	quoted   = regexp.MustCompile("`([^`]+)`")
	testName = regexp.MustCompile(`^Test[A-Z]\w*$`)
	testFunc = regexp.MustCompile(`(?m)^func (Test[A-Z]\w*)\(\w+ \*testing\.T\)`)
)

// SAFETY.md is held to the tree: each test that it names exists, each code of a fault has a row that names a test, and no row is about a code that is gone.
func TestTheSafetyPageIsAboutThisTree(t *testing.T) {
	page, err := os.ReadFile(filepath.Join(root, "SAFETY.md"))
	if err != nil {
		t.Fatal(err)
	}
	if head, _, _ := strings.Cut(string(page), "##"); !strings.Contains(head, "no safety device") || !strings.Contains(head, "no standard") {
		t.Error("SAFETY.md does not open with what it is not")
	}
	there := testsOf(t)
	codes := map[string]bool{string(said.NotNowCode): false, string(said.NudgeCode): false} // whether a row has it
	for _, c := range said.Codes() {
		codes[string(c)] = false
	}
	named := 0
	for i, line := range strings.Split(string(page), "\n") {
		tests := 0
		for _, q := range quoted.FindAllStringSubmatch(line, -1) {
			if testName.MatchString(q[1]) {
				if tests++; !there[q[1]] {
					t.Errorf("SAFETY.md:%d: there is no %s", i+1, q[1])
				}
			}
		}
		named += tests
		cells := strings.Split(line, "|")
		if len(cells) < 3 || strings.TrimSpace(cells[0]) != "" {
			continue
		}
		for _, q := range quoted.FindAllStringSubmatch(cells[1], -1) {
			switch twice, known := codes[q[1]]; {
			case !known:
				t.Errorf("SAFETY.md:%d: no fault has the code %s", i+1, q[1])
			case twice:
				t.Errorf("SAFETY.md:%d: %s has a row already", i+1, q[1])
			case tests == 0:
				t.Errorf("SAFETY.md:%d: the row of %s names no test", i+1, q[1])
			}
			codes[q[1]] = true
		}
	}
	for c, row := range codes {
		if !row {
			t.Errorf("SAFETY.md has no row for the fault %s", c)
		}
	}
	if named < 50 {
		t.Errorf("SAFETY.md names %d tests only", named)
	}
}

// testsOf are the names of all tests in the tree.
func testsOf(t *testing.T) map[string]bool {
	t.Helper()
	all := map[string]bool{}
	err := fs.WalkDir(os.DirFS(root), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(filepath.Join(root, path))
		for _, m := range testFunc.FindAllStringSubmatch(string(source), -1) {
			all[m[1]] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}
