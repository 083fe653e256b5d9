// Package simulated is a drive backend without a wire: a motor with its own ramp, dead time, state machine and link-loss stop, and behind it water that is not the model which commands it.
//
// It reads no clock. Each call first lets the motor and the water go on to Round.Elapsed, whatever happened in between, link loss included, at its right instant.
package simulated

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// DefaultLinkLoss is how long the motor goes on without hearing anything, where the configuration does not say.
const DefaultLinkLoss = 500 * time.Millisecond

// Config is what is behind the link. With Model alone the water is equal to the model, and the motor answers at once.
type Config struct {
	Model *water.Model // what commands the motor; the motor's limits are taken from it

	SpeedError   float64 // of the true steady speed against the model, as a fraction, −0.5 to 0.5; by a quarter of it lower at rest and higher at the last point
	InertiaError float64 // of the true inertia length, as a fraction, −0.9 to 1
	Noise        float64 // the true speed wanders by at most this fraction, over seconds; 0 to 0.1
	Seed         uint64  // of the noise: the same seed gives the same water, bit for bit

	DeadTime              time.Duration // from an order or stop to its effect, 0 to 1 s
	RampRPMPerSecond      float64       // the motor's own ramp, both ways; 0: the model's, and if that has none, at once
	QuickStopRPMPerSecond float64       // the ramp of its stops; 0: at once
	LinkLoss              time.Duration // without hearing anything for so long it stops by itself; 0: DefaultLinkLoss; at most 60 s
	EnableTime            time.Duration // from the first order to a power stage that is on, 0 to 60 s

	FlowSensor float64 // what a flow sensor shows, as a share of the true speed, 0 to 2; 0: there is none

	Faults []string // what goes wrong and when; see CheckFault for the wording
}

// Defaults is a flume that is a few per cent off the model, so that errors can be seen.
func Defaults(m *water.Model) Config {
	return Config{
		Model:                 m,
		SpeedError:            -0.03,
		InertiaError:          0.05,
		Noise:                 0.005,
		Seed:                  1,
		DeadTime:              20 * time.Millisecond,
		QuickStopRPMPerSecond: m.Motor().Max.RPM(), // from full speed in a second
		LinkLoss:              DefaultLinkLoss,
		EnableTime:            200 * time.Millisecond,
	}
}

func (c Config) check() error {
	var errs []error
	within := func(name string, v, lo, hi float64, unit string) {
		if !(v >= lo && v <= hi) {
			errs = append(errs, fmt.Errorf("simulated drive, %s %g%s: allowed is %g to %g%s", name, v, unit, lo, hi, unit))
		}
	}
	within("speed error", c.SpeedError, -.5, .5, "")
	within("inertia error", c.InertiaError, -.9, 1, "")
	within("noise", c.Noise, 0, .1, "")
	within("dead time", c.DeadTime.Seconds(), 0, 1, " s")
	within("ramp", c.RampRPMPerSecond, 0, math.MaxFloat64, " rpm/s")
	within("quick stop", c.QuickStopRPMPerSecond, 0, math.MaxFloat64, " rpm/s")
	within("link loss", c.LinkLoss.Seconds(), 0, 60, " s")
	within("enable time", c.EnableTime.Seconds(), 0, 60, " s")
	within("flow sensor", c.FlowSensor, 0, 2, "")
	return errors.Join(errs...)
}

var (
	errStop   = errors.New("simulated drive: gave up before anything was sent, for a stop")
	errLost   = errors.New("simulated drive: no answer, the link is lost")
	errLate   = errors.New("simulated drive: the answer came too late; what was sent has arrived")
	errFault  = errors.New("simulated drive: order refused, the motor has stopped by itself and waits for a stop before it turns again")
	errClosed = errors.New("simulated drive: closed")
)

// Backend is the simulated link, motor and water. Witnesses (Water, Motor, State, Pass) may be called from any goroutine.
type Backend struct {
	mu     sync.Mutex
	motor  motor
	faults faults
	frozen *drive.Feedback // what is repeated while the feedback is frozen
	closed bool
}

