package store

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"zombiezen.com/go/sqlite/sqlitex"

	"flume.example/sequencerd/internal/units"
)

// anHour is a swim of an hour: 30 rounds of 100 m and a rest, a sample a second.
func anHour(n int) Entry {
	w := &Swim{
		Began: time.Date(2016, 1, 1, 7, 0, 0, 0, time.UTC).Add(time.Duration(n) * 9 * time.Hour), Passed: time.Hour, Title: "Hundreds, as every day", Swimmer: fmt.Sprint("Swimmer ", n%7),
		Threshold: units.PacePer100(96, units.Metre), Outcome: Finished, At: Place{Block: 60}, Swum: figureOf(3600, 3000), Blocks: 60,
		Texts: Texts{Session: strings.Repeat("a step of a session\n", 60), Limits: "limits", Configuration: strings.Repeat("a line of configuration\n", 100), Calibration: "c1"},
	}
	e := Entry{Swim: w}
	for i := range 60 {
		b := Block{Number: i, Name: "Hundred", Kind: "main", Round: i/2 + 1, Of: 30, Rest: i%2 == 1, Asked: figureOf(100, 100), Planned: figureOf(100, 98), Swum: figureOf(100, 97.9), Left: time.Duration(i+1) * time.Minute, Was: true, Done: true}
		if !b.Rest {
			b.From, b.To = units.PacePer100(100, units.Metre), units.PacePer100(100, units.Metre)
		}
		e.Blocks = append(e.Blocks, b)
	}
	var d float64
	for i := range 3600 {
		v := 1.0 - 0.9*float64(max(0, i%120-100))/20
		d += v
		e.Samples = append(e.Samples, Sample{
			At: time.Duration(i) * 1000 * time.Millisecond, Block: i / 60, Wish: units.MetresPerSecond(v), Water: units.MetresPerSecond(v - float64((i*7)%5)/1000),
			Motor: units.RPM(900*v + float64((i*13)%7)/10), Distance: units.Metres(d),
		})
	}
	return e
}

// BenchmarkYears: 10,000 swims of an hour, with all samples. Goals: the list and one swim's curve each under 50 ms.
func BenchmarkYears(b *testing.B) {
	const swims = 10_000
	dir := b.TempDir()
	s, err := OpenToRecord(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	if err := sqlitex.ExecuteTransient(s.conn, `PRAGMA synchronous = off`, nil); err != nil {
		b.Fatal(err)
	}
	for n := 0; n < swims; n += 100 {
		var es []Entry
		for i := range 100 {
			es = append(es, anHour(n+i))
		}
		if err := s.Write(es...); err != nil {
			b.Fatal(err)
		}
	}
	if err := sqlitex.ExecuteTransient(s.conn, `PRAGMA wal_checkpoint(truncate)`, nil); err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(dir + "/" + File)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d swims of an hour: %.1f MB, %.1f kB a swim", swims, float64(info.Size())/1e6, float64(info.Size())/1e3/swims)
	b.Run("list of all", func(b *testing.B) {
		for b.Loop() {
			if l, err := s.List(Which{}); err != nil || len(l) != swims {
				b.Fatal(len(l), err)
			}
		}
	})
	b.Run("list of the last 20", func(b *testing.B) {
		for b.Loop() {
			if l, err := s.List(Which{Last: 20}); err != nil || len(l) != 20 {
				b.Fatal(len(l), err)
			}
		}
	})
	b.Run("one swim with its curve", func(b *testing.B) {
		n := int64(0)
		for b.Loop() {
			n = n*7919%swims + 1
			if r, err := s.Record(n); err != nil || len(r.Samples) != 3600 {
				b.Fatal(err)
			}
		}
	})
	b.Run("trends of one swimmer", func(b *testing.B) {
		for b.Loop() {
			if w, _, err := s.Trends("swimmer 3"); err != nil || len(w) == 0 {
				b.Fatal(err)
			}
		}
	})
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			o, err := Open(dir)
			if err != nil {
				b.Fatal(err)
			}
			o.Close()
		}
	})
}

// BenchmarkHour writes an hour as the logbook does, a batch every five seconds and one at each block's end, and tells the bytes that reach the disk: what a
// memory card has to bear. Commits are synced.
func BenchmarkHour(b *testing.B) {
	dir := b.TempDir()
	s, err := OpenToRecord(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	written := func() (n int64) { // by this process, to files: proc(5), io
		text, err := os.ReadFile("/proc/self/io")
		if err != nil {
			b.Fatal(err)
		}
		for _, l := range strings.Split(string(text), "\n") {
			fmt.Sscanf(l, "wchar: %d", &n)
		}
		return n
	}
	before, commits, hours := written(), 0, 0
	for b.Loop() {
		hours++
		e := anHour(hours)
		w := e.Swim
		w.Outcome = UnderWay
		write := func(e Entry) {
			if err := s.Write(e); err != nil {
				b.Fatal(err)
			}
			commits++
		}
		write(Entry{Swim: w, Blocks: e.Blocks})
		for t := 5; t <= 3600; t += 5 {
			n := Entry{Swim: w, Samples: e.Samples[(t-1)/60*60 : t]}
			w.Passed, w.Swum.Time = time.Duration(t)*time.Second, time.Duration(t)*time.Second
			if t%60 == 0 {
				n.Blocks = e.Blocks[t/60-1 : t/60]
			}
			write(n)
		}
		w.Outcome = Finished
		write(Entry{Swim: w})
	}
	b.ReportMetric(float64(written()-before)/float64(hours)/1e6, "MB/hour-swum")
	b.ReportMetric(float64(commits)/float64(hours), "commits/hour-swum")
}
