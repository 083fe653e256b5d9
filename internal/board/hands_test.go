//go:build board

package board

import (
	"fmt"
	"testing"
	"time"
)

// handsAndSensors does at the wall what people do, and takes the sensors' signals away.
func handsAndSensors(t *testing.T) {
	p := newPlace(t)
	measured(upAfterPower, p.on())
	notTried(p)
	p.try()
	p.start()
	heartbeat(p)
	pagesAreWatched(p)
	pauseAndResume(p)
	heldWhileSwimming(p)
	wireComesOff(p)
	coverOpens(p)
	nobodySeen(p)
}

// notTried: a stop wire that is shorted would look like this one. Nothing starts before the button was seen to work (DESIGN, "Wires fail safe").
func notTried(p *place) {
	p.reset()
	begun := time.Now()
	p.press()
	p.awaits(begun, time.Second, "refused at the wall", "stop-untried")
	p.staysStill(time.Second)
}

// heartbeat: while motion is permitted it changes at each tick, 20 times a second, also while the logbook first notes the swim with all its blocks.
func heartbeat(p *place) {
	begun := time.Now()
	p.wait(8 * time.Second)
	beats := p.pins.changes(heartbeatPin, begun)
	if n := len(beats); n < 150 || n > 165 {
		p.must(fmt.Errorf("the heartbeat changed %d times in 8 s, want 160", n))
	}
	for i := 1; i < len(beats); i++ {
		if beats[i].high == beats[i-1].high {
			p.must(fmt.Errorf("the heartbeat was %v twice", beats[i].high))
		}
		measured(betweenBeats, beats[i].at.Sub(beats[i-1].at))
	}
}

// pauseAndResume: a press pauses, and the next one goes on; from a pause that has come to rest after a count-in.
func pauseAndResume(p *place) {
	for range 2 {
		begun := time.Now()
		p.press()
		p.awaits(begun, time.Second, "msg=state ", "state=pausing")
		begun = time.Now()
		p.press()
		p.awaits(begun, time.Second, "msg=state ", "state=running")
		p.wait(3 * time.Second) // into moving water again: a pause that has come to rest counts in
	}
	begun := time.Now()
	p.press()
	p.awaits(begun, 30*time.Second, "msg=state ", "state=paused")
	p.held(time.Second)
	begun = time.Now()
	p.press()
	counted := p.awaits(begun, time.Second, "msg=state ", "state=count-in").at
	p.held(4500 * time.Millisecond)
	measured(countInAfterPause, p.awaits(begun, 10*time.Second, "msg=state ", "state=running").at.Sub(counted))
}

// heldWhileSwimming: a press that is held is a pause at once, and after two seconds the end; releasing it is nothing.
func heldWhileSwimming(p *place) {
	p.must(until("the motor turns", 5*time.Second, func() bool { return p.drive.Ask().RPM > 200 }))
	begun := time.Now()
	p.must(p.pins.set(pressPin, true))
	p.awaits(begun, time.Second, "msg=state ", "state=pausing")
	ends := p.awaits(begun, 3*time.Second, "msg=state ", "state=stopping reason=person-stop").at
	measured(held, ends.Sub(begun))
	p.wait(300 * time.Millisecond)
	p.must(p.pins.set(pressPin, false))
	p.awaits(begun, 30*time.Second, "msg=state ", "state=finished")
	p.still(time.Second, time.Second)
}

// wireComesOff: it is a stop, and stays one for as long as the wire is off; when it is back, nothing moves before a reset and a start.
func wireComesOff(p *place) {
	p.swim()
	p.stopAndStay()
	for range 2 {
		begun := time.Now()
		p.must(p.pins.set(pressPin, true))
		p.wait(2200 * time.Millisecond)
		p.must(p.pins.set(pressPin, false))
		p.awaits(begun, time.Second, "refused at the wall", "command=reset")
	}
	p.must(p.pins.set(stopPin, true))
	p.staysStill(time.Second)
	begun := time.Now()
	p.press()
	p.staysStill(time.Second)
	if l := p.said(begun, "msg=state "); l.text != "" {
		p.must(fmt.Errorf("a wire that is back changed the state: %s", l.text))
	}
	p.reset()
}

// coverOpens: that is a stop at once, and closing it starts nothing.
func coverOpens(p *place) {
	p.swim()
	before := p.drive.Ask()
	begun := time.Now()
	p.must(p.pins.set(coverPin, false))
	p.must(until("the drive has the stop", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(coverInRegister, span(moment(begun), p.drive.Ask().Halted))
	p.awaits(begun, time.Second, "msg=state ", "state=stopped reason=cover")
	p.still(3*time.Second, 0)
	p.must(p.pins.set(coverPin, true))
	p.staysStill(time.Second)
	p.reset()
}

// nobodySeen: a caution, slower, and the end (DESIGN, "Occupancy": 15, 30 and 60 s).
func nobodySeen(p *place) {
	p.swim()
	begun := time.Now()
	p.must(p.pins.set(occupancyPin, false))
	for _, step := range []struct {
		why string
		row string
		due time.Duration
	}{{"nobody-seen", cautionAfter, 15 * time.Second}, {"nobody-slow", slowerAfter, 30 * time.Second}, {"nobody-stop", endAfter, 60 * time.Second}} {
		took := p.awaits(begun, step.due+time.Second, "msg=state ", "why="+step.why).at.Sub(begun)
		if took < step.due {
			p.must(fmt.Errorf("%s after %v, want %v", step.why, took, step.due))
		}
		measured(step.row, took)
		if step.why == "nobody-slow" {
			// 0.6 m/s is the caution's speed; the motor of the default calibration turns at 510 rpm for it, by the straight line between its points 300 and 600.
			p.must(until("the water is slower", 12*time.Second, func() bool { return p.drive.Ask().RPM < 530 }))
		}
	}
	p.awaits(begun, 100*time.Second, "msg=state ", "state=stopped reason=nobody-stop")
	p.still(3*time.Second, time.Second)
	p.must(p.pins.set(occupancyPin, true))
	p.staysStill(time.Second)
}
