package drive

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// lastTries is how often Run tries to get its last stop through.
const lastTries = 5

// Run is the I/O goroutine: an exchange at once, then every Config.Every, at absolute times, and at once when a stop is latched.
// When ctx is done it stops the motor and returns; the error is that the stop could not be delivered. A panic of the backend is a stop
// too, latched with fault.ProgramPanic: Run delivers it if that can be done, and returns the panic with its stack as the error.
func (d *Drive) Run(ctx context.Context) error {
	d.startClock()
	timer := time.NewTimer(0)
	defer timer.Stop()
	due := d.clock()
	for {
		select {
		case <-ctx.Done():
			d.Stop(fault.ProgramEnds)
			return d.deliver()
		case <-d.wake:
		case <-timer.C:
		}
		now := d.clock()
		if err := d.guarded(now); err != nil {
			return errors.Join(err, d.deliver())
		}
		if late := d.clock() - due; late >= 0 {
			due += d.cfg.Every * (late/d.cfg.Every + 1)
		}
		timer.Reset(due - d.clock())
	}
}

// startClock makes real time count on from where inline exchanges left off.
func (d *Drive) startClock() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.clock == nil {
		start, before := time.Now(), d.report.Now
		d.clock = func() time.Duration { return before + time.Since(start) }
	}
}

// guarded is an exchange whose panic has become a latched stop and an error.
func (d *Drive) guarded(now time.Duration) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the link to the drive failed: %v\n%s", p, debug.Stack())
			d.Stop(fault.ProgramPanic)
			d.mu.Lock()
			d.busy, d.report.Link = false, err
			d.mu.Unlock()
		}
	}()
	d.Exchange(now)
	return nil
}

// deliver brings the latched stop to the backend, in a bounded number of tries.
func (d *Drive) deliver() error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	var err error
	stops := d.Report().Stops
	for range lastTries {
		<-timer.C
		err = d.guarded(d.clock())
		r := d.Report()
		if r.Carried >= stops {
			return nil
		}
		if err == nil {
			err = r.Link
		}
		timer.Reset(d.cfg.Every)
	}
	return fmt.Errorf("the motor could not be stopped over its link: %w", err)
}
