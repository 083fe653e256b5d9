// Package ramp turns blocks and limits into a profile, and says the position on it at any time.
//
// Inside, plain float64 SI is used (m, s, m/s, m/s², m/s³); the exported border is typed.
package ramp

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// State is the water as planned at an instant. The zero State is standstill.
type State struct {
	Speed units.Speed
	Accel units.Accel
}

// Limits are the comfort limits of a flume.
type Limits struct {
	Accel, Decel units.Accel // both positive
	Jerk         units.Jerk
	Relief       units.Jerk // takes away acceleration where speed must come down; at least Jerk
}

// Planner plans changes and blocks for one flume and one swimmer's caps. It is immutable, and safe for use by several goroutines.
type Planner struct{}

// NewPlanner makes a planner. ceiling is the lowest cap of flume, swimmer and guard; zero means none but the motor's.
func NewPlanner(l Limits, m *water.Model, ceiling units.Speed) (*Planner, error) { panic("unwritten") }

// Check says what is not possible for this block's paces (too fast for the lead or the cap: names the fastest possible pace; too slow for
// the motor's lowest speed: names the slowest), as an error that a person can read; nil where it can be done.
func (p *Planner) Check(b schedule.Block) error { panic("unwritten") }

// Move is one change of speed: a handful of pieces of constant jerk, then for standstill the coast, then constant speed. It is a value; no allocation.
type Move struct{}

// Change plans the least-time change from a state to a speed (standstill: until the motor is off; the coast follows for ever).
func (p *Planner) Change(from State, to units.Speed) Move { panic("unwritten") }

// Duration is how long until the target is reached; to standstill, until the motor is off (0 on the coast).
func (m *Move) Duration() time.Duration { panic("unwritten") }

// At is the state and the distance covered at t after the start (t ≥ 0, also after Duration).
func (m *Move) At(t time.Duration) (State, units.Distance) { panic("unwritten") }

// Leg is the plan of one block (or of what is left of one) from a state. It is a value; no allocation.
type Leg struct{}

// Progress is what has been done of a block already. The zero value is nothing.
type Progress struct {
	Time     time.Duration  // block clock
	Distance units.Distance // delivered
	InS      bool           // a two-pace block that has begun its change to the second pace
}

// Leg plans block b, or what is left of it after done, from a state. starts(i) must give the block-clock start of block i relative to this leg's
// beginning (negative or zero) for send-off rests; nil where b waits for no send-off.
// A send-off that is already over gives a leg of no length (Late reports by how much).
func (p *Planner) Leg(from State, b schedule.Block, done Progress, starts func(index int) time.Duration) Leg {
	panic("unwritten")
}

// Duration is the planned time of the leg.
func (l *Leg) Duration() time.Duration { panic("unwritten") }

// At is the state and distance at t after the leg's start. Past Duration it goes on at the leg's target (a rest: on the coast), never into another block.
func (l *Leg) At(t time.Duration) (State, units.Distance) { panic("unwritten") }

// Reached reports whether the leg reaches what it wants (its pace; both paces in time, for two; a rest: motor off). Best is the speed at its end.
func (l *Leg) Reached() bool { panic("unwritten") }

// RampTime and RampDistance are those of the change to the (first) pace; to a rest, until the motor is off.
func (l *Leg) RampTime() time.Duration      { panic("unwritten") }
func (l *Leg) RampDistance() units.Distance { panic("unwritten") }

// InS reports whether at t a two-pace leg has begun its change to the second pace.
func (l *Leg) InS(t time.Duration) bool { panic("unwritten") }

// Late is by how much a send-off was missed; 0 where it was not.
func (l *Leg) Late() time.Duration { panic("unwritten") }

// Span is one block on a profile.
type Span struct {
	Block           schedule.Block
	Start, Duration time.Duration
	From, End       State          // at its begin and end
	At, Distance    units.Distance // on the profile at its begin; its own
	Leg             Leg
}

// Profile is the whole plan from a state over blocks, with the runout behind it.
type Profile struct{}

// Profile plans all blocks from a state. It returns every fault of the plan at once (fault.Problems-like joined error): paces that cannot be
// given, send-offs with less than nothing left; remarks are what could not be given as asked, once a step.
func (p *Planner) Profile(from State, blocks []schedule.Block) (*Profile, []fault.Remark, error) {
	panic("unwritten")
}

// Spans are the blocks in order.
func (p *Profile) Spans() []Span { panic("unwritten") }

// Total is the time and distance of the blocks, without the runout.
func (p *Profile) Total() (time.Duration, units.Distance) { panic("unwritten") }

// Runout is the time and distance after the last block until standstill.
func (p *Profile) Runout() (time.Duration, units.Distance) { panic("unwritten") }

// Peaks are the greatest acceleration, deceleration (positive), jerk (absolute) of the profile and the greatest motor speed that it needs, runout included.
func (p *Profile) Peaks() (accel, decel units.Accel, jerk units.Jerk, motor units.MotorSpeed) {
	panic("unwritten")
}

// Cursor walks a profile forward; stepping back is allowed but slower. At: state, distance and index of the block (len(Spans) in the runout).
type Cursor struct{}

// Cursor starts at the beginning.
func (p *Profile) Cursor() Cursor { panic("unwritten") }

// At is the position at t.
func (c *Cursor) At(t time.Duration) (State, units.Distance, int) { panic("unwritten") }
