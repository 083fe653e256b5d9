package drivetest

import (
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

const tick = drive.DefaultEvery

// rig is a drive, its motor and the time.
type rig struct {
	Options
	*drive.Drive
	backend drive.Backend
	witness Witness
	between between // stands before the backend
	now     time.Duration
}

// between lets a case step in just before a backend's call.
type between struct {
	drive.Backend
	set, read func()
}

func (b *between) Set(r drive.Round, o drive.Order) error {
	if b.set != nil {
		b.set()
	}
	return b.Backend.Set(r, o)
}

func (b *between) Read(r drive.Round) (drive.Feedback, error) {
	if b.read != nil {
		b.read()
	}
	return b.Backend.Read(r)
}

func newRig(o Options, b drive.Backend, w Witness) *rig {
	r := &rig{Options: o, backend: b, witness: w, between: between{Backend: b}}
	r.Drive = r.newDrive()
	return r
}

func (r *rig) newDrive() *drive.Drive {
	return drive.New(&r.between, drive.Config{Model: r.Model, Timeout: r.Timeout})
}

// at is a permission for the water that the motor drives when it runs at that fraction of its range, from 0 at its lowest speed to 1 at its highest.
func (r *rig) at(fraction float64) safety.Cleared {
	return Clear(r.Model.Steady(r.speed(fraction)), units.Accel{})
}

func (r *rig) speed(fraction float64) units.MotorSpeed {
	m := r.Model.Motor()
	return units.RPM(m.Min.RPM() + fraction*(m.Max.RPM()-m.Min.RPM()))
}

// run gives the permission, tick by tick.
func (r *rig) run(d time.Duration, c safety.Cleared) {
	for end := r.now + d; r.now < end; {
		r.Set(c)
		r.exchange()
	}
}

// wait permits nothing new.
func (r *rig) wait(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.exchange()
	}
}

func (r *rig) exchange() {
	r.Exchange(r.now)
	r.now += tick
}

// reset is what a guard does once everything is well.
func (r *rig) reset() error {
	stops := r.Report().Stops
	if !r.Unlatch(Release(stops)) {
		return fmt.Errorf("a release of %d stops does not unlatch after %d stops", stops, stops)
	}
	return nil
}

// started brings the motor to that fraction of its range.
func (r *rig) started(fraction float64) error {
	r.exchange()
	if err := r.reset(); err != nil {
		return err
	}
	r.run(r.Settle, r.at(fraction))
	return r.turnsAt(fraction)
}

func (r *rig) turnsAt(fraction float64) error {
	want, got := r.speed(fraction), r.witness.Motor(r.now)
	if !r.near(want, got) {
		return fmt.Errorf("at %v the motor turns at %v, want %v", r.now, got, want)
	}
	if !r.witness.Enabled(r.now) {
		return fmt.Errorf("at %v the motor turns at %v without being enabled", r.now, got)
	}
	return nil
}

func (r *rig) near(a, b units.MotorSpeed) bool {
	return math.Abs(a.RPM()-b.RPM()) <= r.Tolerance.RPM()
}

// rests asks whether the motor is at rest and disabled now.
func (r *rig) rests(when string) error {
	if got := r.witness.Motor(r.now); !r.near(got, units.MotorSpeed{}) {
		return fmt.Errorf("%s: at %v the motor turns at %v, want it at rest", when, r.now, got)
	}
	if r.witness.Enabled(r.now) {
		return fmt.Errorf("%s: at %v the motor is at rest, but still enabled", when, r.now)
	}
	return nil
}

// stays asks for rest in every tick of that time, while a permission is given that must not act; the zero one gives none.
func (r *rig) stays(d time.Duration, c safety.Cleared, when string) error {
	for end := r.now + d; r.now < end; {
		if c != (safety.Cleared{}) {
			r.Set(c)
		}
		r.exchange()
		if err := r.rests(when); err != nil {
			return err
		}
	}
	return nil
}

// stops latches a stop and waits until the motor has to be at rest.
func (r *rig) stops(when string) error {
	r.Stop(fault.StopPressed)
	r.wait(r.Settle)
	return r.rests(when)
}
