package store

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"
	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

func record(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := OpenToRecord(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func must[T any](t testing.TB) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func figureOf(s, m float64) Figure { return Figure{secondsOf(s), units.Metres(m)} }
func secondsOf(s float64) time.Duration {
	return time.Duration(math.Round(s * float64(time.Second)))
}

// anEntry is a swim with all that can be kept of one.
func anEntry() Entry {
	pace := units.PacePer100(100, units.Metre)
	w := &Swim{
		Began: time.Date(2026, 3, 2, 18, 30, 0, 0, time.FixedZone("", 3600)), Passed: 125 * time.Second, Title: "Over, \"under\"\nand on", Swimmer: "Ada Fluss",
		Unit: units.Metre, Threshold: units.PacePer100(96, units.Metre), Simulated: true, Outcome: ByPerson, Code: fault.PersonStop,
		At: Place{1, 5 * time.Second, units.Metres(4.5), true}, Swum: figureOf(105, 99.25), Blocks: 2, Missed: 1,
		Texts: Texts{"title = \"x\"\n", "limits", "configuration", "c1"},
	}
	return Entry{
		Swim: w,
		Blocks: []Block{
			{Number: 0, Name: "Warm-up", Kind: "warm-up", Round: 1, Of: 1, From: pace, To: pace, Asked: figureOf(100, 100), Planned: figureOf(100, 97.5), Swum: figureOf(100, 97.25), Left: 110 * time.Second, Was: true, Done: true},
			{Number: 1, Name: "Rest", Round: 2, Of: 3, Rest: true, From: units.PacePer100(0, units.Metre), To: units.PacePer100(0, units.Metre), Asked: figureOf(20, 0), Planned: figureOf(20, 3), Swum: figureOf(5, 2), Left: 115 * time.Second, Was: true},
		},
		Happenings: []Happening{{0, 0, "command", "start", "terminal", "", 0}, {1, 90 * time.Second, "command", "nudge", "wall", fault.NudgeCode, -1.5}, {2, 100 * time.Second, "guard", "caution", "", fault.NobodySeen, 0}},
		Samples:    samplesOf(125),
	}
}

func samplesOf(seconds int) []Sample {
	out := make([]Sample, seconds)
	for i := range out {
		v := 1.2 * (1 - math.Exp(-float64(i)/8))
		out[i] = Sample{
			At: time.Duration(i)*time.Second + time.Duration(i%3)*50*time.Millisecond, Block: i / 100, Wish: units.MetresPerSecond(math.Round(v*1000) / 1000),
			Water: units.MetresPerSecond(math.Round(v*980) / 1000), Motor: units.RPM(math.Round(v*5000) / 10), Distance: units.Metres(math.Round(float64(i)*v*100) / 100),
		}
	}
	return out
}

// TestWhatIsWrittenIsRead: all of a swim comes back as it was, also from another process's view of the file and after a close.
func TestWhatIsWrittenIsRead(t *testing.T) {
	dir := t.TempDir()
	s := record(t, dir)
	e := anEntry()
	if err := s.Write(e); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r := must[*Store](t)(Open(dir))
	defer r.Close()
	got := must[*Record](t)(r.Record(e.Swim.ID))
	want := &Record{*e.Swim, e.Blocks, e.Happenings, e.Samples}
	if !got.Began.Equal(want.Began) {
		t.Errorf("began %v, want %v", got.Began, want.Began)
	}
	got.Began = want.Began
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	if _, err := r.Swim(77); err == nil {
		t.Error("a swim that is not there was found")
	}
}

// TestPackedSamples: any samples come back, each figure as exactly as Sample promises.
func TestPackedSamples(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SliceOf(rapid.Custom(func(t *rapid.T) Sample {
			return sample([6]int64{
				rapid.Int64Range(0, 1<<40).Draw(t, "ms"), rapid.Int64Range(0, 10_000).Draw(t, "block"), rapid.Int64Range(-3000, 3000).Draw(t, "wish"),
				rapid.Int64Range(-3000, 3000).Draw(t, "water"), rapid.Int64Range(-30_000, 200_000).Draw(t, "rpm"), rapid.Int64Range(0, 1<<30).Draw(t, "cm"),
			})
		})).Draw(t, "samples")
		out, err := unpack(nil, pack(in))
		if err != nil || len(out) != len(in) {
			t.Fatalf("%d samples, %v; want %d", len(out), err, len(in))
		}
		for i := range in {
			if out[i] != in[i] {
				t.Fatalf("sample %d: %+v, want %+v", i, out[i], in[i])
			}
		}
	})
	// A minute of steady water is about six bytes a sample: one for each figure.
	if n := len(pack(samplesOf(600)[540:])); n > 7*60 {
		t.Errorf("a steady minute takes %d bytes", n)
	}
	for _, bad := range [][]byte{nil, {}, {9, 0}, {packFormat, 0x80}, {packFormat, 0, 0}} {
		if _, err := unpack(nil, bad); !errors.Is(err, errPacked) {
			t.Errorf("%v: %v, want %v", bad, err, errPacked)
		}
	}
}

