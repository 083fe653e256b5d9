package drivetest

import (
	"errors"
	"fmt"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

func loopSilent(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	r.wait(drive.DefaultSilence - 2*tick)
	if p := r.Report(); p.Latched {
		return fmt.Errorf("latched (%s) before the loop watchdog's time was over", p.Why)
	}
	r.wait(3 * tick)
	if p := r.Report(); !p.Latched || p.Why != fault.LoopSilent || p.Carried != p.Stops {
		return fmt.Errorf("no permission for %v, and no stop: %+v", drive.DefaultSilence, p)
	}
	r.run(r.Settle, r.at(0.8))
	return r.rests("the control loop fell silent")
}

func programSilent(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	r.now += r.LinkLoss + r.Settle
	return r.rests("nobody spoke to the drive")
}

func linkCut(r *rig) error {
	link := r.witness.(Faulter)
	if err := r.started(0.8); err != nil {
		return err
	}
	link.Cut(r.now)
	r.run(r.LinkLoss, r.at(0.8))
	if p := r.Report(); p.Link == nil {
		return fmt.Errorf("the link was cut %v ago, and nobody says so", r.LinkLoss)
	}
	r.Stop(fault.LinkLost) // as the guard does
	r.run(r.Settle, r.at(0.8))
	if err := r.rests("the link was cut"); err != nil {
		return err
	}
	link.Restore(r.now)
	if err := r.comesBack(); err != nil {
		return err
	}
	if err := r.stays(r.Settle, r.at(0.8), "the link is back, permissions are coming"); err != nil {
		return err
	}
	if p := r.Report(); p.Link != nil || p.Carried != p.Stops {
		return fmt.Errorf("the link is back, and yet: %+v", p)
	}
	if err := r.reset(); err != nil {
		return err
	}
	if err := r.stays(r.Settle, safety.Cleared{}, "reset, nothing permitted since"); err != nil {
		return err
	}
	r.run(r.Settle, r.at(0.5))
	return r.turnsAt(0.5)
}

// comesBack waits until a restored link has carried a read; the motor must not turn meanwhile.
func (r *rig) comesBack() error {
	for end := r.now + r.Settle; r.Report().Link != nil; {
		if r.now >= end {
			return fmt.Errorf("the link was restored %v ago and does not come back: %w", r.Settle, r.Report().Link)
		}
		if err := r.stays(tick, r.at(0.8), "the link is coming back"); err != nil {
			return err
		}
	}
	return nil
}

func stopWithoutLink(r *rig) error {
	link := r.witness.(Faulter)
	if err := r.started(0.8); err != nil {
		return err
	}
	link.Cut(r.now)
	r.Stop(fault.StopPressed)
	r.wait(2 * tick)
	if p := r.Report(); p.Carried == p.Stops || p.Link == nil {
		return fmt.Errorf("a stop on a dead link counts as carried out: %+v", p)
	}
	if err := r.reset(); err != nil {
		return err
	}
	link.Restore(r.now)
	for end := r.now + r.Settle; r.Report().Carried < r.Report().Stops; r.exchange() {
		if r.now >= end {
			return errors.New("the link is back, and the stop that was taken back before it got through was never sent")
		}
	}
	r.wait(r.Settle)
	return r.rests("stopped while the link was cut")
}

// patience is real time, far beyond any time-out: a call that takes this long hangs.
const patience = 5 * time.Second

func deadlines(r *rig) error {
	link := r.witness.(Faulter)
	if err := r.started(0.5); err != nil {
		return err
	}
	link.Cut(r.now)
	stopped := make(chan struct{})
	close(stopped)
	in := func(d time.Duration) drive.Round { return drive.Round{Elapsed: r.now, Until: r.now + d} }
	for _, c := range []struct {
		call  string
		round drive.Round
		do    func(drive.Round) error
	}{
		{"Set", in(r.Timeout), func(o drive.Round) error { return r.backend.Set(o, drive.Order{}) }},
		{"Read", in(r.Timeout), func(o drive.Round) error { _, err := r.backend.Read(o); return err }},
		{"Stop", in(r.Timeout), r.backend.Stop},
		{"Set with Round.Stop closed", in(time.Hour), func(o drive.Round) error { o.Stop = stopped; return r.backend.Set(o, drive.Order{}) }},
		{"Read with Round.Stop closed", in(time.Hour), func(o drive.Round) error { o.Stop = stopped; _, err := r.backend.Read(o); return err }},
	} {
		done := make(chan error, 1)
		go func() { done <- c.do(c.round) }()
		timer := time.NewTimer(patience)
		select {
		case err := <-done:
			timer.Stop()
			if err == nil {
				return fmt.Errorf("%s on a dead link is no error", c.call)
			}
		case <-timer.C:
			return fmt.Errorf("%s on a dead link hangs: no answer in %v", c.call, patience)
		}
	}
	return nil
}

func feedbackAge(r *rig) error {
	link := r.witness.(Faulter)
	if err := r.started(0.8); err != nil {
		return err
	}
	link.Cut(r.now)
	cut := r.now
	r.wait(r.LinkLoss + tick)
	reads := r.Report().Reads
	r.wait(r.Settle)
	p := r.Report()
	if p.Reads != reads || p.At > cut+r.LinkLoss {
		return fmt.Errorf("the link was cut at %v, and a read at %v passes for good", cut, p.At)
	}
	link.Restore(r.now)
	if err := r.comesBack(); err != nil {
		return err
	}
	if p = r.Report(); p.Reads == reads || p.At < r.now-tick || !r.near(p.Motor, r.witness.Motor(r.now)) {
		return fmt.Errorf("the link is back at %v; report %+v, the motor turns at %v", r.now, p, r.witness.Motor(r.now))
	}
	return nil
}

func driveFault(r *rig) error {
	trip := r.witness.(Tripper)
	if err := r.started(0.8); err != nil {
		return err
	}
	trip.Trip(r.now)
	r.run(r.Settle, r.at(0.8))
	if err := r.rests("the drive has tripped"); err != nil {
		return err
	}
	if err := r.stays(r.Settle, r.at(0.8), "the drive has tripped, permissions are coming"); err != nil {
		return err
	}
	if p := r.Report(); p.Fault == "" {
		return fmt.Errorf("the drive has tripped, and its feedback does not say so: %+v", p.Feedback)
	}
	if err := r.stops("the drive has tripped and was stopped"); err != nil {
		return err
	}
	if err := r.reset(); err != nil {
		return err
	}
	if err := r.stays(r.Settle, safety.Cleared{}, "tripped, stopped and reset"); err != nil {
		return err
	}
	if p := r.Report(); p.Fault != "" {
		return fmt.Errorf("a stop acknowledges a fault, and before anything is set again the feedback still says %q", p.Fault)
	}
	r.run(2*r.Settle, r.at(0.5))
	if err := r.turnsAt(0.5); err != nil {
		return err
	}
	if p := r.Report(); p.Fault != "" {
		return fmt.Errorf("the motor turns again, and its feedback still says %q", p.Fault)
	}
	return nil
}
