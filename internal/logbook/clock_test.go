package logbook

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
)

// A swim that began in 1970, by a board without a battery, has its true date once the clock is set, also where it was on the disk by then. How long it took
// does not change.
func TestTheClockIsSetInMidSwim(t *testing.T) {
	f := start(t, Room)
	f.calm = false
	dir := t.TempDir()
	s, err := store.OpenToRecord(dir)
	must(t, err)
	l := New(Config{Store: s, Events: f.events, Simulated: true})
	must(t, f.do(run.Reset))
	must(t, f.do(run.Start))
	f.pass(20 * time.Second)
	l.drain()
	l.open.swim.Began = time.Date(1970, 1, 1, 0, 5, 0, 0, time.UTC)
	l.write()
	before, err := s.Swim(l.open.swim.ID)
	must(t, err)
	if before.ClockSet() || before.Passed < 19*time.Second {
		t.Fatalf("%v, %v long", before.Began, before.Passed)
	}
	l.take(sequencer.Event{Kind: sequencer.Judged, Swim: l.open.number, Level: safety.Notice, Code: fault.ClockSet, At: f.now})
	set := time.Now()
	l.write()
	after, err := s.Swim(l.open.swim.ID)
	must(t, err)
	if off := set.Sub(after.Began) - 20*time.Second; off.Abs() > 2*time.Second { // the label is in whole seconds
		t.Errorf("it began %v, and the clock was set to %v after 20 s", after.Began, set)
	}
	if after.Passed.Round(time.Second) != 20*time.Second {
		t.Errorf("it is %v long", after.Passed)
	}
	must(t, s.Close())
}
