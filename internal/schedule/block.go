package schedule

import (
	"time"

	"flume.example/sequencerd/internal/units"
)

// Extent says what ends a block.
type Extent uint8

// The three extents.
const (
	ByTime     Extent = iota // lasts Time, the change of speed included
	ByDistance               // ends when Distance has flowed past since its start
	Open                     // ends when somebody says on; planned as Time (its cap, else 60 s)
)

// OpenPlan is how long an open block without a cap is planned to last.
const OpenPlan = 60 * time.Second

// Block is one stretch of a session at one speed (or changing from one speed to another), or a rest, for one swimmer:
// what is left when rounds are unrolled and thresholds are put in.
type Block struct {
	Index     int    // from 0, in the order of swimming
	Step      int    // number of the step in the file that it comes from, from 0, in reading order; remarks are given once a step
	Name      string // never empty
	Kind      string // "warm-up", "main", "drill", "recovery", "cool-down", or empty; inherited from the group
	Note      string
	Round, Of int // "3 of 6" in the innermost group that repeats; 1 of 1 outside

	Extent   Extent
	Time     time.Duration  // ByTime; Open: the planned time. A send-off rest: its least time (0 where the file gives none)
	Capped   bool           // Open: it ends by itself after Time
	Distance units.Distance // ByDistance

	Rest     bool       // the water comes to rest; From and To are no pace
	From, To units.Pace // per 100 of the session's unit; equal, but for a two-pace block
	Relative bool       // the pace was given relative to the swimmer's threshold

	// Leaves has the send-offs that this rest waits for, the innermost first: it ends when the latest of them is due.
	Leaves []SendOff
}

// SendOff is the moment when the next round starts: Every after the start of block First.
type SendOff struct {
	First int // Index of the round's first block
	Every time.Duration
}

// TwoPace reports whether the block changes from one pace to another.
func (b Block) TwoPace() bool { return b.From != b.To }

// MeanSpeed is the speed that the asked figures use: half way between the two speeds; standstill for a rest.
func (b Block) MeanSpeed() units.Speed {
	return units.MetresPerSecond((b.From.Speed().MetresPerSecond() + b.To.Speed().MetresPerSecond()) / 2)
}

// Nudged is the block with its paces so many seconds per 100 slower (faster where negative); a rest stays as it is.
// A pace is never nudged to less than a second per 100.
func (b Block) Nudged(secondsPer100 float64) Block {
	if !b.Rest {
		b.From, b.To = nudge(b.From, secondsPer100), nudge(b.To, secondsPer100)
	}
	return b
}

func nudge(p units.Pace, s float64) units.Pace {
	return units.PacePer100(max(p.Seconds()+s, 1), p.Unit())
}
