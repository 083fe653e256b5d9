// Package drive is the one way to a motor: a concrete Drive over a small Backend. The stop latch, the mailbox, the clamps, deadlines and staleness live here once.
package drive

import (
	"math"
	"sync"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Defaults of a Config.
const (
	DefaultTimeout = 100 * time.Millisecond
	DefaultEvery   = 50 * time.Millisecond
	DefaultSilence = 250 * time.Millisecond // five ticks of the control loop
)

// Config is what a Drive needs to know.
type Config struct {
	Model   *water.Model  // turns water into motor speed, and has the motor's limits; nil for a drive that is only to be stopped: every order is standstill
	Timeout time.Duration // of one exchange; default 100 ms
	Every   time.Duration // between exchanges in Run; default 50 ms
	Sensor  float64       // what a flow sensor shows times this is the water at the reference, where the calibration was measured; default 1
	Silence time.Duration // the loop watchdog: as long as this without a fresh permission while the motor is to turn is a stop (fault.LoopSilent); default 250 ms
}

// Report is what a Drive knows about its motor, as a copy.
type Report struct {
	Feedback
	Now     time.Duration // elapsed time of this report; of the last exchange where Run does not run. The feedback's age is Now − At.
	At      time.Duration // elapsed time at which the last good read began; meaningless while Reads is 0
	Reads   uint64        // good reads so far
	Link    error         // the last exchange's failure, or that the one under way is overdue; nil when it went well. A wait given up for a stop is no failure.
	Stops   uint64        // stops latched so far
	Pressed uint64        // the latest of them that a person pressed (fault.StopPressed), counted likewise; 0 for none
	Carried uint64        // stops that the backend has carried out; less than Stops while one is on its way
	Silent  bool          // the link is kept silent, see Hush
	Latched bool          // a stop is latched
	Why     fault.Code    // of the latest stop
	Ordered units.MotorSpeed
}

// Drive is a motor behind a backend. Set, Stop, Unlatch and Report may be called from any goroutine and never block:
// they hold the mutex for a few assignments, and nobody holds it during a backend's call.
type Drive struct {
	backend Backend
	cfg     Config
	wake    chan struct{} // one place; tells Run that a stop was latched

	mu      sync.Mutex
	clock   func() time.Duration // elapsed time on real time; nil until Run runs
	report  Report               // but for Now and what an overdue exchange does to Link
	begun   time.Duration        // when the exchange under way began
	busy    bool                 // an exchange is under way
	giveUp  chan struct{}        // closed by Stop; the next exchange makes a new one
	gaveUp  bool                 // giveUp is closed
	box     Order                // the mailbox, and when it was filled
	boxed   time.Duration
	fresh   bool          // the mailbox is full
	order   Order         // what was last taken from it since the last stop, and when that was put there
	ordered time.Duration // meaningless while driven is false
	driven  bool          // something but standstill was ordered since the last stop, or rest
	resting bool          // nothing is under way: the motor is to be off
	unheard bool          // the latest stop failed, so the next exchange is one again
	hush    time.Duration // still to be silent from the next exchange on; until then once that has begun
	silent  bool
	broken  func() // see Hush
}

// untimed marks a permission that was given while no clock ran: it counts from the exchange that takes it.
const untimed = time.Duration(math.MinInt64)

// New makes a drive. It is latched (fault.NotReset, the first stop) until Unlatch, and its first exchange is a stop.
func New(b Backend, c Config) *Drive {
	c.Timeout = orDefault(c.Timeout, DefaultTimeout)
	c.Every = orDefault(c.Every, DefaultEvery)
	c.Silence = orDefault(c.Silence, DefaultSilence)
	if c.Sensor == 0 {
		c.Sensor = 1
	}
	d := &Drive{backend: b, cfg: c, wake: make(chan struct{}, 1), giveUp: make(chan struct{})}
	d.latch(fault.NotReset)
	return d
}

func orDefault(d, def time.Duration) time.Duration {
	if d <= 0 {
		return def
	}
	return d
}

// Set puts a permission into the one-place mailbox, over what may still be there. While a stop is latched it is dropped.
//
// The next exchange takes it. Exchanges that find the mailbox empty repeat the last order, until the loop watchdog (Config.Silence) latches a stop.
// After a stop a motor is left switched off until something but standstill is permitted.
func (d *Drive) Set(c safety.Cleared) {
	o := d.orderFor(c) // before the lock: a fault in there must not leave a Stop waiting
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.report.Latched {
		return
	}
	d.box, d.boxed, d.fresh, d.resting = o, untimed, true, false
	if d.clock != nil {
		d.boxed = d.clock()
	}
}

// Rest switches the motor off because nothing is under way any more: a drive that is left switched on holds its motor at rest, and may one day not. It
// is the drive's stop, repeated until the motor is seen off, but latches nothing: the next permission to move switches it on again.
// While a stop is latched it does nothing.
func (d *Drive) Rest() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.report.Latched {
		return
	}
	d.report.Ordered = units.MotorSpeed{}
	d.box, d.fresh, d.order, d.driven, d.resting = Order{}, false, Order{}, false, true
}