// TestFormerVersions opens a file of each former version, kept as the statements that make it, and finds in it what was there.
func TestFormerVersions(t *testing.T) {
	for v := 0; v < len(steps); v++ {
		t.Run(fmt.Sprint("version ", v), func(t *testing.T) {
			dir := t.TempDir()
			if v > 0 {
				text := must[[]byte](t)(os.ReadFile(filepath.Join("testdata", fmt.Sprintf("version-%d.sql", v))))
				asSQLite(t, dir, string(text))
			}
			s := record(t, dir)
			version, id, err := marks(s.conn)
			if err != nil || version != len(steps) || id != appID {
				t.Fatalf("version %d of %#x, %v", version, id, err)
			}
			if err := s.Check(); err != nil {
				t.Error(err)
			}
			// The shape is that of a new file.
			fresh := record(t, t.TempDir())
			if got, want := schemaOf(t, s), schemaOf(t, fresh); !reflect.DeepEqual(got, want) {
				t.Errorf("tables\n%q\nwant\n%q", got, want)
			}
			if err := s.LayOut("a session", "Ada Fluss"); err != nil {
				t.Error(err)
			}
			if v == 0 {
				return
			}
			swims := must[[]Swim](t)(s.List(Which{}))
			if len(swims) != 1 || swims[0].Title != "Kept by version 1" || swims[0].Swum != figureOf(95.5, 88.25) {
				t.Fatalf("swims %+v", swims)
			}
			r := must[*Record](t)(s.Record(swims[0].ID))
			if len(r.Blocks) != 1 || len(r.Happenings) != 1 || len(r.Samples) != 2 || r.Session != "title = \"Kept by version 1\"" {
				t.Errorf("record %+v", r)
			}
		})
	}
}

// asSQLite makes a store's file from statements.
func asSQLite(t *testing.T, dir, script string) {
	t.Helper()
	s := &Store{dir: dir}
	conn, err := openRaw(filepath.Join(dir, File))
	if err != nil {
		t.Fatal(err)
	}
	s.conn = conn
	if err := sqlitex.ExecuteScript(conn, script, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestStrangeFiles: a file of another program, of a later version, or of garbage is refused and stays as it is.
func TestStrangeFiles(t *testing.T) {
	for name, make := range map[string]func(dir string){
		"another program's": func(dir string) { asSQLite(t, dir, `CREATE TABLE recipe (name TEXT);`) },
		"a later version's": func(dir string) {
			record(t, dir).Close()
			asSQLite(t, dir, `PRAGMA user_version = 99;`)
		},
		"garbage": func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, File), []byte("not a database, and long enough to be read as the head of one, which it is not, at all, ever, really"), 0o600); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			make(dir)
			before := must[[]byte](t)(os.ReadFile(filepath.Join(dir, File)))
			if s, err := OpenToRecord(dir); err == nil {
				s.Close()
				t.Error("it was opened")
			} else if CodeOf(err) == "" {
				t.Errorf("no code for %v", err)
			}
			if after := must[[]byte](t)(os.ReadFile(filepath.Join(dir, File))); string(after) != string(before) {
				t.Error("it was changed")
			}
		})
	}
}

