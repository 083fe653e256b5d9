package sequencer

import (
	"log/slog"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

// wallClock notices that the computer's clock was set: a board without a battery begins in 1970 and gets the time from the network, maybe in mid-swim. The loop
// does not go by that clock.
type wallClock struct {
	begin time.Time
	ahead time.Duration // of the monotonic clock, since begin
}

// setBy is how much it has to be ahead or behind at once for a person to be told. Less is the network's ordinary correction, and no label shows it.
const setBy = 10 * time.Second

// set reports by how much the clock was set since the last look; 0 for not worth telling. What it shows is now, and elapsed has passed since begin.
func (w *wallClock) set(now time.Time, elapsed time.Duration) time.Duration {
	ahead := now.Round(0).Sub(w.begin.Round(0)) - elapsed // Round(0) takes the monotonic reading away
	by := ahead - w.ahead
	if by.Abs() < setBy {
		return 0
	}
	w.ahead = ahead
	return by
}

// clockShown is how long people are told that the clock was set.
const clockShown = time.Minute

// clockSet is told when the computer's clock was set: a notice, and nothing else.
func (c *Core) clockSet(by time.Duration) {
	slog.Warn("the clock of this computer was set", "by", by.Round(time.Second))
	c.clockUntil = c.now + clockShown
	c.tell(Event{Kind: Judged, Level: safety.Notice, Code: fault.ClockSet})
}
