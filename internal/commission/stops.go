package commission

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

// way is one way to stop the motor that a person has.
type way struct {
	name, say string
	wall      bool // it has to be seen at the wall's stop input
}

// stops: from slow, middle and full speed by every way there is, each timed by what the drive reports.
func stops(ctx context.Context, w *work) error {
	var ways []way
	if s, _ := w.cfg.Sequencer.Snapshot(); s.Wall.Stop != safety.Absent {
		ways = append(ways, way{"Stop button", "Press the stop button now, and release it again.", true})
	}
	if key := w.cfg.Hand.StopKey(); key != "" {
		ways = append(ways, way{"Stop from here", "Now " + key + ".", false})
	}
	if w.cfg.Simulated {
		w.noted("Cable pulled, program killed", "a simulated drive has no cable, and dies with its program: the silence of the link stands for both")
	}
	drops := w.beats()
	if before := w.record.Parts["relay"]; drops && !before.At.IsZero() {
		drops = !before.NotFitted
	} else if drops {
		var err error
		if drops, err = w.yes(ctx, relayQuestion); err != nil {
			return err
		}
	}
	for _, at := range w.speeds() {
		for _, by := range ways {
			if err := w.stopBy(ctx, at, by); err != nil {
				return err
			}
		}
		var more []func(context.Context, namedSpeed) error
		if at.name != "slow" && drops { // from slow it was a part of its own
			more = append(more, w.dropped)
		}
		switch {
		case !w.cfg.Simulated:
			more = append(more, w.killed)
			if w.cfg.Settings.Drive.Backend == "mqtt" && at.name != "slow" { // whose broker tells a node at once that a program was killed
				more = append(more, w.silentAt)
			}
			more = append(more, w.unplugged)
		case at.name != "slow": // likewise
			more = append(more, w.silentAt)
		}
		for _, stop := range more {
			if err := stop(ctx, at); err != nil {
				return err
			}
		}
	}
	return nil
}

// silentAt is a silence with a go of its own.
func (w *work) silentAt(ctx context.Context, at namedSpeed) error {
	if err := w.goAt(ctx, at); err != nil {
		return err
	}
	return w.silent(ctx, at)
}

func (w *work) stopBy(ctx context.Context, at namedSpeed, by way) error {
	what := fmt.Sprintf("%s at %v, to rest in", by.name, at)
	bound := w.bound(at.n)
	if err := w.goAt(ctx, at); err != nil {
		return err
	}
	if err := w.turn(ctx, at.n, 5*time.Minute); err != nil {
		return w.tellNo(what, at.n, err)
	}
	w.afresh()
	w.say("%s", by.say)
	s, _ := w.cfg.Sequencer.Snapshot()
	stops := s.Drive.Stops
	stopped, err := w.await(ctx, func(s *sequencer.Snapshot) bool { return s.Drive.Stops > stops })
	if err != nil {
		return err
	}
	if !stopped {
		w.bad(what, "never: no stop came", inSeconds(bound)+" at most", "look at the button's wires and pin, and go through its part again")
		return w.halt(ctx)
	}
	if err := w.settle(ctx); err != nil {
		return err
	}
	trace := w.moments()
	if by.wall && !slices.ContainsFunc(trace, func(m moment) bool { return m.pressed }) {
		w.bad(what, "a stop came, but not from the button", inSeconds(bound)+" at most", "press the button itself: it is what is tried here")
		return nil
	}
	took, ok := stopTime(trace)
	if !ok {
		w.bad(what, "not seen", inSeconds(bound)+" at most", "the drive reported nothing meanwhile: look at the link")
		return nil
	}
	w.within(took <= bound, what, inSeconds(took), inSeconds(bound)+" at most", w.rampDo())
	return nil
}

// goAt is the go before each start: between two of them somebody has pressed stop, or had a reason to come near.
func (w *work) goAt(ctx context.Context, at namedSpeed) error {
	return w.go_(ctx, fmt.Sprintf("The motor will turn at %v. Nobody in the water, nobody at outlet or suction, a hand at the emergency stop.", at))
}

// rampDo is what to do about a stop that takes too long.
func (w *work) rampDo() string {
	if b := w.cfg.Settings.Drive.Backend; b != "mqtt" {
		return fmt.Sprintf("set the drive's quick-stop ramp steeper, or drive.%s.quick_stop_rpm_per_s to what it is", b)
	}
	return "set the node's quick-stop ramp steeper"
}

