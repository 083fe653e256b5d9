package run

import (
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Wish is what the swim would like the water to do in this tick.
type Wish struct {
	ramp.State
	Off bool    // the motor is to be off
	Cue cue.Cue // begins now; None in most ticks
}

// Step lets dt pass, in which the water has flowed on to a total of so far (measured since any beginning, never falling).
func (s *Swim) Step(dt time.Duration, flowed units.Distance) Wish {
	flow := max(flowed.Metres()-s.flowed, 0)
	s.flowed += flow
	var c cue.Cue
	switch s.state {
	case Stopped, Ready, Finished:
		return Wish{Off: true}
	case CountIn:
		c = s.countDown(dt, flow)
	case Running:
		s.advance(dt, flow)
		c = s.announce()
	case Pausing, Paused, Stopping:
		s.moveT += dt
		s.flow(flow)
		s.settle()
	}
	st := s.now()
	return Wish{State: st, Off: s.off(), Cue: c}
}

// now is the state on the way.
func (s *Swim) now() (st ramp.State) {
	switch s.state {
	case Running:
		st, _ = s.leg.At(s.legT)
	case CountIn, Pausing, Paused, Stopping:
		st, _ = s.move.At(s.moveT)
	}
	return st
}

// off reports whether the motor is to be off: on the coast of a rest or of a way down, or before the first block.
func (s *Swim) off() bool {
	switch s.state {
	case Running:
		return s.plan.Blocks[s.at].Rest && s.legT >= s.leg.RampTime()
	case Pausing, Stopping:
		return s.moveT >= s.move.Duration()
	}
	return true
}

func (s *Swim) countDown(dt time.Duration, flow float64) cue.Cue {
	before := s.count
	s.count -= dt
	s.moveT += dt
	s.flow(flow)
	if s.count > 0 {
		if before/time.Second != s.count/time.Second {
			return cue.CountIn
		}
		return cue.None
	}
	over := -s.count
	s.moveT -= over
	from := s.now()
	s.moveT += over
	s.takeUp(from)
	s.advance(over, 0)
	return cue.None
}

// takeUp runs the rest of the block under way from a state.
func (s *Swim) takeUp(from ramp.State) {
	s.state = Running
	s.done.Distance = units.Metres(s.blockX)
	if (s.done == ramp.Progress{}) {
		s.enter(s.at, from)
		return
	}
	s.leg, s.legT, s.cued = s.plan.Planner.Leg(from, s.effective(s.at), s.done, s.since), 0, 0
}

// advance runs the block clock, through as many block ends as lie in dt.
func (s *Swim) advance(dt time.Duration, flow float64) {
	for {
		b := &s.plan.Blocks[s.at]
		use, share, over := dt, flow, false
		switch {
		case b.Extent == schedule.ByDistance:
			if need := b.Distance.Metres() - s.blockX; flow >= need {
				need = max(need, 0)
				use, share, over = time.Duration(float64(dt)*part(need, flow)), need, true
			}
		case b.Extent == schedule.ByTime, b.Capped:
			if need := s.leg.Duration() - s.legT; dt >= need {
				need = max(need, 0)
				use, share, over = need, flow*part(float64(need), float64(dt)), true
			}
		}
		s.legT += use
		s.clock += use
		s.flow(share)
		if !over {
			return
		}
		dt, flow = dt-use, flow-share
		s.next(s.now(), true)
		if s.state != Running {
			s.moveT, s.total = dt, s.total+flow
			return
		}
	}
}

func part(of, whole float64) float64 {
	if whole <= 0 {
		return 0
	}
	return of / whole
}

// flow counts water that flows in a block.
func (s *Swim) flow(m float64) {
	s.total += m
	s.blockX += m
}

// settle ends pausing and stopping, and a block by distance that ends in the rundown.
func (s *Swim) settle() {
	switch s.state {
	case Pausing, Paused:
		if b := &s.plan.Blocks[s.at]; b.Extent == schedule.ByDistance && s.blockX >= b.Distance.Metres() && s.at+1 < len(s.plan.Blocks) {
			over := s.blockX - b.Distance.Metres()
			s.blockX -= over
			s.next(ramp.State{}, true)
			s.blockX = over
		}
		if s.moveT >= s.move.Duration() {
			s.state = Paused
		}
	case Stopping:
		if s.now().Speed.MetresPerSecond() < water.Standstill.MetresPerSecond() {
			s.state = Finished
		}
	}
}

// next leaves the block and enters the one after it; after the last the water runs out. In a pause nothing moves.
func (s *Swim) next(from ramp.State, done bool) {
	s.leave(done)
	if s.at+1 < len(s.plan.Blocks) {
		s.enter(s.at+1, from)
		return
	}
	s.place = Place{Block: len(s.plan.Blocks)}
	s.done, s.blockX = ramp.Progress{}, 0
	s.down(from, Stopping)
}

// enter begins block i from a state: the leg is planned from where the water really is.
func (s *Swim) enter(i int, from ramp.State) {
	s.at, s.done, s.blockX, s.cued = i, ramp.Progress{}, 0, 0
	s.starts[i] = s.clock
	if s.state != Running {
		return
	}
	s.leg, s.legT = s.plan.Planner.Leg(from, s.effective(i), ramp.Progress{}, s.since), 0
	if s.leg.Late() > 0 {
		s.notice = noticeLate
	}
}

// leave books what was swum of the block under way; of a block swum twice, the last time.
func (s *Swim) leave(done bool) {
	s.results[s.at] = Result{Time: s.blockTime(), Distance: units.Metres(s.blockX), Done: done}
	s.ends = append(s.ends, End{s.at, s.results[s.at]})
}

// replan is the one mechanism for everything that changes a swim under way: what is left of the block, from a state.
func (s *Swim) replan(from ramp.State) {
	s.done, s.legT = s.progress(), 0
	s.leg = s.plan.Planner.Leg(from, s.effective(s.at), s.done, s.since)
}

// down plans the way to standstill from a state.
func (s *Swim) down(from ramp.State, as State) {
	s.done = s.progress()
	s.move, s.moveT, s.legT = s.plan.Planner.Change(from, units.Speed{}), 0, 0
	s.state = as
}

func (s *Swim) progress() ramp.Progress {
	p := ramp.Progress{Time: s.blockTime(), Distance: units.Metres(s.blockX), InS: s.done.InS}
	if s.state == Running {
		p.InS = s.leg.InS(s.legT)
	}
	return p
}

// blockTime is the block clock of the block under way.
func (s *Swim) blockTime() time.Duration {
	if s.state == Running {
		return s.done.Time + s.legT
	}
	return s.done.Time
}

// effective is a block as it is asked now: nudged, and no faster than the guard's cap.
func (s *Swim) effective(i int) schedule.Block {
	b := s.plan.Blocks[i]
	if s.nudge != 0 {
		b = b.Nudged(s.nudge)
	}
	if c := s.ceiling; c.MetresPerSecond() > 0 && !b.Rest {
		b.From, b.To = slower(b.From, c), slower(b.To, c)
	}
	return b
}

func slower(p units.Pace, c units.Speed) units.Pace {
	if p.Speed().MetresPerSecond() > c.MetresPerSecond() {
		return c.Pace(p.Unit())
	}
	return p
}