// TestOneRecorder: a second recorder is refused with the reason, readers are not, and a recorder that is gone makes room.
func TestOneRecorder(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir); !errors.Is(err, ErrNone) {
		t.Errorf("opening nothing: %v, want %v", err, ErrNone)
	}
	s := record(t, dir)
	if _, err := OpenToRecord(dir); CodeOf(err) != fault.StoreBusy {
		t.Errorf("a second recorder: %v", err)
	}
	must[*Store](t)(Open(dir)).Close()
	s.Close()
	record(t, dir).Close()
}

// TestDeadRecorder: a swim that its recorder left open is marked lost with its place, on the desk too, by whoever opens the store next; one whose
// recorder lives is left alone.
func TestDeadRecorder(t *testing.T) {
	dir := t.TempDir()
	s := record(t, dir)
	e := anEntry()
	e.Swim.Outcome, e.Swim.Code = UnderWay, ""
	if err := errors.Join(s.LayOut(e.Swim.Session, e.Swim.Swimmer), s.Write(e)); err != nil {
		t.Fatal(err)
	}
	other := must[*Store](t)(Open(dir))
	if w := must[*Swim](t)(other.Swim(e.Swim.ID)); w.Outcome != UnderWay {
		t.Errorf("while its recorder lives it is %q", w.Outcome)
	}
	if err := other.Delete(e.Swim.ID); CodeOf(err) != fault.UnderWay {
		t.Errorf("deleting it: %v", err)
	}
	other.Close()
	s.Close() // dies
	other = must[*Store](t)(Open(dir))
	defer other.Close()
	w := must[*Swim](t)(other.Swim(e.Swim.ID))
	if w.Outcome != Lost || w.Code != fault.ProgramDied || w.At != e.Swim.At || w.Swum != e.Swim.Swum {
		t.Errorf("after it died: %+v", w)
	}
	d := must[Desk](t)(other.Desk())
	if d.Interrupted == nil || d.Interrupted.Place != e.Swim.At || d.Interrupted.Why != fault.ProgramDied || d.Interrupted.Swim != w.ID {
		t.Errorf("the desk has %+v", d.Interrupted)
	}
	if err := other.Delete(w.ID); err != nil {
		t.Error(err)
	}
	if n := must[int](t)(number(other.conn, `SELECT (SELECT count(*) FROM block) + (SELECT count(*) FROM happening) + (SELECT count(*) FROM samples) + (SELECT count(*) FROM text)`)); n != 0 {
		t.Errorf("%d rows are left of a swim that was deleted", n)
	}
}

// TestDesk: what is laid out survives, an interruption is noted for the session it is of, and a swim to its end takes the note away.
func TestDesk(t *testing.T) {
	dir := t.TempDir()
	s := record(t, dir)
	if d := must[Desk](t)(s.Desk()); d != (Desk{}) {
		t.Errorf("a new desk has %+v", d)
	}
	e := anEntry()
	place := func() *Interrupted { return must[Desk](t)(s.Desk()).Interrupted }
	lay := func(session, swimmer string) {
		if err := s.LayOut(session, swimmer); err != nil {
			t.Fatal(err)
		}
	}
	write := func(o Outcome) {
		w := *e.Swim
		w.ID, w.Outcome = 0, o
		if err := s.Write(Entry{Swim: &w}); err != nil {
			t.Fatal(err)
		}
	}
	lay("another session", e.Swim.Swimmer)
	write(ByGuard)
	if p := place(); p != nil {
		t.Errorf("a swim of another session left %+v", p)
	}
	lay(e.Swim.Session, e.Swim.Swimmer)
	write(ByGuard)
	s.Close()
	s = record(t, dir)
	if p := place(); p == nil || p.Place != e.Swim.At || p.Why != e.Swim.Code || !p.When.Equal(e.Swim.Ended()) {
		t.Errorf("after a restart the place is %+v", p)
	}
	lay(e.Swim.Session, e.Swim.Swimmer)
	if place() == nil {
		t.Error("laying the same out again forgot the place")
	}
	write(Finished)
	if p := place(); p != nil {
		t.Errorf("after a swim to its end: %+v", p)
	}
	write(ByPerson)
	if err := s.Afresh(); err != nil || place() != nil {
		t.Errorf("afresh: %+v, %v", place(), err)
	}
	write(ByPerson)
	lay(e.Swim.Session, "Bo Strom")
	if d := must[Desk](t)(s.Desk()); d.Interrupted != nil || d.Swimmer != "Bo Strom" {
		t.Errorf("for somebody else: %+v", d)
	}
}

