package schedule

import (
	"os"
	"path/filepath"
	"testing"
)

// TestCoachesSessionsParse: sessions of eighty ways to write, none of them written with the grammar at hand. Where one cannot be read, what it should
// say is told at its line.
func TestCoachesSessionsParse(t *testing.T) {
	files, err := filepath.Glob("testdata/coaches/*.toml")
	if err != nil || len(files) < 80 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	wrong := map[string]string{
		"45": "45-saturday-long-one.toml:11:13: negative: this is swum at more than one pace: write both, as in build 1:50 to 1:40 within each swim, or descend from 1:50 to 1:40 from one to the next",
		"78": `78-taper-two-days-out.toml:9:18: race: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as race = "threshold+5"
78-taper-two-days-out.toml:9:29: 1:05: what is this time? Write at 1:05 for a pace per 100, in 1:05 for the time of one repetition, on 1:05 for a send-off, or rest 1:05`,
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		s, err := Parse(filepath.Base(f), text)
		if want := wrong[filepath.Base(f)[:2]]; want != "" {
			if err == nil || err.Error() != want {
				t.Errorf("%v\nwant %s", err, want)
			}
			continue
		}
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
