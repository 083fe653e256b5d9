package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/units"
)

// FuzzReadSwimmers: what is read of a file of swimmers is written as the same again.
func FuzzReadSwimmers(f *testing.F) {
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"A","unit":"m","cap_mps":1e300,"timed_swims":[{"distance_m":1,"time_s":1e99,"day":""}]}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"Ida Quill","unit":"yd","cap_mps":0.9,"offset_s_per_100m":-2,"timed_swims":[{"distance_m":400,"time_s":349.5,"day":"2026-05-20","flume":true}],` +
		`"thresholds":[{"day":"2026-05-21","s_per_100m":92.5,"error_s_per_100m":1.5,"reserve_m":18,"flume":false,"by_hand":false,"swims":"two swims"}]}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		all, err := ReadSwimmers(text)
		if err != nil {
			if all != nil {
				t.Errorf("refused (%v), and yet %+v", err, all)
			}
			return
		}
		first := writtenSwimmers(t, all)
		again, err := ReadSwimmers(first)
		if err != nil {
			t.Fatalf("what was written is refused: %v\n%s", err, first)
		}
		if second := writtenSwimmers(t, again); !bytes.Equal(first, second) {
			t.Errorf("written, read and written again it is\n%s\nand was\n%s", second, first)
		}
	})
}

func writtenSwimmers(t *testing.T, all []Swimmer) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := WriteSwimmers(&b, all); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// FuzzPacked: a minute of samples that has been damaged is refused, or its figures are numbers that pack to the same samples.
func FuzzPacked(f *testing.F) {
	f.Add(pack(samplesOf(60)))
	f.Add([]byte{packFormat, 0x80})
	f.Add([]byte{9, 0})
	f.Add([]byte("\x01\xf7\xf7\xf7\xf7\xf7\xf7100000")) // a time that no duration holds
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := unpack(nil, b)
		if err != nil {
			if !errors.Is(err, errPacked) {
				t.Errorf("%v, want %v", err, errPacked)
			}
			return
		}
		if len(got) > len(b)/6 {
			t.Fatalf("%d samples out of %d bytes", len(got), len(b))
		}
		again, err := unpack(nil, pack(got))
		if err != nil || !slices.Equal(got, again) {
			t.Errorf("% x: %+v comes back as %+v (%v)", b, got, again, err)
		}
	})
}

// backupOf is a backup with something in each table, and a store beside it that has another swim.
func backupOf(t testing.TB) (backup, dir string) {
	t.Helper()
	from, backup := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	s := record(t, from)
	day := time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)
	err := errors.Join(s.LayOut("title = \"x\"\n", "Ada Fluss"), s.Write(anEntry()), s.PutSwimmer(&Swimmer{Name: "Ida Quill", Unit: units.Yard, Cap: units.MetresPerSecond(0.9)}))
	_, timed := s.AddTimed("Ida Quill", Timed{Distance: units.Metres(400), Time: 349 * time.Second, Day: day})
	err = errors.Join(err, timed, s.AddThreshold("Ida Quill", Threshold{Day: day, Pace: units.PacePer100(92, units.Metre), Error: 1.5, Swims: "two swims"}), s.Backup(backup), s.Close())
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	there := record(t, dir)
	e := anEntry()
	e.Swim.Title = "was here before"
	if err := errors.Join(there.Write(e), there.Close()); err != nil {
		t.Fatal(err)
	}
	return backup, dir
}

// checkRestore restores a doubtful file: either nothing has changed, or everything that a store gives can be had of it.
func checkRestore(t *testing.T, file, dir string) {
	t.Helper()
	list := func() []Swim {
		s, err := Open(dir)
		if err != nil {
			t.Fatalf("the store is lost: %v", err)
		}
		defer s.Close()
		swims, err := s.List(Which{})
		if err != nil {
			t.Fatalf("the swims cannot be listed any more: %v", err)
		}
		return swims
	}
	before := list()
	if _, err := Restore(dir, file); err != nil {
		if after := list(); !reflect.DeepEqual(before, after) {
			t.Errorf("refused (%v), and yet %+v became %+v", err, before, after)
		}
		return
	}
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := everything(s); err != nil {
		t.Errorf("what was restored cannot be had: %v", err)
	}
}