// unplugged: the cable itself. What the motor did meanwhile nobody can ask it; it has to be at rest when the cable is back.
func (w *work) unplugged(ctx context.Context, at namedSpeed) error {
	what := fmt.Sprintf("Cable pulled at %v, the motor when it is back", at)
	allowed := w.linkLoss() + w.bound(at.n)
	for {
		if err := w.goAt(ctx, at); err != nil {
			return err
		}
		if err := w.turn(ctx, at.n, 5*time.Minute); err != nil {
			return w.tellNo(what, at.n, err)
		}
		w.say("Pull the cable of the link to the drive out now, at the computer.")
		gone, err := w.await(ctx, func(s *sequencer.Snapshot) bool { return s.At-s.ReadAt > unplugged }) // an answer that is missed is no cable
		if err != nil {
			return err
		}
		if !gone {
			w.bad(what, "was never out of reach", "at rest", "was that the right cable?")
			return w.halt(ctx)
		}
		w.say("Wait for %.0f seconds, then put it back.", math.Ceil(allowed.Seconds()))
		s, _ := w.cfg.Sequencer.Snapshot()
		reads, last := s.Drive.Reads, s.ReadAt
		back, err := w.until(ctx, allowed+w.cfg.Patience, func(is *sequencer.Snapshot) bool {
			s = *is
			return s.Drive.Reads > reads && s.Drive.Link == nil
		})
		if err != nil {
			return err
		}
		if !back {
			w.bad(what, "cannot be asked: the link did not come back", "at rest", w.linkDo())
			return nil
		}
		if away := s.ReadAt - last; away < allowed {
			w.say("It was back after %.1f seconds: too soon to tell. Once more.", away.Seconds())
			if err := w.settle(ctx); err != nil {
				return err
			}
			continue
		}
		w.within(math.Abs(s.Motor.RPM()) <= atRest, what, s.Motor.String(), "at rest", fmt.Sprintf("set the drive's link-loss time to %v, with a stop as its answer", w.linkLoss()))
		return w.settle(ctx)
	}
}

// limits: the lowest speed that is steady, the highest that is reached, and the ramp between.
func limits(ctx context.Context, w *work) error {
	m := w.cfg.Settings.Drive.Motor
	if err := w.go_(ctx, "The motor will turn at its lowest and its highest speed. Nobody in the water."); err != nil {
		return err
	}
	low := units.RPM(math.Max(m.Min.RPM(), 1))
	what := fmt.Sprintf("Lowest speed, %.0f rpm, over five seconds", low.RPM())
	if err := w.turn(ctx, low, time.Minute); err != nil {
		return w.tellNo(what, low, err)
	}
	w.afresh()
	if _, err := w.until(ctx, 5*time.Second, func(s *sequencer.Snapshot) bool { return over(s) != nil }); err != nil {
		return err
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, t := range w.moments() {
		least, most = math.Min(least, t.rpm), math.Max(most, t.rpm)
	}
	w.within(least >= 0.95*low.RPM()-atRest && most <= 1.05*low.RPM()+atRest, what, fmt.Sprintf("%.0f to %.0f rpm", least, most), fmt.Sprintf("steady within 5 %% and %g rpm", atRest),
		"the motor does not run steadily so slowly: raise drive.min_rpm, or have the drive tuned for slow speeds")
	if err := w.halt(ctx); err != nil {
		return w.tellNo(what, low, err)
	}

	what = fmt.Sprintf("Highest speed, %.0f rpm", m.Max.RPM())
	err := w.turn(ctx, m.Max, time.Minute)
	up := w.moments()
	if err != nil {
		w.ramp("The motor's ramp up", up, true)
		if err := w.tellNo(what, m.Max, err); err != nil {
			return err
		}
		return w.settle(ctx)
	}
	s, _ := w.cfg.Sequencer.Snapshot()
	w.good(what, fmt.Sprintf("%.0f rpm", s.Motor.RPM()), "reached and kept")
	w.ramp("The motor's ramp up", up, true)
	w.afresh()
	if err := w.halt(ctx); err != nil {
		return w.tellNo(what, m.Max, err)
	}
	w.ramp("The motor's ramp down", w.moments(), false)
	return nil
}

// ramp holds a measured ramp against the configured one: the planner counts on it. A steeper one is only told.
func (w *work) ramp(what string, trace []moment, up bool) {
	m := w.cfg.Settings.Drive.Motor
	got, ok := rampOf(trace, m.Max.RPM(), up)
	set := m.RPMPerSecond
	switch {
	case !ok:
		if up {
			w.noted(what, "too steep, or not far enough, to be measured")
		}
	case set == 0:
		w.within(got >= m.Max.RPM()/1.5, what, fmt.Sprintf("%.0f rpm/s", got), "none worth minding: full speed within 1.5 s", fmt.Sprintf("put drive.accel_rpm_per_s = %.0f into the configuration", math.Floor(got/10)*10))
	default:
		w.within(got >= 0.9*set, what, fmt.Sprintf("%.0f rpm/s", got), fmt.Sprintf("%.0f rpm/s, a tenth less at most", set),
			fmt.Sprintf("set the drive's ramp to %.0f rpm/s, or drive.accel_rpm_per_s to %.0f", set, math.Floor(got/10)*10))
	}
}
