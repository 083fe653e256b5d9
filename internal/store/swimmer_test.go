package store

import (
	"bytes"
	"errors"
	"reflect"
	"testing"
	"time"

	"flume.example/sequencerd/internal/units"
)

func day(m time.Month, d int) time.Time { return time.Date(2026, m, d, 0, 0, 0, 0, time.UTC) }

func aSwimmer(name string) *Swimmer {
	return &Swimmer{Name: name, Unit: units.Yard, Cap: units.MetresPerSecond(0.9), Offset: -2.5,
		Timed:   []Timed{{Distance: units.Metres(200), Time: secondsOf(170.4), Day: day(3, 1)}, {Distance: units.Metres(400), Time: secondsOf(349), Flume: true}},
		History: []Threshold{{Day: day(3, 2), Pace: units.PacePer100(90, units.Metre), ByHand: true}, {Pace: units.PacePer100(89.5, units.Metre), Error: 1.2, Reserve: units.Metres(16), Flume: true, Swims: "200 m, 400 m"}},
	}
}

// numbered takes the numbers away, which a store gives.
func numbered(w *Swimmer) *Swimmer {
	for i := range w.Timed {
		w.Timed[i].Number = 0
	}
	return w
}

func TestSwimmers(t *testing.T) {
	dir := t.TempDir()
	s := record(t, dir)
	if err := s.AddSwimmer(aSwimmer("Nell Brook")); err != nil {
		t.Fatal(err)
	}
	if err := s.AddSwimmer(aSwimmer("NELL BROOK")); err == nil {
		t.Error("there are two of one name")
	}
	if err := s.PutSwimmer(&Swimmer{Name: "Ben Ford"}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s = record(t, dir)
	if got := numbered(must[*Swimmer](t)(s.Swimmer("nell brook"))); !reflect.DeepEqual(got, aSwimmer("Nell Brook")) {
		t.Errorf("%+v\nwant %+v", got, aSwimmer("Nell Brook"))
	}
	all := must[[]Swimmer](t)(s.Swimmers())
	if len(all) != 2 || all[0].Name != "Ben Ford" || all[0].Cap != (units.Speed{}) {
		t.Errorf("%+v", all)
	}
	// A change of the one leaves swims and thresholds, and the other.
	if err := s.PutSwimmer(&Swimmer{Name: "Nell Brook", Unit: units.Metre}); err != nil {
		t.Fatal(err)
	}
	n := must[int64](t)(s.AddTimed("Nell Brook", Timed{Distance: units.Metres(800), Time: secondsOf(730), Day: day(4, 1)}))
	if err := s.DropTimed("Ben Ford", n); err == nil {
		t.Error("somebody dropped another one's swim")
	}
	nell := must[*Swimmer](t)(s.Swimmer("Nell Brook"))
	if nell.Unit != units.Metre || nell.Cap != (units.Speed{}) || nell.Offset != 0 || len(nell.Timed) != 3 || nell.Timed[2].Number != n || len(nell.History) != 2 {
		t.Errorf("%+v", nell)
	}
	if err := s.DropTimed("nell brook", n); err != nil {
		t.Error(err)
	}
	if err := s.AddThreshold("Nell Brook", Threshold{Day: day(5, 1), Pace: units.PacePer100(88, units.Metre), ByHand: true}); err != nil {
		t.Error(err)
	}
	nell = must[*Swimmer](t)(s.Swimmer("Nell Brook"))
	if now, ok := nell.Threshold(); !ok || !now.ByHand || now.Pace.Seconds() != 88 || len(nell.Timed) != 2 {
		t.Errorf("%+v", nell)
	}
	if _, ok := all[0].Threshold(); ok {
		t.Error("nothing counts as a threshold")
	}
	for _, err := range []error{second(s.AddTimed("Nobody", Timed{})), s.AddThreshold("Nobody", Threshold{}), s.ForgetSwimmer("Nobody", true), second(s.Swimmer("Nobody"))} {
		if !errors.Is(err, ErrNobody) {
			t.Errorf("%v", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

// TestForget: what is forgotten is gone, swims and their texts too where that was asked; else they are nobody's.
func TestForget(t *testing.T) {
	for _, swims := range []bool{false, true} {
		s := record(t, t.TempDir())
		e := anEntry()
		name := e.Swim.Swimmer
		if err := s.Write(e); err != nil {
			t.Fatal(err)
		}
		if err := s.AddSwimmer(aSwimmer(name)); err != nil {
			t.Fatal(err)
		}
		if err := s.LayOut("a session", name); err != nil {
			t.Fatal(err)
		}
		if e.Swim.Outcome == UnderWay {
			if err := s.ForgetSwimmer(name, swims); err == nil {
				t.Error("somebody in the water was forgotten")
			}
			e.Swim.Outcome = Finished
			if err := s.Write(Entry{Swim: e.Swim}); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.ForgetSwimmer(name, swims); err != nil {
			t.Fatal(err)
		}
		left := must[[]Swim](t)(s.List(Which{}))
		if swims && len(left) != 0 || !swims && (len(left) != 1 || left[0].Swimmer != "") {
			t.Errorf("swims left: %+v", left)
		}
		for _, q := range []string{`SELECT count(*) FROM swimmer`, `SELECT count(*) FROM timed`, `SELECT count(*) FROM threshold`, `SELECT count(*) FROM desk WHERE swimmer <> ''`} {
			if n := must[int](t)(number(s.conn, q)); n != 0 {
				t.Errorf("%s: %d", q, n)
			}
		}
		if n := must[int](t)(number(s.conn, `SELECT count(*) FROM text`)); (n == 0) != swims {
			t.Errorf("%d texts", n)
		}
	}
}

// TestSwimmersInBackup: swimmers come back with a backup, in the place of those that were there.
func TestSwimmersInBackup(t *testing.T) {
	s := record(t, t.TempDir())
	if err := s.AddSwimmer(aSwimmer("Nell Brook")); err != nil {
		t.Fatal(err)
	}
	file := t.TempDir() + "/copy"
	if err := s.Backup(file); err != nil {
		t.Fatal(err)
	}
	other := t.TempDir()
	o := record(t, other)
	if err := o.AddSwimmer(aSwimmer("Somebody Else")); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(other, file); err != nil {
		t.Fatal(err)
	}
	all := must[[]Swimmer](t)(o.Swimmers())
	if len(all) != 1 || !reflect.DeepEqual(numbered(&all[0]), aSwimmer("Nell Brook")) {
		t.Errorf("%+v", all)
	}
}

// TestHeld: which blocks are of a test, and which of them were disturbed.
func TestHeld(t *testing.T) {
	s := record(t, t.TempDir())
	block := func(n int, name string, left float64, done bool) Block {
		return Block{Number: n, Name: name, Round: 1, Of: 1, From: units.PacePer100(90, units.Yard), To: units.PacePer100(90, units.Yard),
			Asked: figureOf(900, 900), Swum: figureOf(300, 304.8), Left: secondsOf(left), Was: left > 0, Done: done}
	}
	w := Swim{Began: time.Date(2026, 5, 20, 23, 30, 0, 0, time.FixedZone("", 7200)), Passed: secondsOf(5000), Title: "Hold-on test", Swimmer: "Nell Brook", Unit: units.Yard, Outcome: ByPerson, Blocks: 7}
	e := Entry{Swim: &w, Blocks: []Block{
		block(0, "Warm-up", 100, true), block(1, "Hold on 1", 400, true), block(2, "Hold on 2", 800, true), block(3, "Hold on 3", 1200, true),
		block(4, "Hold on 4", 1600, false), block(5, "Hold on 5", 2000, true), block(6, "Hold on 6", 0, false),
	}, Happenings: []Happening{
		{Number: 0, At: secondsOf(50), Kind: "command", What: "pause"},                   // in the warm-up
		{Number: 1, At: secondsOf(400), Kind: "command", What: "on"},                     // ends it
		{Number: 2, At: secondsOf(500), Kind: "command", What: "nudge"},                  // in 2
		{Number: 3, At: secondsOf(900), Kind: "command", What: "pause", Code: "not-now"}, // did nothing
		{Number: 4, At: secondsOf(1900), Kind: "guard", What: "slow"},                    // in 5
	}}
	if err := s.Write(e); err != nil {
		t.Fatal(err)
	}
	got := must[[]Held](t)(s.Held("NELL BROOK", "Hold on"))
	want := map[int]bool{1: false, 2: true, 3: false, 4: true, 5: true}
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for _, h := range got {
		if disturbed, ok := want[h.Number]; !ok || h.Disturbed != disturbed {
			t.Errorf("block %d: %+v", h.Number, h)
		}
		if h.Swum != figureOf(300, 304.8) || h.Cap != secondsOf(900) || h.Pace.String() != "1:30/100yd" || !h.Day.Equal(day(5, 20)) || h.Simulated || h.Swim != w.ID {
			t.Errorf("%+v", h)
		}
	}
	// One that takes up a swim left in the middle of a block has only the rest of it.
	v := w
	v.ID, v.Continues = 0, w.ID
	if err := s.Write(Entry{Swim: &v, Blocks: []Block{block(4, "Hold on 4", 100, true), block(5, "Hold on 5", 500, true)}}); err != nil {
		t.Fatal(err)
	}
	got = must[[]Held](t)(s.Held("Nell Brook", "Hold on"))
	if len(got) != 7 || !got[5].Disturbed || got[6].Disturbed {
		t.Errorf("%+v", got)
	}
	if none := must[[]Held](t)(s.Held("Ben Ford", "Hold on")); none != nil {
		t.Errorf("%+v", none)
	}
}

// TestSwimmersOut: what is exported is read back as it was, and nothing else is taken for it.
func TestSwimmersOut(t *testing.T) {
	var b bytes.Buffer
	all := []Swimmer{*aSwimmer("Nell Brook"), {Name: "Ben \"<&>\" Ford"}}
	if err := WriteSwimmers(&b, all); err != nil {
		t.Fatal(err)
	}
	got := must[[]Swimmer](t)(ReadSwimmers(b.Bytes()))
	if !reflect.DeepEqual(got, all) {
		t.Errorf("%+v\nwant %+v", got, all)
	}
	for _, bad := range []string{"", "{}", `{"format":2}`, `{"format":1,"swimmers":[{"name":"A","unit":"km"}]}`, `{"format":1,"more":1}`, `{"format":1}{}`,
		`{"format":1,"swimmers":[{"name":"A","unit":"m","timed_swims":[{"day":"yesterday"}]}]}`, `{"format":1,"swimmers":[{"name":"A","unit":"m","thresholds":[{"day":"1.2.2026"}]}]}`} {
		if got, err := ReadSwimmers([]byte(bad)); err == nil {
			t.Errorf("%s: %+v", bad, got)
		}
	}
}
