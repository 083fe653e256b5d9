package schedule

import (
	"os"
	"path/filepath"
	"testing"
)

// TestCoachesSessionsParse: sessions of forty ways to write, none of them written with the grammar at hand.
func TestCoachesSessionsParse(t *testing.T) {
	files, err := filepath.Glob("testdata/coaches/*.toml")
	if err != nil || len(files) < 40 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		s, err := Parse(filepath.Base(f), text)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		for _, e := range s.Explain(threshold135()) {
			if !e.Known || e.Asked.Time <= 0 {
				t.Errorf("%s:%d: nothing is asked: %s", f, e.Line, e.Words)
			}
		}
	}
}
