package sequencer

import (
	"context"
	"sync"
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// Snapshot is a copy of everything that others may see of a tick.
type Snapshot struct {
	run.Status
	Swim       uint64 // counts the starts
	Seq        uint64 // counts the snapshots
	Changed    uint64 // Seq of the latest one with another state, block or plan than the one before
	At         time.Duration
	Simulated  bool
	Wish       ramp.State
	Cleared    units.Speed
	Motor      units.MotorSpeed
	Water      units.Speed // estimated
	Level      safety.Level
	Why        fault.Code // of that level
	Ask        bool       // still there?
	Cue        cue.Cue    // the latest cue, and when it began
	CueAt      time.Duration
	ClockSet   bool // the computer's clock was set within the last minute
	Drive      drive.Report
	Wall       safety.WallFacts
	Profile    *ramp.Profile // of what is laid out, from standstill; nil where nothing is
	ReadAt     time.Duration // when the drive's report was read, in the time of At
	Jog        units.MotorSpeed
	Installing bool
	Button     wall.Kind // what was last done with a button at the wall, and how many such there were
	Buttons    uint64
}

// Sequencer runs a Core on real time: one goroutine, one timer, one select. Do and Snapshot may be called from any goroutine.
type Sequencer struct {
	core     *Core
	rate     int
	requests chan request
	done     chan struct{}

	mu   sync.Mutex
	snap Snapshot
	wake chan struct{} // closed and made anew at each snapshot that is more than the passing of time
}

// aliveWithin is how late a tick may end to count as on time.
const aliveWithin = 150 * time.Millisecond

type request struct {
	do    func(*Core) error // between two ticks
	reply chan error
}

// New makes a sequencer. A rate above 1 runs so many ticks a wake-up, with the drive's exchanges inline: for a simulated drive only, and it needs Config.Inline.
func New(c Config, rate int) *Sequencer {
	return &Sequencer{core: NewCore(c), rate: max(rate, 1), requests: make(chan request), done: make(chan struct{}), wake: make(chan struct{})}
}

// Do gives a command to the loop and waits for its answer, a fault.Fault where it did nothing. A stop is latched at the drive before the loop is told.
func (s *Sequencer) Do(ctx context.Context, cmd Command) error {
	if cmd.What == run.Stop {
		s.core.cfg.Drive.Stop(fault.StopPressed)
	}
	return s.between(ctx, func(c *Core) error { return c.Do(cmd) })
}

// between does something on the loop's goroutine, between two ticks, and waits for it.
func (s *Sequencer) between(ctx context.Context, do func(*Core) error) error {
	r := request{do, make(chan error, 1)}
	select {
	case s.requests <- r:
	case <-s.done:
		return fault.Of(fault.ProgramEnds)
	case <-ctx.Done():
		return ctx.Err()
	}
	return <-r.reply
}

// Snapshot is the latest tick, and a channel that is closed when there is another worth showing at once.
func (s *Sequencer) Snapshot() (Snapshot, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.snap, s.wake
}

// Run ticks until ctx is done, at absolute times: a late tick does not make the next one late. It stops the drive when it returns.
func (s *Sequencer) Run(ctx context.Context) error {
	defer close(s.done)
	defer s.core.cfg.Drive.Stop(fault.ProgramEnds)
	begin := time.Now()
	clock := wallClock{begin: begin}
	due, last := Tick, time.Duration(0)
	timer := time.NewTimer(due)
	defer timer.Stop()
	var virtual time.Duration
	for {
		select {
		case <-ctx.Done():
			return nil
		case r := <-s.requests:
			err := r.do(s.core)
			s.publish() // first: whoever gave the command looks at what it did
			r.reply <- err
			continue
		case e := <-s.core.cfg.Wall.Events():
			s.core.pressed(e)
			s.publish()
			continue
		case <-timer.C:
		}
		now := time.Since(begin)
		gap := now - last
		last = now
		if by := clock.set(time.Now(), now); by != 0 {
			s.core.clockSet(by)
		}
		switch {
		case s.core.cfg.Inline && s.rate == 1:
			s.core.Tick(now, gap, gap)
			s.core.cfg.Drive.Exchange(now)
			s.publish()
		case s.core.cfg.Inline:
			for range s.rate {
				virtual += Tick
				s.core.Tick(virtual, Tick, gap)
				s.core.cfg.Drive.Exchange(virtual)
				gap = Tick
				s.publish()
			}
		default:
			s.core.Tick(now, gap, gap)
			s.publish()
		}
		if s.core.cfg.Alive != nil && time.Since(begin)-due < aliveWithin {
			s.core.cfg.Alive()
		}
		for due <= now {
			due += Tick
		}
		timer.Reset(due - time.Since(begin))
	}
}

// publish copies the tick for others.
func (s *Sequencer) publish() {
	c := s.core
	s.mu.Lock()
	defer s.mu.Unlock()
	p := &s.snap
	state, block, profile, why, ask := p.State, p.Block, p.Profile, p.Why, p.Ask
	lost, broken, set := p.Drive.Link != nil, p.Drive.Fault, p.ClockSet
	c.swim.Status(&p.Status)
	p.Swim, p.Seq, p.At, p.Simulated = c.swimID, p.Seq+1, c.now, c.cfg.Drive.Simulated()
	p.Wish, p.Motor, p.Water, p.Drive = c.wish.State, c.report.Motor, c.flow.head.Speed, c.report
	p.Wall, p.Profile = c.facts.Wall, c.swim.Plan().Profile
	p.ReadAt = c.facts.Drive.At
	p.Jog, p.Installing, p.Button, p.Buttons = c.bench.jog, c.bench.on, c.bench.button, c.bench.buttons
	p.ClockSet = c.now < c.clockUntil
	p.Cleared, _ = c.verdict.Cleared.Water()
	p.Level, p.Why, p.Ask = c.verdict.Level, c.verdict.Why, c.verdict.Ask
	if c.wish.Cue != cue.None && p.At != p.CueAt {
		p.Cue, p.CueAt = c.wish.Cue, p.At
	}
	changed := state != p.State || block != p.Block || profile != p.Profile
	if changed {
		p.Changed = p.Seq
	}
	if c.bench.watch != nil {
		c.bench.watch(p)
	}
	trouble := lost != (p.Drive.Link != nil) || broken != p.Drive.Fault
	if changed || trouble || set != p.ClockSet || why != p.Why || ask != p.Ask || p.CueAt == p.At {
		close(s.wake)
		s.wake = make(chan struct{})
	}
}

// ResultsSoFar are what was swum of each block by now.
func (s *Sequencer) ResultsSoFar(ctx context.Context) (all []run.Result, err error) {
	err = s.between(ctx, func(c *Core) error {
		all = c.Results()
		return nil
	})
	return all, err
}

// Results are what was swum of each block; Run must have returned.
func (s *Sequencer) Results() []run.Result {
	<-s.done
	return s.core.Results()
}
