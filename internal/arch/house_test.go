package arch

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var (
	root = filepath.Join("..", "..")
	ours = house{module: "flume.example/sequencerd", rooms: rooms, forbidden: forbidden, libraries: libraries}
)

func TestTheHouseKeepsToItsMap(t *testing.T) {
	broken, long, err := ours.inspect(os.DirFS(root))
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range broken {
		t.Error(b)
	}
	for _, l := range long {
		t.Logf("long, perhaps more than one thought: %s", l)
	}
}

// The map must not contradict itself: every name in it is a room, every reason is beside an edge that is really forbidden, pure rooms
// import only pure rooms.
func TestTheMapIsSound(t *testing.T) {
	byPath := map[string]room{}
	for _, r := range rooms {
		if _, twice := byPath[r.path]; twice {
			t.Errorf("%s is on the map twice", r.path)
		}
		byPath[r.path] = r
	}
	for _, r := range rooms {
		for _, p := range slices.Concat(r.imports, r.never) {
			if _, ok := byPath[p]; !ok {
				t.Errorf("%s: %s is no room", r.path, p)
			}
		}
		for p := range mayImport(rooms, r) {
			if r.pure && !byPath[p].pure {
				t.Errorf("%s is pure and may import %s, which is not", r.path, p)
			}
		}
	}
	for _, e := range forbidden {
		from, ok := byPath[e.from]
		_, ok2 := byPath[e.to]
		if !ok || !ok2 {
			t.Errorf("forbidden edge %s → %s: no such room", e.from, e.to)
			continue
		}
		if mayImport(rooms, from)[e.to] {
			t.Errorf("%s → %s has a reason why not, but the map allows it", e.from, e.to)
		}
	}
	for _, l := range libraries {
		for _, p := range l.rooms {
			if _, ok := byPath[p]; !ok {
				t.Errorf("library %s: %s is no room", l.path, p)
			}
		}
	}
}

// Every library has a page in docs/decisions that says why it is there.
func TestEveryLibraryHasAReason(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join(root, "docs", "decisions", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages in docs/decisions (%v)", err)
	}
	var all []byte
	for _, p := range pages {
		text, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, text...)
	}
	for _, l := range libraries {
		if !bytes.Contains(all, []byte(l.path)) {
			t.Errorf("%s (%s) is on no page of docs/decisions", l.path, l.why)
		}
	}
}

var write = flag.Bool("write", false, "write the map of rooms into DEVELOPERS.md")

const begin, end = "<!-- rooms: written by go test ./internal/arch -write -->\n", "<!-- /rooms -->\n"

// The map in DEVELOPERS.md is the one that the house is held to.
func TestTheMapInTheGuideIsThisOne(t *testing.T) {
	guide := filepath.Join(root, "DEVELOPERS.md")
	text, err := os.ReadFile(guide)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(text), begin)
	shown, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatalf("DEVELOPERS.md: the lines %q and %q are not there", begin, end)
	}
	if want := table(rooms); *write {
		if err := os.WriteFile(guide, []byte(before+begin+want+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if shown != want {
		t.Errorf("the map of rooms in DEVELOPERS.md is old: go test ./internal/arch -write\nwant:\n%s", want)
	}
}

// table is the map for people. Rooms stand by their last name where the import column names them.
func table(rooms []room) string {
	var b strings.Builder
	b.WriteString("| room | job | pure | may import |\n|---|---|---|---|\n")
	short := func(paths []string) string {
		var names []string
		for _, p := range paths {
			names = append(names, strings.TrimPrefix(p, "internal/"))
		}
		return strings.Join(names, ", ")
	}
	for _, r := range rooms {
		imports, pure := short(r.imports), ""
		switch {
		case r.all:
			imports = "all"
		case imports == "":
			imports = "–"
		}
		if r.closure {
			imports += ", and what they import"
		}
		if r.never != nil {
			imports += ", but not " + short(r.never)
		}
		if r.pure {
			pure = "pure"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", r.path, r.job, pure, imports)
	}
	return b.String()
}