// TestThin: the oldest samples go first, the newest swim keeps its own, summaries never go.
func TestThin(t *testing.T) {
	s := record(t, t.TempDir())
	for range 30 {
		e := anEntry()
		e.Samples = samplesOf(3600)
		if err := s.Write(e); err != nil {
			t.Fatal(err)
		}
	}
	full := must[int64](t)(s.used())
	if err := s.Thin(full / 2); err != nil {
		t.Fatal(err)
	}
	if now := must[int64](t)(s.used()); now > full/2 {
		t.Errorf("%d bytes are used, want at most half of %d", now, full)
	}
	swims := must[[]Swim](t)(s.List(Which{}))
	for i, w := range swims {
		r := must[*Record](t)(s.Record(w.ID))
		if len(r.Blocks) != 2 || len(r.Happenings) != 3 || w.Thinned != (len(r.Samples) == 0) || i > 0 && w.Thinned && !swims[i-1].Thinned {
			t.Errorf("swim %d: %d blocks, %d happenings, %d samples, thinned %v", w.ID, len(r.Blocks), len(r.Happenings), len(r.Samples), w.Thinned)
		}
	}
	if err := s.Thin(0); err != nil {
		t.Fatal(err)
	}
	if n := len(must[[]Sample](t)(s.Samples(&swims[29]))); n != 3600 {
		t.Errorf("the newest swim has %d samples", n)
	}
}

