// Package wall is what hangs on wires beside the water: buttons, lamp, beeper, sensors, interlocks, the heartbeat. It stops the motor by itself and
// tells the loop the rest.
//
// One rule for all inputs: a contact switches the supply to its pin, and the pin is pulled down. A line that broke, or that the library
// cannot read, reads Low: so Low is a pressed stop, an open interlock, nobody seen, and no button pressed.
package wall

import (
	"context"
	"errors"
	"net"
	"slices"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/task"
)

// Wall is an open wall. A nil Wall is a place without one: its facts are safety.NoWall, it has no events, shows nothing, and has
// nothing to run or close.
type Wall struct {
	cfg    Config
	stop   func()
	pins   [pinCount]gpio.PinIO // nil where none
	sim    *simulation          // nil where the pins are real
	listen net.Listener         // of the simulated wall's socket; nil without
	events chan Event
	wake   chan struct{} // one place; tells the outputs that there is something to show
	closed sync.Once

	mu       sync.Mutex
	line     stopLine
	contacts [pinCount]contact // of all inputs but the stop
	changed  moment            // of the occupancy contact
	polled   time.Time         // when the contacts were last read; zero before
	want     Outputs
}

// Outputs are what the wall shows. The zero Outputs are all off.
type Outputs struct {
	Lamp, Beeper bool
	Heartbeat    bool // a level: who permits motion toggles it with each tick, the wall only hands it on
}

// Open takes the pins. Inputs are set up with their pulls, outputs are switched off. The stop function is called from a goroutine of the wall at
// each stop, before anything else is done about it; it must not block (Drive.Stop does not).
//
// A pin that cannot be had is a *PinError; then no pin is held. A place without a wall gives a nil Wall and no error.
func Open(c Config, stop func()) (*Wall, error) {
	if err := c.Check(); err != nil || !c.Present() {
		return nil, err
	}
	if !c.Simulated {
		chips, err := findChips()
		if err != nil {
			return nil, &PinError{StopPin.Key(), c.Pins[StopPin], err.Error()}
		}
		return open(c, stop, func(_ Pin, text string) (gpio.PinIO, error) { return find(chips, text) })
	}
	s := newSimulation(&c)
	w, err := open(c, stop, s.find)
	if err != nil {
		return nil, err
	}
	w.sim = s
	if c.Socket != "" {
		if w.listen, err = listen(c.Socket); err != nil {
			return nil, errors.Join(err, w.Close())
		}
	}
	return w, nil
}

// open takes the pins from wherever they are found.
func open(c Config, stop func(), find func(p Pin, text string) (gpio.PinIO, error)) (*Wall, error) {
	if c.Debounce <= 0 {
		c.Debounce = DefaultDebounce
	}
	w := &Wall{cfg: c, stop: stop, events: make(chan Event, 16), wake: make(chan struct{}, 1)}
	for p, key := range keys {
		text, given := c.Pins[Pin(p)]
		if !given {
			continue
		}
		pin, err := find(Pin(p), text)
		if other := slices.Index(w.pins[:], pin); err == nil && other >= 0 {
			err = errors.New("is " + keys[other] + " already, by another name")
		}
		if err == nil {
			w.pins[p] = pin // also where it fails below: what is half had has to be let go
			err = w.setUp(Pin(p), pin)
		}
		if err != nil {
			w.Close()
			return nil, &PinError{key, text, err.Error()}
		}
	}
	return w, nil
}

// setUp makes a pin an input or an output. Only the stop has edges, and only the falling one: each edge that comes is a stop.
func (w *Wall) setUp(p Pin, pin gpio.PinIO) error {
	if p.output() {
		return inWords(pin, pin.Out(gpio.Low))
	}
	pull, edge := gpio.PullDown, gpio.NoEdge
	if p == StopPin {
		edge = gpio.FallingEdge
	}
	if w.cfg.ButtonsToGround && p.button() {
		pull = gpio.PullUp
	}
	if w.cfg.ExternalPulls {
		pull = gpio.PullNoChange
	}
	return inWords(pin, pin.In(pull, edge))
}

// Run watches the pins until ctx is done, then switches the outputs off. A panic in one of its goroutines is a stop, and the error. After an error
// that is task.ErrHangs a goroutine still waits for a pin: then the wall must not be closed.
func (w *Wall) Run(ctx context.Context) error {
	if w == nil {
		return nil
	}
	tasks := []task.Task{
		{Name: "stop button", Run: w.watchStop},
		{Name: "buttons and sensors", Run: w.watchContacts},
		{Name: "lamp, beeper, heartbeat", Run: w.show},
	}
	if w.listen != nil {
		tasks = append(tasks, task.Task{Name: "socket of the simulated wall", Run: w.serve})
	}
	return task.Run(ctx, func(fault.Code) { w.stop() }, tasks...)
}

// Facts are what the wall knows, in the time of the caller: now is a monotonic clock of theirs, the same one at every call. One goroutine calls it:
// a stop that came and went between two calls is Bad in the later one, though the wire is good again.
func (w *Wall) Facts(now time.Duration) safety.WallFacts {
	if w == nil {
		return safety.NoWall
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	at := w.polled
	if w.line.read.Before(at) {
		at = w.line.read
	}
	return safety.WallFacts{
		At:   now - time.Since(at), // long ago where nothing was read yet
		Stop: w.line.signal(), StopSeen: w.line.pressed, SeenAt: w.line.seen.in(now),
		Occupancy: w.signal(OccupancyPin), Changed: w.changed.in(now),
		Cover: w.signal(CoverPin), Level: w.signal(LevelPin),
	}
}

func (w *Wall) signal(p Pin) safety.Signal {
	switch c := &w.contacts[p]; {
	case w.pins[p] == nil:
		return safety.Absent
	case !c.known:
		return safety.Unknown
	case c.made:
		return safety.Good
	}
	return safety.Bad
}

// Simulated reports whether the pins are not real ones: nobody can press them with a hand, and that must be said.
func (w *Wall) Simulated() bool { return w != nil && w.sim != nil }

// Close switches the outputs off and lets the pins go. Run must have returned. It works twice.
func (w *Wall) Close() error {
	if w == nil {
		return nil
	}
	var err error
	w.closed.Do(func() {
		if w.listen != nil {
			if err = w.listen.Close(); errors.Is(err, net.ErrClosed) {
				err = nil // by Run
			}
		}
		w.dark()
		for _, pin := range w.pins {
			if c, ok := pin.(interface{ Close() }); ok {
				c.Close()
			}
		}
	})
	return err
}

// moment is a point in time that is told in the caller's time, always as the same: two clocks are never read at once, and a moment that
// seemed to move would look like another one.
type moment struct {
	at   time.Time
	told time.Duration
	done bool
}

// in is the moment in the time of who reads now; 0 where there was none.
func (m *moment) in(now time.Duration) time.Duration {
	if !m.done && !m.at.IsZero() {
		m.told, m.done = now-time.Since(m.at), true
	}
	return m.told
}

// pause waits for d, or for the end.
func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
