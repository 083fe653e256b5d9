package drive

import (
	"time"

	"flume.example/sequencerd/internal/units"
)

// Order is a motor speed on its way to a backend. Only a Drive makes one that is not standstill. The zero Order is standstill.
type Order struct{ motor units.MotorSpeed }

// Motor is the ordered motor speed, within the motor's limits: 0, or Min to Max.
func (o Order) Motor() units.MotorSpeed { return o.motor }

// Round is what a backend is told about the exchange that it is part of.
type Round struct {
	Elapsed time.Duration   // since the drive's first exchange; monotonic. Backends read no clock of their own for behaviour.
	Until   time.Duration   // elapsed time at which to give up: a call may take Until − Elapsed
	Stop    <-chan struct{} // closed when a stop was latched: give up every wait. Nil in Stop itself.
}

// Feedback is what a motor drive says of itself, and of the water where a flow sensor hangs on it.
type Feedback struct {
	Motor   units.MotorSpeed // actual motor speed
	Enabled bool             // the power stage is on
	Fault   string           // the drive's own fault, technical, for the log; empty where there is none
	Sensed  Sensed           // the water by a flow sensor on the drive; none where none is fitted, and where nothing is to be had of it just now
}

// Sensed is the speed of the water by a flow sensor. It informs, and nothing else: neither control nor odometer nor guard knows it, and one that fails stops
// nothing. The zero Sensed is none.
type Sensed struct {
	Known bool
	Speed units.Speed // as the sensor shows it, whatever that is; in a Drive's Report at the reference, and a speed that water can have
}

// What a sensor shows counts from here to there, in m/s at the reference. A little below 0 is its noise in still water; what is farther off, or no number, is a
// broken wire or something else that was read. No calibrated water is faster.
const (
	leastSensed = -0.05
	mostSensed  = 5
)

// atReference is what is sensed there, where the sensor shows as much times factor.
func (s Sensed) atReference(factor float64) Sensed {
	v := s.Speed.MetresPerSecond() * factor
	if !s.Known || !(v >= leastSensed && v <= mostSensed) {
		return Sensed{}
	}
	return Sensed{Known: true, Speed: units.MetresPerSecond(v)}
}

// Backend is one kind of link to a motor. One goroutine calls it, never two at once.
//
// Each call is bounded by Round.Until, and gives up as soon as Round.Stop is closed; a Set that finds it closed sends nothing. It returns an error that says
// what it gave up. A Set that failed is dropped, never retried. Read's feedback was made by the drive during that call, or so shortly before that the
// drive's own link-loss time has not passed; else it is an error.
//
// Stop works twice, before any Set, and after a failed call; it begins the drive's quick stop, then disables. It is repeated for as long as the feedback
// shows the motor enabled or turning. After Stop, the next Set enables again. Where the drive has a fault of its own, Stop also acknowledges it, so
// that it goes once its cause has gone; without a Stop it stays, whatever is Set. Close stops first, and works twice; every other call after it is an error.
//
// A backend whose motor is not a real one also has the method Simulated() bool.
type Backend interface {
	Set(r Round, o Order) error
	Read(r Round) (Feedback, error)
	Stop(r Round) error
	Close() error
}