// New makes a motor that is disabled and at rest, in still water. The error names each value that is not allowed, and what is.
func New(c Config) (*Backend, error) {
	if c.Model == nil {
		return nil, errors.New("simulated drive: it needs a water model")
	}
	faults, err := parseFaults(c.Faults)
	if err := errors.Join(c.check(), err); err != nil {
		return nil, err
	}
	behind, err := behind(c)
	if err != nil {
		return nil, err
	}
	if c.LinkLoss == 0 {
		c.LinkLoss = DefaultLinkLoss
	}
	limits := c.Model.Motor()
	if c.RampRPMPerSecond == 0 {
		c.RampRPMPerSecond = limits.RPMPerSecond
	}
	b := &Backend{faults: faults}
	b.motor = motor{
		shaft:    shaft{lowest: limits.Min.RPM()},
		max:      limits.Max.RPM(),
		ramp:     c.RampRPMPerSecond,
		quick:    c.QuickStopRPMPerSecond,
		dead:     c.DeadTime,
		linkLoss: c.LinkLoss,
		enabling: c.EnableTime,
		sensor:   c.FlowSensor,
		trips:    faults.trips(),
		plant:    plant{model: behind, noise: newNoise(c.Noise, c.Seed)},
	}
	return b, nil
}

// Simulated is true: wherever this water's speed is shown, that must be said.
func (b *Backend) Simulated() bool { return true }

// Set orders a motor speed. An error says that the order did not arrive, or that its answer did not arrive in time.
func (b *Backend) Set(r drive.Round, o drive.Order) error {
	return b.set(r, o.Motor().RPM())
}

// Turn is Set for a motor that plays the one behind somebody else's link: who sends its orders was checked on the way.
func (b *Backend) Turn(r drive.Round, m units.MotorSpeed) error { return b.set(r, m.RPM()) }

// Trip makes the motor trip now.
func (b *Backend) Trip() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.motor.trips = append([]time.Duration{b.motor.now}, b.motor.trips...)
}

func (b *Backend) set(r drive.Round, rpm float64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.reach(r); err != nil {
		return err
	}
	if b.motor.refuses() {
		return errFault
	}
	if !b.faults.on(ordersIgnored, r.Elapsed) {
		b.motor.order(command{rpm: rpm})
	}
	return b.answer(r)
}

// Read is what the motor says of itself at Round.Elapsed, also where its answer is late.
func (b *Backend) Read(r drive.Round) (drive.Feedback, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.reach(r); err != nil {
		return drive.Feedback{}, err
	}
	f := b.motor.feedback()
	if b.faults.on(feedbackFrozen, r.Elapsed) {
		if b.frozen == nil {
			kept := f
			b.frozen = &kept
		}
		f = *b.frozen
	} else {
		b.frozen = nil
	}
	if err := b.answer(r); err != nil {
		return drive.Feedback{}, err
	}
	return f, nil
}

// Stop begins the motor's quick stop, after which it is disabled. It also acknowledges a trip or link loss, which then ends when the motor is at rest.
func (b *Backend) Stop(r drive.Round) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.reach(r); err != nil {
		return err
	}
	b.motor.order(command{stop: true})
	return b.answer(r)
}

// Close stops the motor, as far as the link carries the stop; time goes on with Pass alone.
func (b *Backend) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.closed && !b.faults.on(linkLost, b.motor.now) {
		b.motor.order(command{stop: true})
	}
	b.closed = true
	return nil
}

// reach lets time go on and says whether the motor hears the call.
func (b *Backend) reach(r drive.Round) error {
	b.motor.advance(r.Elapsed)
	select {
	case <-r.Stop:
		return errStop
	default:
	}
	switch {
	case b.closed:
		return errClosed
	case b.faults.on(linkLost, r.Elapsed):
		return errLost
	}
	b.motor.heard = b.motor.now
	return nil
}

// answer says whether the motor's answer comes in time. No time is waited for here: whoever calls inline has none.
func (b *Backend) answer(r drive.Round) error {
	if r.Elapsed+b.faults.lateness(r.Elapsed) > r.Until {
		return errLate
	}
	return nil
}

// Pass lets time go on without an exchange, as when the program or the wire is gone.
func (b *Backend) Pass(elapsed time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.motor.advance(elapsed)
}

// Water is the true water at the swimmer: its speed now, and how much has flowed.
func (b *Backend) Water() (units.Speed, units.Distance) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.motor.plant.truth(b.motor.now)
}

// Motor is the true motor speed.
func (b *Backend) Motor() units.MotorSpeed {
	b.mu.Lock()
	defer b.mu.Unlock()
	return units.RPM(b.motor.rpm)
}

// State is the state of the motor's drive.
func (b *Backend) State() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.motor.state
}
