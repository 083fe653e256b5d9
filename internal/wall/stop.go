package wall

import (
	"context"
	"time"

	"periph.io/x/conn/v3/gpio"

	"flume.example/sequencerd/internal/safety"
)

const (
	stopEvery  = 15 * time.Millisecond // between two looks at the stop's level, whatever its edges say
	stopSettle = 2 * time.Millisecond  // after a stop edge: the next ones, of a contact that bounces, wait in the kernel's queue meanwhile
	stopAgain  = time.Second           // a stop that is held is called again after this, should somebody have taken it back wrongly
)

// stopLine is what is known of the stop wire. The zero value is a wire that nobody has read.
type stopLine struct {
	read    time.Time // when it was last read; zero before
	low     bool      // as last read
	untold  bool      // it was Low, or had an edge, since somebody last asked
	pressed bool      // an edge was seen: the button and its wire are able to stop
	seen    moment    // of the latest edge
}

func (l *stopLine) signal() safety.Signal {
	untold := l.untold
	l.untold = false
	switch {
	case l.read.IsZero():
		return safety.Unknown
	case l.low || untold:
		return safety.Bad
	}
	return safety.Good
}

// watchStop calls stop at each edge, before anything else, and at each look that finds the wire Low after it was not; then again every second.
//
// Not at every look: a stop makes the drive give up what it waits for, and with one every 15 ms a serial drive would not be heard until
// the button is released.
func (w *Wall) watchStop(ctx context.Context) error {
	pin := w.pins[StopPin]
	var low bool
	var stopped time.Time
	for edge := false; ; edge = waitForStop(ctx, pin) {
		if edge {
			w.stop()
		}
		was := low
		low = pin.Read() == gpio.Low
		now := time.Now()
		switch {
		case edge:
			stopped = now
		case low && (!was || now.Sub(stopped) >= stopAgain):
			w.stop()
			stopped = now
		}
		w.noteStop(now, edge, low)
		if ctx.Err() != nil {
			return nil
		}
		if edge {
			pause(ctx, stopSettle)
		}
	}
}

// waitForStop waits for an edge, but no longer than until the next look. A line that cannot be waited for gives up at once: then the rest is waited here.
func waitForStop(ctx context.Context, pin gpio.PinIO) bool {
	begin := time.Now()
	if pin.WaitForEdge(stopEvery) { // never a time below zero: the library takes that for a time that is over
		return true
	}
	if rest := stopEvery - time.Since(begin); rest > 0 {
		pause(ctx, rest)
	}
	return false
}

// noteStop keeps what was read. A press counts as seen by its edge alone: a Low may also be a line that cannot be read, which says nothing of the button.
func (w *Wall) noteStop(now time.Time, edge, low bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l := &w.line
	l.read, l.low, l.untold = now, low, l.untold || low || edge
	if edge {
		l.pressed, l.seen = true, moment{at: now}
	}
}