// everything asks a store for all that it gives.
func everything(s *Store) error {
	swims, err := s.List(Which{})
	if err != nil {
		return err
	}
	each := func(yield func(*Record) error) error {
		for i := range swims {
			r, err := s.Record(swims[i].ID)
			if err == nil {
				_, err = json.Marshal(r)
			}
			if err == nil {
				err = yield(r)
			}
			if err == nil {
				_, err = s.Held(swims[i].Swimmer, "")
			}
			if err != nil {
				return fmt.Errorf("swim %d: %w", swims[i].ID, err)
			}
		}
		return nil
	}
	_, desk := s.Desk()
	_, _, trends := s.Trends("")
	all, people := s.Swimmers()
	if people == nil {
		people = WriteSwimmers(io.Discard, all)
	}
	return errors.Join(BlocksCSV(io.Discard, each), SamplesCSV(io.Discard, each), desk, trends, people)
}

// FuzzBackupRows: a backup in which somebody has changed what stands in a column is restored so that all of it can be read, or leaves what is there alone.
func FuzzBackupRows(f *testing.F) {
	backup, dir := backupOf(f)
	conn, err := sqlite.OpenConn(backup, sqlite.OpenReadOnly)
	if err != nil {
		f.Fatal(err)
	}
	var columns [][2]string
	for _, table := range tables {
		err = errors.Join(err, sqlitex.ExecuteTransient(conn, `SELECT name FROM pragma_table_info(?)`, &sqlitex.ExecOptions{Args: []any{table}, ResultFunc: func(row *sqlite.Stmt) error {
			columns = append(columns, [2]string{table, row.ColumnText(0)})
			return nil
		}}))
	}
	if err := errors.Join(err, conn.Close()); err != nil || len(columns) < 60 {
		f.Fatalf("%d columns, %v", len(columns), err)
	}
	for i, c := range columns {
		switch c[1] {
		case "unit", "day", "place_when", "packed":
			f.Add(uint8(i), uint8(0), "km", 0.0)
		case "began":
			f.Add(uint8(i), uint8(0), "9999-12-31T23:59:59Z", 0.0)
		case "swum_m", "s_per_100m", "swim":
			f.Add(uint8(i), uint8(1), "", math.Inf(1))
		}
	}
	f.Fuzz(func(t *testing.T, which, kind uint8, text string, number float64) {
		file := filepath.Join(t.TempDir(), "b.db")
		if err := copyFile(file, backup); err != nil {
			t.Fatal(err)
		}
		conn, err := openRaw(file)
		if err != nil {
			t.Fatal(err)
		}
		c := columns[int(which)%len(columns)]
		value := []any{text, number, []byte(text), nil, int64(max(min(number, 1<<62), -(1 << 62)))}[kind%5]
		err = sqlitex.ExecuteTransient(conn, fmt.Sprintf(`UPDATE %s SET "%s" = ?`, c[0], c[1]), &sqlitex.ExecOptions{Args: []any{value}})
		if closed := conn.Close(); err != nil || closed != nil {
			return // what SQLite does not take is in no backup
		}
		checkRestore(t, file, dir)
	})
}

// FuzzBackupFile: a backup with damaged bytes is restored so that all of it can be read, or leaves what is there alone.
func FuzzBackupFile(f *testing.F) {
	backup, dir := backupOf(f)
	good, err := os.ReadFile(backup)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint32(0), []byte("no database"))
	f.Add(uint32(18), []byte{9, 9})    // format versions that no SQLite reads
	f.Add(uint32(60), []byte{0, 0, 1}) // the version of the schema
	for _, what := range []string{"2026-03-02", "Ada Fluss", "CREATE TABLE block"} {
		if at := bytes.Index(good, []byte(what)); at >= 0 {
			f.Add(uint32(at), []byte("\x00\xff"))
		}
	}
	f.Fuzz(func(t *testing.T, at uint32, patch []byte) {
		file := filepath.Join(t.TempDir(), "b.db")
		bad := bytes.Clone(good)
		copy(bad[int(at)%len(bad):], patch)
		if err := os.WriteFile(file, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		checkRestore(t, file, dir)
	})
}
