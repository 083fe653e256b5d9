package logbook

import (
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
)

// records gives all that a store has, after its keeper has ended.
func records(t *testing.T, dir string) []*store.Record {
	t.Helper()
	s, err := store.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	swims, err := s.List(store.Which{})
	if err != nil {
		t.Fatal(err)
	}
	var out []*store.Record
	for _, w := range swims {
		r, err := s.Record(w.ID)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func start(t *testing.T, room int) *flume {
	t.Helper()
	f, err := newFlume(two, room)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// TestASwimIsKept: blocks as the loop has them, a sample a second that adds up to the distance, commands, and how it ended.
func TestASwimIsKept(t *testing.T) {
	dir, f := t.TempDir(), start(t, Room)
	k := keep(t, dir, f)
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(20 * time.Second)
	must(t, f.do(run.Nudge))
	if err := f.do(run.On); err == nil {
		t.Fatal("on was taken outside of an open block")
	}
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(sequencer.Tick)
	}
	results := f.core.Results()
	k.end()
	if len(k.kept) != 3 {
		t.Errorf("kept %v", k.kept)
	}
	rs := records(t, dir)
	if len(rs) != 1 {
		t.Fatalf("%d swims", len(rs))
	}
	r := rs[0]
	if r.Outcome != store.Finished || r.Code != "" || r.Title != "Two and a rest" || r.Swimmer != "Ada Fluss" || r.Threshold != pace(96) || !r.Simulated || r.Missed != 0 || r.At.Block != 3 {
		t.Errorf("swim %+v", r.Swim)
	}
	if want := (store.Texts{Session: "as it was written", Limits: "l", Configuration: "c", Calibration: "id"}); r.Texts != want {
		t.Errorf("texts %+v", r.Texts)
	}
	if time.Since(r.Began) > time.Hour || time.Since(r.Began) < 0 {
		t.Errorf("began %v", r.Began)
	}
	var swum store.Figure
	for i, b := range r.Blocks {
		if !b.Was || !b.Done || b.Swum.Time != results[i].Time || b.Swum.Distance != results[i].Distance || b.Planned.Time == 0 {
			t.Errorf("block %d: %+v, the loop has %+v", i, b, results[i])
		}
		swum.Time += b.Swum.Time
	}
	// Asked by hand: 30 s at 2:00 are 25 m; 40 m from 1:35 to 1:30 at the mean of 100/95 and 100/90 m/s are 36.97 s.
	if a := r.Blocks[0].Asked; a.Time != 30*time.Second || math.Abs(a.Distance.Metres()-25) > 1e-9 {
		t.Errorf("asked %+v", a)
	}
	if a := r.Blocks[2].Asked; math.Abs(a.Time.Seconds()-36.97) > 0.01 || a.Distance.Metres() != 40 {
		t.Errorf("asked %+v", a)
	}
	if d := r.Swum.Time - swum.Time; d < -time.Millisecond || d > time.Millisecond {
		t.Errorf("the swim took %v, its blocks %v", r.Swum.Time, swum.Time)
	}
	if n := len(r.Samples); math.Abs(float64(n)-r.Passed.Seconds()) > 2 {
		t.Errorf("%d samples in %v", n, r.Passed)
	}
	var sum float64 // trapezoids over a second each
	for i := 1; i < len(r.Samples); i++ {
		a, b := r.Samples[i-1], r.Samples[i]
		sum += (a.Water.MetresPerSecond() + b.Water.MetresPerSecond()) / 2 * (b.At - a.At).Seconds()
	}
	if d := r.Swum.Distance.Metres(); math.Abs(sum-d) > 0.5 {
		t.Errorf("the samples add up to %.2f m, the swim has %.2f m", sum, d)
	}
	want := []store.Happening{
		{Kind: "command", What: "start", By: "terminal"}, {Kind: "command", What: "nudge", By: "terminal", Nudge: 1}, {Kind: "command", What: "on", By: "terminal", Nudge: 1, Code: fault.NotNowCode},
	}
	var got []store.Happening
	for _, h := range r.Happenings {
		if h.Kind == "command" {
			if h.What != "start" && h.At.Round(time.Second) != 20*time.Second {
				t.Errorf("%s at %v", h.What, h.At)
			}
			h.Number, h.At = 0, 0
			if h.What == "start" {
				h.Nudge = 0
			}
			got = append(got, h)
		}
	}
	if len(got) != 3 || got[0] != want[0] || got[1] != want[1] || got[2] != want[2] {
		t.Errorf("commands %+v, want %+v", got, want)
	}
}

// TestAnInterruptedSwim is kept with where and why, noted at the desk, and taken up by another swim that has only what was swum in it.
func TestAnInterruptedSwim(t *testing.T) {
	dir, f := t.TempDir(), start(t, Room)
	k := keep(t, dir, f)
	must(t, k.store.LayOut("as it was written", "Ada Fluss"))
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(20 * time.Second)
	must(t, f.do(run.Stop))
	f.pass(time.Minute)
	must(t, f.do(run.Reset))
	must(t, f.core.Do(sequencer.Command{What: run.Start, Again: true}))
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(sequencer.Tick)
	}
	results := f.core.Results()
	k.end()
	rs := records(t, dir)
	if len(rs) != 2 {
		t.Fatalf("%d swims", len(rs))
	}
	a, b := rs[0], rs[1]
	if a.Outcome != store.ByPerson || a.Code != fault.StopPressed || a.At.Block != 0 || a.At.Time.Round(time.Second) != 20*time.Second || a.Blocks[0].Done || a.Blocks[1].Was {
		t.Errorf("interrupted: %+v", a.Swim)
	}
	if b.Outcome != store.Finished || b.Continues != a.ID || !b.Blocks[0].Done {
		t.Errorf("taken up: %+v", b.Swim)
	}
	if got, want := a.Blocks[0].Swum.Time+b.Blocks[0].Swum.Time, results[0].Time; got != want {
		t.Errorf("the two have %v of the block, the loop %v", got, want)
	}
	if got, want := a.Blocks[0].Swum.Distance.Metres()+b.Blocks[0].Swum.Distance.Metres(), results[0].Distance.Metres(); math.Abs(got-want) > 1e-9 {
		t.Errorf("the two have %v m of the block, the loop %v", got, want)
	}
}

// TestTheProgramEndsUnderWay: the swim is kept with that reason, and the desk knows its place.
func TestTheProgramEndsUnderWay(t *testing.T) {
	dir, f := t.TempDir(), start(t, Room)
	k := keep(t, dir, f)
	must(t, k.store.LayOut("as it was written", "Ada Fluss"))
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(33 * time.Second)
	k.end()
	if rs := records(t, dir); len(rs) != 1 || rs[0].Outcome != store.ByGuard || rs[0].Code != fault.ProgramEnds || rs[0].At.Block != 1 {
		t.Fatalf("swims %+v", rs)
	}
	s, err := store.Open(dir)
	must(t, err)
	defer s.Close()
	if d, err := s.Desk(); err != nil || d.Interrupted == nil || d.Interrupted.Block != 1 || d.Interrupted.Why != fault.ProgramEnds {
		t.Errorf("the desk has %+v, %v", d.Interrupted, err)
	}
}

// TestACountInTakenBack is no swim.
func TestACountInTakenBack(t *testing.T) {
	dir, f := t.TempDir(), start(t, Room)
	k := keep(t, dir, f)
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	must(t, f.do(run.Start))
	f.pass(time.Second)
	k.end()
	if rs := records(t, dir); len(rs) != 0 {
		t.Errorf("kept %+v", rs[0].Swim)
	}
}

// TestAnotherSwimmer in a pause makes two swims, each with its own swimmer's water.
func TestAnotherSwimmer(t *testing.T) {
	dir, f := t.TempDir(), start(t, Room)
	k := keep(t, dir, f)
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(20 * time.Second)
	must(t, f.do(run.Pause))
	f.pass(time.Minute)
	f.plan.Swimmer = "Bo Strom"
	must(t, f.do(run.Swimmer))
	must(t, f.do(run.Resume))
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(sequencer.Tick)
	}
	k.end()
	rs := records(t, dir)
	if len(rs) != 2 {
		t.Fatalf("%d swims", len(rs))
	}
	a, b := rs[0], rs[1]
	if a.Swimmer != "Ada Fluss" || a.Code != fault.OtherSwimmer || a.Outcome != store.ByPerson || a.Swum.Time.Round(time.Second) != 20*time.Second {
		t.Errorf("first: %+v", a.Swim)
	}
	if b.Swimmer != "Bo Strom" || b.Continues != a.ID || b.Outcome != store.Finished || b.Blocks[0].Swum.Time.Round(time.Second) != 10*time.Second {
		t.Errorf("second: %+v, block %+v", b.Swim, b.Blocks[0])
	}
}