// Stop latches a stop. It never blocks, needs no permission, empties the mailbox, wakes the I/O goroutine and makes a backend give up its waits.
func (d *Drive) Stop(why fault.Code) {
	d.mu.Lock()
	d.latch(why)
	d.mu.Unlock()
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

func (d *Drive) latch(why fault.Code) {
	d.unhush(why)
	d.report.Stops++
	if why == fault.StopPressed {
		d.report.Pressed = d.report.Stops
	}
	d.report.Latched, d.report.Why, d.report.Ordered = true, why, units.MotorSpeed{}
	d.box, d.fresh, d.order, d.driven, d.resting = Order{}, false, Order{}, false, false
	if !d.gaveUp {
		close(d.giveUp)
		d.gaveUp = true
	}
}

// Unlatch takes back the stops that the release covers, all or none; it reports whether nothing is latched afterwards.
// A stop that is taken back before the backend has carried it out is carried out all the same. Nothing permitted before can act afterwards:
// the stop has emptied the mailbox, and while it was latched Set has put nothing there.
func (d *Drive) Unlatch(r safety.Release) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.report.Latched && d.report.Stops <= r.Upto() {
		d.report.Latched = false
	}
	return !d.report.Latched
}

// Report is what is known now.
func (d *Drive) Report() Report {
	d.mu.Lock()
	defer d.mu.Unlock()
	r := d.report
	r.Silent = d.hush != 0 && d.silent
	if d.clock != nil {
		r.Now = d.clock()
		if d.busy && r.Now-d.begun > d.cfg.Timeout {
			r.Link = errOverdue
		}
	}
	return r
}

// Simulated reports whether the motor is not a real one: wherever its speed is shown, that must be said.
func (d *Drive) Simulated() bool {
	s, ok := d.backend.(interface{ Simulated() bool })
	return ok && s.Simulated()
}

// orderFor turns a permission into an order within the motor's limits. Without a model there are none to hold to.
func (d *Drive) orderFor(c safety.Cleared) Order {
	if d.cfg.Model == nil {
		return Order{}
	}
	if jog := c.Jog(); jog != (units.MotorSpeed{}) {
		return clamp(jog, d.cfg.Model.Motor())
	}
	v, a := c.Water()
	return flow(d.cfg.Model, v, a)
}

// flow is the order that makes the water follow (v, a). The model squares v: what is negative would drive the water.
func flow(m *water.Model, v units.Speed, a units.Accel) Order {
	if !(v.MetresPerSecond() >= 0) {
		return Order{}
	}
	return clamp(m.MotorFor(v, a), m.Motor())
}

// clamp is standstill below the motor's lowest speed and for what is no number, and at most its highest.
func clamp(n units.MotorSpeed, m water.Motor) Order {
	rpm := n.RPM()
	if !(rpm > 0 && rpm >= m.Min.RPM()) {
		return Order{}
	}
	return Order{units.RPM(min(rpm, m.Max.RPM()))}
}
