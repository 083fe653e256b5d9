package drive

import (
	"errors"
	"math"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// atRest is the motor speed in rpm below which a stopped motor counts as at rest: an absolute floor, above an encoder's noise.
const atRest = 1.0

var errOverdue = errors.New("the exchange with the drive took longer than its time-out")

// errand is what one exchange has to do before it reads.
type errand struct {
	stop, set bool
	order     Order
	stops     uint64          // latched when the exchange began
	giveUp    <-chan struct{} // closed by a stop that is latched after that
}

// Exchange does one round at elapsed time now: a stop if one is to be carried out, else the order of the mailbox; then a read.
// Rehearsals call it inline; Run calls it on real time. One goroutine calls it, with a now that never runs back.
func (d *Drive) Exchange(now time.Duration) {
	if d.hushed(now) {
		return
	}
	e := d.begin(now)
	r := Round{Elapsed: now, Until: now + d.cfg.Timeout, Stop: e.giveUp}
	var err error
	switch {
	case e.stop:
		r.Stop = nil
		err = d.backend.Stop(r)
		d.carriedOut(e.stops, err)
		r.Stop = e.giveUp
	case e.set:
		err = d.backend.Set(r, e.order)
	}
	r.Elapsed = d.elapsed(now)
	switch {
	case closed(e.giveUp):
		d.end(e, err)
		return
	case r.Elapsed >= r.Until:
		if err == nil {
			err = errOverdue
		}
		d.end(e, err)
		return
	}
	// Read even after a failure: the drive's own fault may be the reason, and only its feedback names it.
	f, readErr := d.backend.Read(r)
	if readErr == nil {
		d.keep(f, r.Elapsed)
	} else if err == nil {
		err = readErr
	}
	d.end(e, err)
}

// begin decides what to do.
func (d *Drive) begin(now time.Duration) errand {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.report.Now, d.begun, d.busy = now, now, true
	if d.fresh {
		d.take(now)
	}
	if d.order != (Order{}) && now-d.ordered >= d.cfg.Silence {
		d.latch(fault.LoopSilent)
	}
	if d.gaveUp {
		d.giveUp, d.gaveUp = make(chan struct{}), false
	}
	p := &d.report
	turning := p.Reads > 0 && (p.Enabled || !(math.Abs(p.Motor.RPM()) < atRest))
	e := errand{stops: p.Stops, giveUp: d.giveUp, order: d.order}
	e.stop = p.Carried < p.Stops || d.unheard || (p.Latched || d.resting) && turning
	e.set = !e.stop && d.driven
	if e.set {
		p.Ordered = d.order.motor
	}
	return e
}

// take empties the mailbox. What comes while a stop is on its way is dropped. What lay there for too long, behind an exchange that hung, is known to the
// watchdog by when it was put there.
func (d *Drive) take(now time.Duration) {
	d.fresh = false
	if d.boxed == untimed {
		d.boxed = now
	}
	if d.report.Carried < d.report.Stops || d.unheard {
		return
	}
	d.order, d.ordered = d.box, d.boxed
	d.driven = d.driven || d.order != (Order{})
}

// carriedOut notes what became of a stop. One whose answer was lost is given once more, also where one before it was carried out and the motor is off by now: a
// backend that does not know whether its stop got through starts nothing.
func (d *Drive) carriedOut(stops uint64, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.unheard = err != nil
	if err == nil {
		d.report.Carried = stops
	}
}

func (d *Drive) keep(f Feedback, at time.Duration) {
	f.Sensed = f.Sensed.atReference(d.cfg.Sensor)
	d.mu.Lock()
	d.report.Feedback, d.report.At = f, at
	d.report.Reads++
	d.mu.Unlock()
}

// end keeps the failure, but for that of a wait which a stop has ended: a deliberate stop is no trouble with the link.
func (d *Drive) end(e errand, err error) {
	d.mu.Lock()
	d.busy = false
	if given := d.report.Stops > e.stops; err == nil || !given || e.stop && d.report.Carried < e.stops {
		d.report.Link = err
	}
	d.mu.Unlock()
}

// elapsed is the time now within an exchange that began at the time given: inline, no time passes.
func (d *Drive) elapsed(began time.Duration) time.Duration {
	if d.clock == nil {
		return began
	}
	return d.clock()
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// Close stops the motor and closes the backend. Run must have returned. It works twice.
func (d *Drive) Close() error {
	d.Stop(fault.ProgramEnds)
	return errors.Join(d.guarded(d.elapsed(d.report.Now)), d.backend.Close())
}
