package sequencer

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

// A clock that is set is told once, whichever way; one that the network corrects bit by bit, or that nobody sets, is not.
func TestTheClockIsSet(t *testing.T) {
	power := time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC)
	now := time.Date(2026, 11, 25, 6, 30, 0, 0, time.UTC)
	w := wallClock{begin: power}
	var told []time.Duration
	ahead := time.Duration(0)
	for elapsed := time.Duration(0); elapsed < time.Hour; elapsed += Tick {
		switch elapsed {
		case 10 * time.Minute:
			ahead = now.Sub(power) - elapsed
		case 20 * time.Minute:
			ahead += 9 * time.Second
		case 30 * time.Minute: // with the nine seconds that nobody was told of
			ahead -= time.Hour
		}
		if by := w.set(power.Add(elapsed+ahead), elapsed); by != 0 {
			told = append(told, by)
		}
	}
	if want := now.Sub(power) - 10*time.Minute; len(told) != 2 || told[0] != want || told[1] != 9*time.Second-time.Hour {
		t.Errorf("told %v", told)
	}
}

// That it was set is kept of the swim, and shown for a minute.
func TestTheClockIsToldAndKept(t *testing.T) {
	events := make(chan Event, 1)
	c := &Core{cfg: Config{Events: events}, now: time.Hour}
	c.clockSet(time.Hour)
	if e := <-events; e.Kind != Judged || e.Level != safety.Notice || e.Code != fault.ClockSet || e.At != time.Hour {
		t.Errorf("kept %+v", e)
	}
	if c.clockUntil != time.Hour+time.Minute {
		t.Errorf("shown until %v", c.clockUntil)
	}
}
