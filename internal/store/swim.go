package store

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Outcome says how a swim ended.
type Outcome string

// The outcomes.
const (
	UnderWay Outcome = ""
	Finished Outcome = "finished" // through its last block
	ByPerson Outcome = "person"   // somebody ended it before
	ByGuard  Outcome = "guard"    // the guard did
	Lost     Outcome = "lost"     // the program died, or the power went
)

// Swim is what is known of a swim as a whole.
type Swim struct {
	ID        int64     // 0 until it is kept
	Began     time.Time // wall time, a label: see ClockSet
	Passed    time.Duration
	Title     string
	Swimmer   string
	Unit      units.Unit
	Threshold units.Pace // zero where not known
	Simulated bool
	Continues int64 // the interrupted swim that it takes up; 0 for none
	Outcome   Outcome
	Code      fault.Code // why it ended before its end
	At        Place      // where it is, or was left; its Block is the number of blocks where all were swum
	Swum      Figure     // block clock and water of the whole swim
	Blocks    int        // how many it has
	Missed    int        // events that the logbook never got: figures may be too small
	Thinned   bool       // samples were dropped to make room

	Texts
}

// Texts are what a swim was swum with. List leaves them out.
type Texts struct {
	Session       string // as it was written
	Limits        string
	Configuration string
	Calibration   string // its name
}

// ClockSet reports whether the wall clock was set when the swim began, as far as one can tell.
func (s *Swim) ClockSet() bool { return s.Began.Year() >= 2020 }

// Ended is when it ended: its begin and the time that passed, whatever the wall clock did meanwhile.
func (s *Swim) Ended() time.Time { return s.Began.Add(s.Passed) }

// Place is a place in a session: so far into a block.
type Place struct {
	Block      int
	Time       time.Duration // block clock
	Distance   units.Distance
	SecondPace bool // a two-pace block that has begun its change to the second
}

// Figure is what a block or a swim comes to.
type Figure struct {
	Time     time.Duration
	Distance units.Distance
}

// Speed is the mean speed; standstill where no time has passed.
func (f Figure) Speed() units.Speed {
	if f.Time <= 0 {
		return units.Speed{}
	}
	return units.MetresPerSecond(f.Distance.Metres() / f.Time.Seconds())
}

// Block is a block of a swim: asked on paper, planned for this flume, and delivered.
type Block struct {
	Number    int // from 0
	Name      string
	Kind      string
	Round, Of int
	Rest      bool
	From, To  units.Pace // asked; none for a rest

	Asked, Planned, Swum Figure

	Left time.Duration // when it was left, since the swim's start
	Was  bool          // it was left; else Swum and Left say nothing
	Done bool          // swum to its end
}

// Happening is a command, what the guard thought, or what a swim said of the motor.
type Happening struct {
	Number int // from 0
	At     time.Duration
	Kind   string // "command", "guard" or "drift"
	What   string // the command, the guard's level, or the figures in words
	By     string // of a command
	Code   fault.Code
	Nudge  float64 // s per 100
}

// Sample is the water at a moment of a swim. It is kept to the millisecond, the millimetre per second, the tenth of a revolution and the centimetre.
type Sample struct {
	At       time.Duration // since the swim's start
	Block    int
	Wish     units.Speed
	Water    units.Speed // as estimated at the swimmer
	Motor    units.MotorSpeed
	Distance units.Distance // of the swim so far
}
