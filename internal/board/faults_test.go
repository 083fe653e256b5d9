//go:build board

package board

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// everyFault does to one board what goes wrong in its life, one after the other: the clock, the line, the program, the kernel, the power. After each of them
// the water is still until somebody has reset and started again.
func everyFault(t *testing.T) {
	p := newPlace(t)
	p.clock = "1970-01-01T00:00:00" // no battery
	measured(upAfterPower, p.on())
	p.try()
	clockIsSet(p)
	lineIsCut(p)
	lineIsGarbled(p)
	daemonIsKilled(p)
	daemonHangs(p)
	kernelCrashes(p)
	powerIsCut(p)
}

// clockIsSet: a board without a battery gets the time from the network in mid-swim. The swim goes on, and its own times do not know of it.
func clockIsSet(p *place) {
	p.swim()
	p.wait(time.Second)
	halted, before, at := p.drive.Ask().Halted, p.status(), time.Now()
	begun := time.Now()
	p.tell("clock %d", begun.Unix())
	if l := p.awaits(begun, 2*time.Second, "board: clock was"); !strings.Contains(l.text, "clock was 1970-01-01T") {
		p.must(fmt.Errorf("the clock was set already: %s", l.text))
	}
	notice := p.awaits(begun, 2*time.Second, "the clock of this computer was set")
	measured(clockToNotice, notice.at.Sub(begun))
	p.wait(3 * time.Second)
	after, passed := p.status(), time.Since(at).Seconds()
	if swum := after.Elapsed - before.Elapsed; math.Abs(swum-passed) > 0.3 { // what it takes to ask
		p.must(fmt.Errorf("%.2f s passed, and the swim's clock says %.2f", passed, swum))
	}
	if after.State != "running" || p.drive.Ask().Halted != halted || p.drive.Ask().RPM == 0 {
		p.must(fmt.Errorf("the swim did not go on: %+v, the drive %+v", after, p.drive.Ask()))
	}
	told := false
	for _, f := range after.Faults {
		told = told || f.Code == "clock-set" && f.Level == "notice"
	}
	if !told {
		p.must(fmt.Errorf("nobody is told: %+v", after.Faults))
	}
}

// lineIsCut: the daemon has a fault, and the drive, which hears nothing, stops by itself.
func lineIsCut(p *place) {
	before := p.drive.Ask()
	begun := time.Now()
	p.line.Cut(true)
	measured(cutToFault, p.awaits(begun, 2*time.Second, "msg=state ", "state=stopped").at.Sub(begun))
	p.must(until("the drive stops by itself", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(cutToStop, span(moment(begun), p.drive.Ask().Halted))
	p.still(3*time.Second, time.Second)
	p.line.Cut(false)
	p.staysStill(2 * time.Second)
	p.reset()
}

// lineIsGarbled: what the drive says cannot be understood, but it hears what it is told.
func lineIsGarbled(p *place) {
	p.swim()
	before := p.drive.Ask()
	begun := time.Now()
	p.line.Noise(math.MaxInt)
	measured(garbledToFault, p.awaits(begun, 2*time.Second, "msg=state ", "state=stopped").at.Sub(begun))
	p.must(until("the drive has the stop", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(garbledToStop, span(moment(begun), p.drive.Ask().Halted))
	p.still(3*time.Second, time.Second)
	p.line.Noise(0)
	p.staysStill(2 * time.Second)
	p.reset()
}

// daemonIsKilled: the motor stops by what comes after it, the next daemon moves nothing, and the watchdog of the hardware has no cause to act.
func daemonIsKilled(p *place) {
	p.swimForAWhile()
	before := p.drive.Ask()
	begun := time.Now()
	p.tell("kill")
	p.must(until("the drive stops", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(killedToStop, span(moment(begun), p.drive.Ask().Halted))
	p.awaits(begun, 10*time.Second, "board: stop-drive", "its motor is at rest")
	measured(killedToUp, p.up(begun).Sub(begun))
	p.still(0, watchdogTime+time.Second)
	interrupted(p, begun)
	if at := p.control.happened("RESET", begun); !at.IsZero() {
		p.must(fmt.Errorf("the board was reset %v after its daemon was killed, though the next one was there", at.Sub(begun)))
	}
	p.try()
}

// interrupted: the swim's place is offered, with why it was left, and nothing is started. It returns the block, by the log.
func interrupted(p *place, since time.Time) (block int) {
	p.t.Helper()
	l := p.awaits(since, 5*time.Second, "a swim was interrupted", "why=program-died")
	if _, err := fmt.Sscan(word(l.text, " block="), &block); err != nil {
		p.must(err)
	}
	s := p.status()
	if s.State != "stopped" || !s.Again || s.RPM != 0 {
		p.must(fmt.Errorf("after the fault it says %+v", s))
	}
	for _, f := range s.Faults {
		if f.Code == "program-died" {
			return block
		}
	}
	p.must(fmt.Errorf("it does not say why it is stopped: %+v", s.Faults))
	return 0
}

// daemonHangs: no tick, no feeding, and the hardware resets the board.
func daemonHangs(p *place) {
	p.swimForAWhile()
	before := p.drive.Ask()
	begun := time.Now()
	p.tell("freeze")
	p.must(until("the drive stops by itself", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(frozenToStop, span(moment(begun), p.drive.Ask().Halted))
	beats := p.pins.changes(heartbeatPin, begun.Add(-time.Second))
	measured(frozenToBeat, max(0, beats[len(beats)-1].at.Sub(begun)))
	p.must(until("the heartbeat is over", time.Second, func() bool { return len(p.pins.changes(heartbeatPin, begun.Add(300*time.Millisecond))) == 0 }))
	afterReset(p, begun, frozenToReset)
}

// afterReset waits for the hardware to reset the board, and for what comes then.
func afterReset(p *place, begun time.Time, row string) {
	p.must(until("the hardware watchdog acts", 2*watchdogTime, func() bool { return !p.control.happened("WATCHDOG", begun).IsZero() }))
	at := p.control.happened("WATCHDOG", begun)
	measured(row, at.Sub(begun))
	p.wires() // they are as before, but the pins were switched off for a moment
	measured(resetToUp, p.up(at).Sub(at))
	p.awaits(at, time.Second, "board: bootstatus 32") // WDIOF_CARDRESET, of the kernel's watchdog interface
	p.awaits(at, 5*time.Second, "reset by its hardware watchdog")
	p.still(0, 2*time.Second)
	interrupted(p, at)
	p.try()
}

// kernelCrashes: nothing in the board does anything any more, but for the hardware.
func kernelCrashes(p *place) {
	p.swimForAWhile()
	before := p.drive.Ask()
	begun := time.Now()
	p.tell("crash")
	p.must(until("the drive stops by itself", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(crashToStop, span(moment(begun), p.drive.Ask().Halted))
	afterReset(p, begun, crashToReset)
}
