package run

import (
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// ResumeCountIn is the count-in after a pause.
const ResumeCountIn = 5 * time.Second

// backWindow is how long after its start a block's "back" means the block before.
const backWindow = 3 * time.Second

// nudgeMost is how far all nudges together may go, in seconds per 100.
const nudgeMost = 60

// Plan is what is laid out: a session for a swimmer, planned from standstill.
type Plan struct {
	Title, Swimmer string
	Text           string     // the session as it was written, for the logbook; empty for steady water
	Threshold      units.Pace // the swimmer's, for the logbook; zero where not known
	Unit           units.Unit
	Blocks         []schedule.Block
	Planner        *ramp.Planner
	Profile        *ramp.Profile // the forecast; the water follows legs that are planned block by block from where it really is
	Place          Place         // where a former swim of it was interrupted; zero for nowhere
	LeftBy         fault.Code    // why; empty where nobody need be told
}

// Result is what was swum of a block.
type Result struct {
	Time     time.Duration // block clock
	Distance units.Distance
	Done     bool // swum to its end
}

// End is a block that was left.
type End struct {
	Block int
	Result
}

// Place is where a swim was interrupted.
type Place struct {
	Block int
	Done  ramp.Progress
}

// Swim is the state machine. Its zero value is stopped with nothing laid out. It is not safe for concurrent use.
type Swim struct {
	state  State
	reason fault.Code // why it is stopped or stopping
	plan   Plan
	rest   []int // for each block the next rest after it; len(Blocks) where there is none

	at    int           // block under way
	done  ramp.Progress // of it, before the present leg
	leg   ramp.Leg
	legT  time.Duration
	move  ramp.Move // pausing, paused, stopping: the way down
	moveT time.Duration

	count     time.Duration // left of the count-in
	fromPause bool          // the count-in leads back into a block
	place     Place         // where Start begins

	clock   time.Duration   // block clock since the first block's start; a pause stops it
	starts  []time.Duration // clock at each block's start
	since   func(int) time.Duration
	flowed  float64 // m, total as told by the last Step
	total   float64 // m, of this swim
	blockX  float64 // m, of this block
	results []Result
	ends    []End // not taken yet
	nudge   float64
	ceiling units.Speed // the guard's cap; 0 for none

	cued   uint8 // announcements made in this block: bit 0 at 10 s, bit 1 at 5 s
	spoken Announcement
	notice fault.Code
}

// Announcement is what was told last about what comes.
type Announcement struct {
	Cue cue.Cue
	In  time.Duration // when it was told: so long before the change
}

// State is where the swim stands, and why where it is stopped or stopping.
func (s *Swim) State() (State, fault.Code) { return s.state, s.reason }

// Plan is what is laid out.
func (s *Swim) Plan() Plan { return s.plan }

// Place is where Start takes up again.
func (s *Swim) Place() Place { return s.place }

// Here is how far the swim has come.
func (s *Swim) Here() Place {
	if s.state == Stopping {
		return s.place
	}
	return Place{Block: s.at, Done: s.progress()}
}

// Swum is the block clock since the first block's start, and the water that has flowed in this swim.
func (s *Swim) Swum() (time.Duration, units.Distance) { return s.clock, units.Metres(s.total) }

// TakeEnds are the blocks left since the last call, in order. The slice is good until the next block is left.
func (s *Swim) TakeEnds() []End {
	e := s.ends
	s.ends = s.ends[:0]
	return e
}

// Open reports whether the block under way waits for somebody to say on.
func (s *Swim) Open() bool {
	return s.state == Running && s.plan.Blocks[s.at].Extent == schedule.Open
}

// Allows reports whether a command would be taken now, as a fault for the person if not.
func (s *Swim) Allows(c Command) error {
	if Allows(s.state, c, s.Open()) {
		return nil
	}
	return fault.NotNow(c.String(), s.state.String())
}

// LayOut takes a plan; nothing moves. The plan's Profile must be of its Blocks.
func (s *Swim) LayOut(p Plan) error {
	if err := s.Allows(LayOut); err != nil {
		return err
	}
	s.adopt(p)
	s.place = p.Place
	s.results = make([]Result, len(p.Blocks))
	s.clock, s.total, s.nudge, s.at, s.blockX, s.done = 0, 0, 0, 0, 0, ramp.Progress{}
	if s.state == Finished {
		s.state = Ready
	}
	return nil
}

// Change puts the same session, planned for another swimmer, in the place of the present one. In a pause the blocks that remain are theirs.
func (s *Swim) Change(p Plan) error {
	if s.state != Paused {
		return s.LayOut(p)
	}
	if len(p.Blocks) != len(s.plan.Blocks) {
		return fault.Of(fault.OtherSession)
	}
	starts := s.starts
	s.adopt(p)
	copy(s.starts, starts)
	s.nudge = 0
	return nil
}

func (s *Swim) adopt(p Plan) {
	s.plan = p
	s.starts = make([]time.Duration, len(p.Blocks))
	s.since = func(i int) time.Duration { return s.starts[i] - s.clock }
	s.rest = make([]int, len(p.Blocks))
	next := len(p.Blocks)
	for i := len(p.Blocks) - 1; i >= 0; i-- {
		s.rest[i] = next
		if p.Blocks[i].Rest {
			next = i
		}
	}
}

// Start begins the count-in at the plan's beginning, or, with again, where the last swim of it was interrupted. In a count-in it takes the start back.
func (s *Swim) Start(countIn time.Duration, again bool) error {
	if err := s.Allows(Start); err != nil {
		return err
	}
	if s.state == CountIn {
		s.state = Ready
		if s.fromPause {
			s.state = Paused
		}
		return nil
	}
	if len(s.plan.Blocks) == 0 {
		return fault.Of(fault.NothingLaidOut)
	}
	if !again || s.place.Block >= len(s.plan.Blocks) {
		s.place = Place{}
		clear(s.results)
		s.clock, s.total, s.nudge = 0, 0, 0
	}
	s.at, s.done, s.blockX = s.place.Block, s.place.Done, s.place.Done.Distance.Metres()
	s.state, s.reason, s.fromPause, s.count = CountIn, "", false, countIn
	s.move, s.moveT = ramp.Move{}, 0
	s.spoken, s.notice = Announcement{}, ""
	return nil
}

// Pause brings the water to rest; the block clock stops now.
func (s *Swim) Pause() error {
	if err := s.Allows(Pause); err != nil {
		return err
	}
	s.down(s.now(), Pausing)
	return nil
}

// Resume goes on: from the moving state while pausing, after a count-in from a pause.
func (s *Swim) Resume() error {
	if err := s.Allows(Resume); err != nil {
		return err
	}
	if s.state == Pausing {
		s.takeUp(s.now())
		return nil
	}
	s.state, s.fromPause, s.count = CountIn, true, ResumeCountIn
	return nil
}

// On ends the open block under way.
func (s *Swim) On() error {
	if err := s.Allows(On); err != nil {
		return err
	}
	s.next(s.now(), true)
	return nil
}

// Skip goes to the next block; in a pause without moving.
func (s *Swim) Skip() error {
	if err := s.Allows(Skip); err != nil {
		return err
	}
	s.next(s.now(), false)
	return nil
}

// Back goes to the start of this block; within its first three seconds to the one before.
func (s *Swim) Back() error {
	if err := s.Allows(Back); err != nil {
		return err
	}
	i := s.at
	if s.blockTime() < backWindow && i > 0 {
		i--
	}
	s.leave(false)
	s.enter(i, s.now())
	return nil
}

// Nudge makes all paced blocks that are left so many seconds per 100 slower (negative: faster). Where one of them could not be given, it is refused.
func (s *Swim) Nudge(secondsPer100 float64) error {
	if err := s.Allows(Nudge); err != nil {
		return err
	}
	n := s.nudge + secondsPer100
	if !(n >= -nudgeMost && n <= nudgeMost) {
		return fault.NudgeTooFar(n, nudgeMost)
	}
	for _, b := range s.plan.Blocks[s.at:] {
		if err := s.plan.Planner.Check(b.Nudged(n)); err != nil {
			return fault.CannotNudge(err)
		}
	}
	s.nudge = n
	if s.state == Running {
		s.replan(s.now())
	}
	return nil
}

// SteadyPace changes the water of a steady swim under way to another pace, from now on without end. A steady swim is a plan of one open block.
func (s *Swim) SteadyPace(p units.Pace) error {
	if err := s.Allows(Steady); err != nil {
		return err
	}
	b := s.plan.Blocks[s.at]
	b.From, b.To = p, p
	if err := s.plan.Planner.Check(b); err != nil {
		return fault.CannotNudge(err)
	}
	s.plan.Blocks[s.at] = b
	s.nudge = 0
	s.replan(s.now())
	return nil
}

// Finish brings the water to rest for good.
func (s *Swim) Finish() error {
	if err := s.Allows(Finish); err != nil {
		return err
	}
	s.finish(fault.PersonStop)
	return nil
}

// Soft is the guard's soft stop: the water comes down with the session's limits. Elsewhere than under way it does nothing.
func (s *Swim) Soft(why fault.Code) {
	if s.state.Under() && s.state != Stopping {
		s.finish(why)
	}
}

func (s *Swim) finish(why fault.Code) {
	still := s.state == CountIn && !s.fromPause
	s.keepPlace()
	s.reason = why
	if still {
		s.state = Finished
		return
	}
	s.down(s.now(), Stopping)
}

// Halt is a fast stop: stopped at once, whatever the state. The place is kept and offered by Start's again.
func (s *Swim) Halt(why fault.Code) {
	if s.state.Under() && s.state != Stopping {
		s.keepPlace()
	}
	s.state, s.reason = Stopped, why
	s.leg, s.legT, s.move, s.moveT = ramp.Leg{}, 0, ramp.Move{}, 0
}

// Rearm is a reset that the guard has allowed: stopped becomes ready; nothing starts.
func (s *Swim) Rearm() error {
	if err := s.Allows(Reset); err != nil {
		return err
	}
	s.state, s.reason = Ready, ""
	return nil
}

// Granted tells what the guard let through of the last wish where that was less: the rest is planned from there.
func (s *Swim) Granted(from ramp.State) {
	switch s.state {
	case Running:
		s.replan(from)
	case Pausing, Stopping:
		s.down(from, s.state)
	}
}

// Cap lowers all speeds that are left to at most this one (the guard's, for a while); zero takes it back.
func (s *Swim) Cap(v units.Speed) {
	if v == s.ceiling {
		return
	}
	s.ceiling = v
	if s.state == Running {
		s.replan(s.now())
	}
}

// keepPlace remembers where to take up again.
func (s *Swim) keepPlace() {
	s.place = Place{Block: s.at, Done: s.progress()}
	if s.state != CountIn || s.fromPause {
		s.leave(false)
	}
}