// TestBackupAndRestore: a copy taken while others write is whole; put back, it takes the place of everything; not while a swim is recorded.
func TestBackupAndRestore(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	s := record(t, dir)
	e := anEntry()
	if err := errors.Join(s.LayOut("laid out", "Ada Fluss"), s.Write(e)); err != nil {
		t.Fatal(err)
	}
	other := must[*Store](t)(Open(dir))
	defer other.Close()
	if err := other.Backup(file); err != nil {
		t.Fatal(err)
	}
	if err := other.Backup(file); err == nil {
		t.Error("a backup took the place of another file")
	}
	second := anEntry()
	second.Swim.Outcome = UnderWay
	if err := errors.Join(s.LayOut("something else", "Ada Fluss"), s.Write(second)); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(dir, file); CodeOf(err) != fault.UnderWay {
		t.Errorf("restoring while a swim is recorded: %v", err)
	}
	second.Swim.Outcome = Finished
	if err := s.Write(second); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(dir, file); err != nil { // while s and other have it open
		t.Fatal(err)
	}
	for _, s := range []*Store{s, other} {
		if swims := must[[]Swim](t)(s.List(Which{})); len(swims) != 1 || swims[0].ID != e.Swim.ID {
			t.Errorf("after the restore: %+v", swims)
		}
		if d := must[Desk](t)(s.Desk()); d.Session != "laid out" {
			t.Errorf("the desk has %+v", d)
		}
		if n := len(must[[]Sample](t)(s.Samples(e.Swim))); n != len(e.Samples) {
			t.Errorf("%d samples", n)
		}
	}
	if _, err := Restore(dir, filepath.Join(dir, "reserve")); err == nil {
		t.Error("a file of zeros was taken for a backup")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "restore-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestRestoreOverDamage: a store that SQLite cannot read any more is put aside, and the backup takes its place.
func TestRestoreOverDamage(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	s := record(t, dir)
	if err := errors.Join(s.Write(anEntry()), s.Backup(file), s.Close()); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, File)
	f := must[*os.File](t)(os.OpenFile(name, os.O_WRONLY, 0))
	if _, err := f.WriteAt(make([]byte, 4096), 0); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if _, err := Open(dir); err == nil || !(CodeOf(err) == fault.StoreDamaged || CodeOf(err) == fault.StoreFailing) {
		t.Fatalf("a damaged store: %v", err)
	}
	aside, err := Restore(dir, file)
	if err != nil || aside == "" {
		t.Fatalf("restore: %q, %v", aside, err)
	}
	if _, err := os.Stat(aside); err != nil {
		t.Error(err)
	}
	s = must[*Store](t)(Open(dir))
	defer s.Close()
	if swims := must[[]Swim](t)(s.List(Which{})); len(swims) != 1 {
		t.Errorf("%d swims", len(swims))
	}
}

// TestTrends holds the sums of weeks against sums made by hand.
func TestTrends(t *testing.T) {
	s := record(t, t.TempDir())
	put := func(began time.Time, who string, threshold float64, blocks ...Block) {
		w := &Swim{Began: began, Swimmer: who, Threshold: units.PacePer100(threshold, units.Metre), Outcome: Finished}
		for i := range blocks {
			blocks[i].Number, blocks[i].Was = i, true
			w.Swum = w.Swum.plus(blocks[i].Swum)
		}
		if err := s.Write(Entry{Swim: w, Blocks: blocks}); err != nil {
			t.Fatal(err)
		}
	}
	east := time.FixedZone("", 11*3600)
	// Sunday 2026-03-01 and the Monday after, in local time: a week apart though UTC has both on Sunday.
	put(time.Date(2026, 3, 1, 9, 0, 0, 0, east), "Ada", 100, Block{Kind: "main", Swum: figureOf(100, 100)})
	put(time.Date(2026, 3, 2, 9, 0, 0, 0, east), "ada", 100,
		Block{Kind: "warm-up", Swum: figureOf(100, 80)}, Block{Kind: "main", Swum: figureOf(100, 102.9)}, Block{Kind: "main", Swum: figureOf(100, 103.1)}, Block{Rest: true, Swum: figureOf(30, 4)})
	put(time.Date(2026, 3, 8, 23, 0, 0, 0, east), "Ada", 0, Block{Swum: figureOf(60, 50)})
	put(time.Date(2026, 3, 8, 23, 0, 0, 0, east), "Bo", 0, Block{Swum: figureOf(60, 50)})
	put(time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC), "Ada", 0, Block{Swum: figureOf(60, 50)})
	got, undated, err := s.Trends("ADA")
	if err != nil || undated != 1 {
		t.Fatalf("undated %d, %v", undated, err)
	}
	want := []Week{
		{Monday: time.Date(2026, 2, 23, 0, 0, 0, 0, time.UTC), Swims: 1, Total: figureOf(100, 100), ByKind: map[string]Figure{"main": figureOf(100, 100)}, ByEffort: map[Effort]Figure{At: figureOf(100, 100)}},
		{Monday: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Swims: 2, Total: figureOf(390, 340),
			ByKind:   map[string]Figure{"warm-up": figureOf(100, 80), "main": figureOf(200, 206), "": figureOf(60, 50)},
			ByEffort: map[Effort]Figure{Below: figureOf(100, 80), At: figureOf(100, 102.9), Above: figureOf(100, 103.1), Unknown: figureOf(60, 50)}},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	if all, _, err := s.Trends(""); err != nil || len(all) != 2 || all[1].Swims != 3 {
		t.Errorf("of everybody: %+v, %v", all, err)
	}
}

func openRaw(path string) (*sqlite.Conn, error) {
	return sqlite.OpenConn(path, sqlite.OpenReadWrite|sqlite.OpenCreate)
}

func schemaOf(t *testing.T, s *Store) (out []string) {
	t.Helper()
	err := sqlitex.ExecuteTransient(s.conn, `SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name`, &sqlitex.ExecOptions{ResultFunc: func(row *sqlite.Stmt) error {
		out = append(out, row.ColumnText(0))
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
