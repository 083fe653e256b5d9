package safety

import "time"

const (
	askBefore = 2 * time.Minute  // the question comes this long before the shutoff
	askAtRest = 5 * time.Minute  // or at the last rest within this
	askLatest = 30 * time.Second // a rest later than this leaves no time to answer
)

var seenFor = time.Hour // occupancy alone postpones the shutoff for no longer than this after the last press (a variable only for the search over all states)

// attention counts from the last sign of a person to the idle shutoff, and knows when to ask.
type attention struct {
	press, seen time.Duration // of the last of each
	asked       bool
}

// left is how long until the shutoff is due.
func (a *attention) left(c Config, now time.Duration) time.Duration {
	last := a.press
	if a.seen > last {
		last = min(a.seen, a.press+seenFor)
	}
	return last + c.IdleShutoff - now
}

// step takes the signs of this tick, and asks when it is time: at the last rest within five minutes before the shutoff, else two minutes before.
func (a *attention) step(c Config, f *Facts, w Wish) {
	if f.Press {
		a.press, a.asked = f.Now, false
	}
	if f.Seen {
		a.seen = f.Now
		if f.Now <= a.press+seenFor {
			a.asked = false
		}
	}
	if a.asked {
		return
	}
	left := a.left(c, f.Now)
	half := c.IdleShutoff / 2 // a short shutoff is asked about in its second half only
	better := !w.RestAway && w.RestIn <= left-askLatest
	switch {
	case better:
	case w.AtRest && left <= min(askAtRest, half), left <= min(askBefore, half):
		a.asked = true
	}
}
