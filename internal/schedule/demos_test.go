package schedule

import (
	"io/fs"
	"path"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/units"
)

// TestDemosInBothFormsAreTheSame: each demo session exists in steps and in lines, with the same blocks and the same words around them.
func TestDemosInBothFormsAreTheSame(t *testing.T) {
	names, err := fs.Glob(config.Sessions, "*.toml")
	if err != nil || len(names) < 6 {
		t.Fatalf("%d demo sessions, %v", len(names), err)
	}
	for _, name := range names {
		var both [2]*Session
		for i, file := range []string{name, path.Join("lines", name)} {
			text, err := fs.ReadFile(config.Sessions, file)
			if err != nil {
				t.Fatal(err)
			}
			if both[i], err = Parse(file, text); err != nil {
				t.Fatal(err)
			}
		}
		a, b := both[0], both[1]
		if a.Title != b.Title || a.Unit != b.Unit || a.Author != b.Author || a.Notes != b.Notes || a.lined || !b.lined {
			t.Errorf("%s: %q %v %q %q, in lines %q %v %q %q", name, a.Title, a.Unit, a.Author, a.Notes, b.Title, b.Unit, b.Author, b.Notes)
		}
		for _, threshold := range []units.Pace{threshold135(), units.PacePer100(112, units.Yard)} {
			x, _, err := a.Blocks(threshold)
			y, _, err2 := b.Blocks(threshold)
			if err != nil || err2 != nil || len(x) != len(y) {
				t.Fatalf("%s: %d blocks (%v), in lines %d (%v)", name, len(x), err, len(y), err2)
			}
			for i := range x {
				if one, other := short(x[i]), short(y[i]); one[len("0/0"):] != other[len("0/0"):] && !same(x[i], y[i]) {
					t.Errorf("%s:\n steps %s\n lines %s", name, one, other)
				}
			}
		}
	}
}
