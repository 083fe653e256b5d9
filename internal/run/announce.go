package run

import (
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

const noticeLate = fault.SendOffMissed

// The cues come this long before a change, in blocks at least so long.
var cueTimes = [2]struct{ before, in time.Duration }{
	{10 * time.Second, 30 * time.Second},
	{5 * time.Second, 15 * time.Second},
}

// announce gives the cue that is due in this tick, for what comes after the block under way.
func (s *Swim) announce() cue.Cue {
	if s.state != Running {
		return cue.None
	}
	left, known := s.Left()
	if !known {
		return cue.None
	}
	for i, c := range cueTimes {
		if s.cued&(1<<i) != 0 || left > c.before {
			continue
		}
		s.cued |= 1 << i
		// a block that is too short for this cue, or a state that is past it already, stays silent
		if s.blockTime()+left < c.in || i+1 < len(cueTimes) && left <= cueTimes[i+1].before {
			continue
		}
		k := s.coming()
		if k != cue.None {
			s.spoken = Announcement{Cue: k, In: left}
		}
		return k
	}
	return cue.None
}

// coming is the cue for what the next block brings; None where nothing changes.
func (s *Swim) coming() cue.Cue {
	b := s.effective(s.at)
	if s.at+1 == len(s.plan.Blocks) {
		return cue.Rest
	}
	n := s.effective(s.at + 1)
	now, then := b.To.Speed().MetresPerSecond(), n.From.Speed().MetresPerSecond()
	switch {
	case n.Rest && b.Rest:
		return cue.None
	case n.Rest:
		return cue.Rest
	case n.Of > 1 && n.Round == n.Of && (b.Round != n.Round || b.Of != n.Of):
		return cue.LastRound
	case then > now+1e-3:
		return cue.Faster
	case then < now-1e-3:
		return cue.Slower
	}
	return cue.None
}

// Left is the time until the block under way ends, and whether that is known: a forecast where a distance or the water decides. Not known in an open block.
func (s *Swim) Left() (time.Duration, bool) {
	if len(s.plan.Blocks) == 0 || s.at >= len(s.plan.Blocks) {
		return 0, false
	}
	b := &s.plan.Blocks[s.at]
	switch {
	case b.Extent == schedule.Open && !b.Capped:
		return 0, false
	case s.state != Running:
		return max(s.plan.Profile.Spans()[s.at].Duration-s.done.Time, 0), true
	}
	left := s.leg.Duration() - s.legT
	if b.Extent == schedule.ByDistance {
		// the water is behind the plan by so much, which takes so long at the block's pace
		_, planned := s.leg.At(min(s.legT, s.leg.Duration()))
		behind := planned.Metres() - (s.blockX - s.done.Distance.Metres())
		if v := s.effective(s.at).To.Speed().MetresPerSecond(); v > 0 {
			left = max(left, 0) + time.Duration(behind/v*float64(time.Second))
		}
	}
	return max(left, 0), true
}

// RestAhead says whether the swim is in a rest, and how long until the next one begins, by the plan; away where none is to come.
func (s *Swim) RestAhead() (atRest bool, in time.Duration, away bool) {
	if s.state == Stopping {
		return true, 0, false // the water comes to rest anyway: no better moment is to come
	}
	if !s.state.Under() || s.at >= len(s.plan.Blocks) {
		return true, 0, true
	}
	atRest = s.plan.Blocks[s.at].Rest || s.state == Paused
	r := s.rest[s.at]
	if r >= len(s.plan.Blocks) {
		return atRest, 0, true
	}
	left, _ := s.Left()
	spans := s.plan.Profile.Spans()
	return atRest, left + spans[r].Start - spans[s.at].Start - spans[s.at].Duration, false
}

// Status is a copy of what a person may want to know.
type Status struct {
	State          State
	Reason         fault.Code
	Title, Swimmer string
	Unit           units.Unit
	Block, Blocks  int            // Block from 0; Blocks when the last is over
	Now            schedule.Block // as asked now, nudges included; zero where nothing is under way
	Next           schedule.Block // zero after the last
	Left           time.Duration  // of the block
	LeftKnown      bool
	LeftDistance   units.Distance // of a block by distance
	CountIn        time.Duration
	Elapsed        time.Duration // block clock since the first block
	InBlock        time.Duration // of it, in the block under way
	ForecastLeft   time.Duration // of the whole session, by the plan
	Distance       units.Distance
	Nudge          float64 // s per 100, slower positive
	Spoken         Announcement
	Notice         fault.Code
	Again          bool // the last swim was interrupted, and can be taken up at Place
	Place          Place
	LeftBy         fault.Code // why that place was left, where that was in a former life of the program; empty elsewhere
}

// Status fills st; it allocates nothing.
func (s *Swim) Status(st *Status) {
	*st = Status{
		State: s.state, Reason: s.reason, Title: s.plan.Title, Swimmer: s.plan.Swimmer, Unit: s.plan.Unit,
		Block: s.at, Blocks: len(s.plan.Blocks), Elapsed: s.clock, Distance: units.Metres(s.total), Nudge: s.nudge,
		Spoken: s.spoken, Notice: s.notice, Place: s.place,
	}
	st.Again = !s.state.Under() && s.place != Place{} && s.place.Block < len(s.plan.Blocks)
	if st.Again && s.place == s.plan.Place {
		st.LeftBy = s.plan.LeftBy
	}
	if s.state == CountIn {
		st.CountIn = s.count
	}
	switch {
	case s.state == Finished || s.state == Stopping && s.place.Block == len(s.plan.Blocks):
		st.Block = s.place.Block
		return
	case !s.state.Under():
		return
	}
	st.Now, st.InBlock = s.effective(s.at), s.blockTime()
	if s.at+1 < len(s.plan.Blocks) {
		st.Next = s.effective(s.at + 1)
	}
	st.Left, st.LeftKnown = s.Left()
	if st.Now.Extent == schedule.ByDistance {
		st.LeftDistance = units.Metres(max(st.Now.Distance.Metres()-s.blockX, 0))
	}
	span := s.plan.Profile.Spans()[s.at]
	total, _ := s.plan.Profile.Total()
	st.ForecastLeft = st.Left + total - span.Start - span.Duration
}

// Results are what was swum of each block so far; a copy.
func (s *Swim) Results() []Result { return append([]Result(nil), s.results...) }
