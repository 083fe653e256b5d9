package sequencer

import (
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

// Kind says what an Event tells.
type Kind uint8

// The kinds.
const (
	Begun    Kind = iota // a swim was started: Plan, and Place where it takes up an interrupted one
	BlockEnd             // a block was left: Block, Result
	Given                // a command was given: Command, By, Code (why it did nothing; empty where it did)
	Judged               // the guard's level or reason changed: Level, Code
	Sample               // once a second of a swim: Wish, Water, Sensed, Ordered, Motor, Distance, Place
	Changed              // another swimmer took over in a pause: Plan, Place
	Ended                // a swim is over: State, Code, Place, Distance
)

// Event is something that a logbook wants to keep, as a copy.
type Event struct {
	Kind     Kind
	Lost     uint64 // how many found no room before it, since the start of the program
	Swim     uint64
	At       time.Duration // since the start of the program
	Clock    time.Duration // of the swim: block clock since its first block
	Plan     run.Plan
	Block    int
	Result   run.Result
	Command  run.Command
	By       Source
	Nudge    float64
	Level    safety.Level
	Code     fault.Code
	Wish     units.Speed
	Water    units.Speed      // estimated
	Sensed   drive.Sensed     // the same by a flow sensor, where there is one
	Ordered  units.MotorSpeed // last sent to the motor
	Motor    units.MotorSpeed // as it reports
	Distance units.Distance   // of the swim so far
	State    run.State
	Place    run.Place
}

// tell gives an event to whoever keeps them. It never waits: what finds no room is counted, and the loop goes on.
func (c *Core) tell(e Event) {
	if c.cfg.Events == nil {
		return
	}
	e.Lost, e.Swim, e.At = c.lost, c.swimID, c.now
	e.Clock, e.Distance = c.swim.Swum()
	select {
	case c.cfg.Events <- e:
	default:
		c.lost++
	}
}

// follow tells what has changed since the last tick.
func (c *Core) follow() {
	for _, e := range c.swim.TakeEnds() {
		c.tell(Event{Kind: BlockEnd, Block: e.Block, Result: e.Result})
	}
	state, why := c.swim.State()
	if v := c.verdict; v.Level != c.judged.Level || v.Why != c.judged.Why {
		c.judged = v
		c.tell(Event{Kind: Judged, Level: v.Level, Code: v.Why})
	}
	under := state.Under()
	if under && c.now >= c.sampleAt {
		c.sampleAt = c.now + time.Second
		c.tell(Event{Kind: Sample, Wish: c.wish.Speed, Water: c.flow.head.Speed, Sensed: c.report.Sensed, Ordered: c.report.Ordered, Motor: c.report.Motor, State: state, Place: c.swim.Here()})
	}
	if c.under && !under {
		c.tell(Event{Kind: Ended, State: state, Code: why, Place: c.swim.Place()})
	}
	c.under = under
}
