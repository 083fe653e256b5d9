package drivetest

import (
	"fmt"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

// honest is one exchange; what it hands out as news is what the motor did meanwhile.
func (r *rig) honest(c safety.Cleared, when string) error {
	reads, before := r.Report().Reads, r.witness.Motor(r.now).RPM()
	r.Set(c)
	r.Exchange(r.now)
	p, after := r.Report(), r.witness.Motor(r.now).RPM()
	low, high := min(before, after)-r.Tolerance.RPM(), max(before, after)+r.Tolerance.RPM()
	if got := p.Motor.RPM(); p.Reads > reads && !(got >= low && got <= high) {
		return fmt.Errorf("%s: at %v the feedback is %v of a motor that turns at %.1f to %.1f rpm", when, r.now, p.Motor, before, after)
	}
	r.now += tick
	return nil
}

// goesOn asks that the link is well again within Settle, with the motor as ordered or, where the drive was left, at rest and said so.
func (r *rig) goesOn(fraction float64, when string) error {
	for end := r.now + r.Settle; r.now < end; {
		if err := r.honest(r.at(fraction), when); err != nil {
			return err
		}
	}
	if p := r.Report(); p.Link == nil && p.Fault == "" {
		return r.turnsAt(fraction)
	}
	return r.rests(when + ", and the link is told to be lost")
}

func garbage(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	for range 3 {
		r.witness.(Garbler).Garble(r.now)
		if err := r.honest(r.at(0.8), "garbled"); err != nil {
			return err
		}
		if err := r.goesOn(0.8, "after something garbled"); err != nil {
			return err
		}
	}
	r.witness.(Garbler).Garble(r.now)
	return r.stops("stopped while answers are garbled")
}

func lateAnswers(r *rig) error {
	if err := r.started(1); err != nil {
		return err
	}
	for _, to := range []float64{0.3, 0.9, 0.5} {
		r.witness.(Delayer).Delay(r.now)
		link := false
		for range 4 {
			if err := r.honest(r.at(to), "an answer is late"); err != nil {
				return err
			}
			link = link || r.Report().Link != nil
		}
		if !link {
			return fmt.Errorf("an answer came too late at %v, and nobody says so", r.now)
		}
		if err := r.goesOn(to, "after a late answer"); err != nil {
			return err
		}
		if r.Report().Fault != "" || r.Report().Link != nil { // it was left: a person starts it anew
			r.Stop(fault.LinkLost)
			r.wait(r.Settle)
			if err := r.started(to); err != nil {
				return err
			}
		}
	}
	return nil
}

func secondOwner(r *rig) error {
	if err := r.started(0.5); err != nil {
		return err
	}
	for range 10 {
		r.witness.(Rival).Rival(r.now, r.Model.Motor().Max)
		if err := r.honest(r.at(0.5), "somebody else wants the motor"); err != nil {
			return err
		}
		if err := r.turnsAt(0.5); err != nil {
			return fmt.Errorf("somebody else wants the motor: %w", err)
		}
	}
	return r.stops("stopped while somebody else wants the motor")
}
