package arch

import (
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// docs/fuzzing.md lists every fuzz target of the tree, and no other; what is kept in a corpus belongs to a target, and all of it stays small.
func TestTheListOfFuzzTargetsIsWhatThereIs(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "docs", "fuzzing.md"))
	if err != nil {
		t.Fatal(err)
	}
	var listed, there []string
	for _, row := range regexp.MustCompile("(?m)^\\| `([^`]+)` `(Fuzz\\w+)` \\| [^|]+ \\| [^|]+ \\|$").FindAllStringSubmatch(string(text), -1) {
		listed = append(listed, row[1]+" "+row[2])
	}
	target := regexp.MustCompile(`(?m)^func (Fuzz\w+)\(\w+ \*testing\.F\)`)
	kept, bytes := map[string]bool{}, int64(0)
	err = fs.WalkDir(os.DirFS(root), ".", func(name string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() && (strings.HasPrefix(e.Name(), ".") && name != "." || name == "bin"):
			return fs.SkipDir
		case strings.Contains(name, "/testdata/fuzz/") && !e.IsDir():
			info, err := e.Info()
			if err != nil {
				return err
			}
			dir, rest, _ := strings.Cut(name, "/testdata/fuzz/")
			kept[dir+" "+path.Dir(rest)] = true
			bytes += info.Size()
		case strings.HasSuffix(name, "_test.go"):
			text, err := os.ReadFile(filepath.Join(root, name))
			if err != nil {
				return err
			}
			for _, m := range target.FindAllStringSubmatch(string(text), -1) {
				there = append(there, path.Dir(name)+" "+m[1])
			}
		}
		return nil
	})
	if err != nil || len(there) < 40 {
		t.Fatalf("only %d targets are found (%v)", len(there), err)
	}
	for _, one := range there {
		if !slices.Contains(listed, one) {
			t.Errorf("%s is not in docs/fuzzing.md", one)
		}
	}
	for i, one := range listed {
		if !slices.Contains(there, one) || slices.Contains(listed[:i], one) {
			t.Errorf("docs/fuzzing.md has %s, which is not there, or twice", one)
		}
	}
	for one := range kept {
		if !slices.Contains(there, one) {
			t.Errorf("a corpus without a target: %s", one)
		}
	}
	if bytes > 1<<20 {
		t.Errorf("the corpora have %d bytes: at most a MiB is kept", bytes)
	}
}
