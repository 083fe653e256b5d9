//go:build board

package board

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"testing"
	"time"
)

// left are the stops that are still to be pressed, on whichever board.
var left atomic.Int64

// pressStops presses stop while the water changes, at any moment of a ramp and of an exchange with the drive, as long as there are stops left. After each one
// nothing may move by itself: not when the button is released, not by a short press, not by the reset, and not while the count-in of the next start
// runs. A swim that the guard has stopped before, as it does on a machine that is too busy, is told and swum again.
func pressStops(t *testing.T, seed uint64) {
	if left.Load() <= 0 {
		return
	}
	p := newPlace(t)
	dice := rand.New(rand.NewPCG(seed, 1))
	some := func(least, most time.Duration) time.Duration {
		return least + time.Duration(dice.Int64N(int64(most-least)))
	}
	measured(upAfterPower, p.on())
	p.try()
	for spoiled := 0; left.Add(-1) >= 0; {
		p.start()
		p.must(until("the motor is on", 5*time.Second, func() bool { return p.drive.Ask().Enabled || p.state() != "running" }))
		p.wait(some(200*time.Millisecond, 4*time.Second))
		if p.state() != "running" {
			left.Add(1)
			if spoiled++; spoiled > 10 {
				p.must(errors.New("the guard has stopped ten swims: this machine is too busy"))
			}
			p.t.Logf("stopped by the guard before the press: %s", p.said(time.Now().Add(-5*time.Second), "msg=state ", "state=stopped").text)
			p.still(3*time.Second, 0)
			p.reset()
			continue
		}
		p.stopAndStay()
		p.wait(some(50*time.Millisecond, 300*time.Millisecond))
		p.must(p.pins.set(stopPin, true))
		p.staysStill(300 * time.Millisecond)
		if left.Load()%4 == 0 { // nobody starts what was not reset
			p.press()
			p.staysStill(500 * time.Millisecond)
		}
		p.reset()
	}
	p.resident()
}

// stopAndStay presses stop and keeps it pressed, as a hand does, or a wire that has come off. The motor's own drive says when it was told.
func (p *place) stopAndStay() {
	p.t.Helper()
	before := p.drive.Ask()
	if !before.Enabled {
		p.must(fmt.Errorf("the motor does not run before the stop: %+v", before))
	}
	pressed := time.Now()
	p.must(p.pins.set(stopPin, false))
	p.wait(60 * time.Millisecond) // the drive is not asked while it is told
	p.must(until("the drive has the stop", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(stopInRegister, span(moment(pressed), p.drive.Ask().Halted))
	p.must(until("the motor is at rest", 3*time.Second, func() bool { s := p.drive.Ask(); return s.RPM == 0 && !s.Enabled }))
	rest := time.Now()
	measured(stopToRest, rest.Sub(pressed))
	p.awaits(pressed, time.Second, "msg=state ", "state=stopped reason=stop-pressed")
	// Three exchanges until the daemon knows of the rest, more where answers are missed; then the heartbeat is over.
	over := func() bool { return len(p.pins.changes(heartbeatPin, time.Now().Add(-200*time.Millisecond))) == 0 }
	p.must(until("the heartbeat is over", time.Second, over))
	p.staysStill(300 * time.Millisecond)
	if !over() {
		p.must(errors.New("the heartbeat is over, and goes on"))
	}
}

// resident asks how much memory the daemon has.
func (p *place) resident() {
	p.t.Helper()
	begun := time.Now()
	p.tell("resident")
	l := p.awaits(begun, 5*time.Second, "board: resident")
	var kib int
	if _, err := fmt.Sscanf(l.text, "board: resident %d kB", &kib); err != nil {
		p.must(err)
	}
	noteResident(kib)
}