// TestEventsThatFoundNoRoom are counted with the swim, and are a caution; the loop goes on.
func TestEventsThatFoundNoRoom(t *testing.T) {
	dir, f := t.TempDir(), start(t, 8)
	f.calm = false
	must(t, f.do(run.Reset)) // nobody reads: the channel is full after 8 events
	must(t, f.do(run.Start))
	f.pass(15 * time.Second)
	k := keep(t, dir, f)
	f.calm = true
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(sequencer.Tick)
	}
	if st, _ := f.core.State(); st != run.Finished {
		t.Errorf("the swim ended %v", st)
	}
	k.end()
	if c := k.Status().Code; c != fault.StoreMissed {
		t.Errorf("status %q", c)
	}
	if rs := records(t, dir); len(rs) != 1 || rs[0].Missed == 0 || rs[0].Outcome != store.Finished {
		t.Errorf("swims %+v", rs)
	}
}

// TestTellingAllocatesNothing: a tick of a swim that is told to a logbook costs no memory, whether the logbook keeps up or not.
func TestTellingAllocatesNothing(t *testing.T) {
	f := start(t, 16)
	f.calm = false
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(5 * time.Second)
	told := 0
	n := testing.AllocsPerRun(100, func() {
		f.pass(200 * time.Millisecond)
		for told%2 == 0 && len(f.events) > 0 { // the channel is full and empty in turn
			<-f.events
		}
		told++
	})
	if n != 0 {
		t.Errorf("%v allocations in four ticks", n)
	}
}
