// Package drive is the one way to a motor: a concrete Drive over a small Backend. The stop latch, the mailbox, the clamps, deadlines and staleness live here once.
package drive

import (
	"context"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Order is a motor speed on its way to a backend. Only a Drive makes one that is not standstill. The zero Order is standstill.
type Order struct{ motor units.MotorSpeed }

// Motor is the ordered motor speed, within the motor's limits: 0, or Min to Max.
func (o Order) Motor() units.MotorSpeed { return o.motor }

// Round is what a backend is told about the exchange that it is part of.
type Round struct {
	Elapsed time.Duration   // since the drive's first exchange; monotonic. Backends read no clock of their own for behaviour.
	Until   time.Duration   // elapsed time at which to give up
	Stop    <-chan struct{} // closed when a stop was latched: give up every wait. Nil in Stop itself.
}

// Feedback is what a motor drive says of itself.
type Feedback struct {
	Motor   units.MotorSpeed // actual motor speed
	Enabled bool             // the power stage is on
	Fault   string           // the drive's own fault, technical, for the log; empty where there is none
}

// Backend is one kind of link to a motor. One goroutine calls it, never two at once.
//
// Each call is bounded by Round.Until, and gives up as soon as Round.Stop is closed; it returns an error that says what it gave up.
// A Set that failed is dropped, never retried. Stop works twice, before any Set, and after a failed call; it begins the drive's quick stop,
// then disables. After Stop, the next Set enables again. Close stops first, and works twice.
type Backend interface {
	Set(r Round, o Order) error
	Read(r Round) (Feedback, error)
	Stop(r Round) error
	Close() error
}

// Report is what a Drive knows about its motor, as a copy.
type Report struct {
	Feedback
	At      time.Duration // elapsed time of the last good read; meaningless while Reads is 0
	Reads   uint64        // good reads so far
	Link    error         // the last exchange's failure; nil when it went well
	Stops   uint64        // stops latched so far
	Latched bool          // a stop is latched
	Why     fault.Code    // of the latest stop
	Ordered units.MotorSpeed
}

// Config is what a Drive needs to know.
type Config struct {
	Model   *water.Model
	Timeout time.Duration // of one exchange; default 100 ms
	Every   time.Duration // between exchanges in Run; default 50 ms
}

// Drive is a motor behind a backend. Set, Stop, Unlatch and Report may be called from any goroutine and never block.
type Drive struct{}

// New makes a drive. It is latched (fault.NotReset) until Unlatch, and its first exchange is a stop.
func New(b Backend, c Config) *Drive { panic("unwritten") }

// Set puts a permission into the one-place mailbox. It is good for one exchange: without a fresh one the next exchange orders standstill... see Exchange.
func (d *Drive) Set(c safety.Cleared) { panic("unwritten") }

// Stop latches a stop. It never blocks, needs no permission, wakes the I/O goroutine and makes a backend give up its waits.
func (d *Drive) Stop(why fault.Code) { panic("unwritten") }

// Unlatch takes back the stops that the release covers; it reports whether nothing is latched afterwards.
func (d *Drive) Unlatch(r safety.Release) bool { panic("unwritten") }

// Report is what is known now.
func (d *Drive) Report() Report { panic("unwritten") }

// Exchange does one round at elapsed time now: latch, mailbox, backend. Rehearsals call it inline; Run calls it on real time.
func (d *Drive) Exchange(now time.Duration) { panic("unwritten") }

// Run is the I/O goroutine: exchanges every Config.Every and at once when a stop is latched, until ctx is done; then it stops the motor.
func (d *Drive) Run(ctx context.Context) error { panic("unwritten") }

// Close stops the motor and closes the backend. Run must have returned.
func (d *Drive) Close() error { panic("unwritten") }
