package ramp

import (
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// The codes of the remarks on a plan.
const (
	NotReached       fault.Code = "not-reached"        // the block is too short to reach its pace
	TwoPaceShort     fault.Code = "two-pace-short"     // the block is too short for its two paces
	RestNotReached   fault.Code = "rest-not-reached"   // the rest ends before the motor is off
	AccelLowered     fault.Code = "accel-lowered"      // a change up is gentler than the limit: the motor has no more to give
	DecelLowered     fault.Code = "decel-lowered"      // a change down is gentler than the limit: water slows no faster by itself
	MotorRamp        fault.Code = "motor-ramp"         // the motor cannot follow with its own ramp
	LowestMotorSpeed fault.Code = "lowest-motor-speed" // between standstill and the motor's lowest speed the motor makes a step
)

// What has been said about a step, as bits.
const (
	saidShort = 1 << iota
	saidRest
	saidUp
	saidDown
	saidRamp
	saidPace
	saidSendOff
)

// review collects what a person should know about a plan, each kind once a step.
type review struct {
	p       *Planner
	remarks []fault.Remark
	errors  PlanErrors
	said    []uint8 // by step
	stepped bool    // LowestMotorSpeed was said: once is enough for a session
}

func newReview(p *Planner, blocks []schedule.Block) *review {
	steps := 0
	for i := range blocks {
		steps = max(steps, blocks[i].Step+1)
	}
	r := &review{p: p, said: make([]uint8, steps)}
	if p.slowest <= water.Standstill.MetresPerSecond() {
		r.stepped = true // a step that nobody can see
	}
	return r
}

// first reports whether this is the first time that this is said of the step.
func (r *review) first(b *schedule.Block, what uint8) bool {
	if r.said[b.Step]&what != 0 {
		return false
	}
	r.said[b.Step] |= what
	return true
}

func (r *review) remark(b *schedule.Block, code fault.Code, format string, args ...any) {
	r.remarks = append(r.remarks, fault.Remark{Code: code, Block: b.Index, Text: b.Name + ": " + fmt.Sprintf(format, args...)})
}

// span looks at the block i of the profile, which is the last one planned.
func (r *review) span(f *Profile, i int) {
	s := &f.spans[i]
	b := &s.Block
	if err := r.p.Check(*b); err != nil {
		if r.first(b, saidPace) {
			r.errors = append(r.errors, PlanError{b.Step, b.Index, b.Name + ": " + err.Error()})
		}
		return
	}
	if s.Leg.Late() > 0 && r.first(b, saidSendOff) {
		r.errors = append(r.errors, PlanError{b.Step, b.Index, r.late(f, s)})
	}
	if !s.Leg.Reached() && s.Duration > 0 {
		r.short(s)
	}
	r.gentler(s)
	r.motor(s)
}

// late says which round does not fit into its send-off, and by how much.
func (r *review) late(f *Profile, s *Span) string {
	for _, off := range s.Block.Leaves {
		first := &f.spans[min(max(off.First-f.spans[0].Block.Index, 0), len(f.spans)-1)]
		took := s.Start + s.Block.Time - first.Start
		if short := took - off.Every; short > inTime {
			// Rounded up, so that a send-off longer by what is said will do.
			short = (short + 100*time.Millisecond - 1).Truncate(100 * time.Millisecond)
			round := "the round that begins at " + units.FormatTime(first.Start)
			if b := &first.Block; b.Round == s.Block.Round && b.Of == s.Block.Of {
				round = fmt.Sprintf("round %d of %d", b.Round, b.Of)
			}
			return fmt.Sprintf("%s, %s: swim and rest take %s, the send-off is %s: %.1f s too short",
				first.Block.Name, round, units.FormatTime(took), units.FormatTime(off.Every), short.Seconds())
		}
	}
	return ""
}

// short says what a block that is too short reaches.
func (r *review) short(s *Span) {
	b, u, v := &s.Block, s.Block.From.Unit(), s.End.Speed.MetresPerSecond()
	said := uint8(saidShort)
	if b.Rest {
		said = saidRest
	}
	if !r.first(b, said) {
		return
	}
	size, reaches := units.FormatTime(s.Duration), s.End.Speed.Pace(u).Clock()
	if b.Extent == schedule.ByDistance {
		size = fmt.Sprintf("%.4g %s", b.Distance.In(u), u)
	}
	if v < 0.2 { // as everywhere, no pace below
		reaches = s.End.Speed.String()
	}
	switch {
	case b.Rest:
		r.remark(b, RestNotReached, "%s is too short to come to rest: the motor still drives the water, at %.2f m/s", size, v)
	case b.TwoPace():
		r.remark(b, TwoPaceShort, "%s is too short to change from %s to %s: ends at %s", size, b.From.Clock(), b.To.Clock(), reaches)
	case reaches == b.To.Clock():
		r.remark(b, NotReached, "reaches %s only just, at its end: %s is too short for the change", reaches, size)
	default:
		r.remark(b, NotReached, "reaches %s, not %s: %s is too short for the change", reaches, b.To.Clock(), size)
	}
}

// gentler says where a change had to be planned below the comfort limit.
func (r *review) gentler(s *Span) {
	b := &s.Block
	if b.Rest {
		return
	}
	for _, m := range [2]*Move{&s.Leg.first, &s.Leg.second} {
		to := m.pieces[m.last].v
		if m == &s.Leg.second && !s.Leg.two || m.last == 0 {
			continue
		}
		var most, least float64
		for i := 1; i <= m.last; i++ {
			most, least = max(most, m.pieces[i].a), min(least, m.pieces[i].a)
		}
		pace := func() string { return units.MetresPerSecond(to).Pace(b.From.Unit()).Clock() }
		if up := r.p.upLimit(to); up < r.p.accel && most >= up*(1-rounding) && r.first(b, saidUp) {
			r.remark(b, AccelLowered, "the change to %s is gentler, as the motor has no more to give: %.2g instead of %.2g m/s²", pace(), up, r.p.accel)
		}
		if down := r.p.downLimit(to); down < r.p.decel && -least >= down*(1-rounding) && r.first(b, saidDown) {
			r.remark(b, DecelLowered, "the change to %s is gentler, as water slows no faster by itself: %.2g instead of %.2g m/s²", pace(), down, r.p.decel)
		}
	}
}

// motor says what the motor cannot do as planned.
func (r *review) motor(s *Span) {
	b, own := &s.Block, r.p.model.Motor()
	low := units.MetresPerSecond(r.p.slowest)
	if !r.stepped && (b.Rest || s.From.Speed.MetresPerSecond() < r.p.slowest) {
		r.stepped = true
		r.remarks = append(r.remarks, fault.Remark{Code: LowestMotorSpeed, Block: b.Index, Text: fmt.Sprintf(
			"Where the water starts and stops, the motor steps over what is below its lowest speed: %s, water at %.2f m/s", own.Min, low.MetresPerSecond())})
	}
	if own.RPMPerSecond == 0 || r.said[b.Step]&saidRamp != 0 {
		return
	}
	if need := r.steepest(&s.Leg); need > own.RPMPerSecond && r.first(b, saidRamp) {
		r.remark(b, MotorRamp, "the motor would have to change by %.0f rpm in a second, its own ramp is %.0f rpm/s: the water follows later than planned", need, own.RPMPerSecond)
	}
}

// steepest is about the most that the motor speed changes within a second of the leg, in rpm; 0 where its own ramp follows anyway.
// It is found beside the ends of the pieces; a shorter jump matters less, as inertia smooths it.
func (r *review) steepest(l *Leg) (most float64) {
	for _, m := range [2]*Move{&l.first, &l.second} {
		begin := 0.
		if m == &l.second {
			if !l.two {
				break
			}
			begin = l.split
		}
		for i := 0; i <= m.last; i++ {
			for back := range 2 {
				from := max(begin+m.pieces[i].t-float64(back), 0)
				to := min(from+1, l.end)
				if from >= to {
					continue
				}
				v0, a0, _ := l.at(from)
				v1, a1, _ := l.at(to)
				if math.Abs(r.p.set(v1, a1)-r.p.set(v0, a0)) > r.p.easy {
					most = max(most, math.Abs(r.rpm(v1, a1)-r.rpm(v0, a0)))
				}
			}
		}
	}
	return most
}

func (r *review) rpm(v, a float64) float64 {
	s := stateOf(v, a)
	return r.p.model.MotorFor(s.Speed, s.Accel).RPM()
}
