package wall

import (
	"context"
	"log/slog"
	"time"

	"periph.io/x/conn/v3/gpio"
)

const (
	contactEvery = 10 * time.Millisecond // between two looks at all contacts
	holdTime     = 2 * time.Second       // a press as long as this is a hold
)

// Kind says what somebody did.
type Kind uint8

// The kinds of events.
const (
	Pressed      Kind = iota // the button went down; it may become a hold
	Held                     // it has been down for two seconds
	HeldReleased             // it came up after a hold
	Slower
	Faster
	Skip
)

var kinds = [...]string{"pressed", "held", "released after a hold", "slower", "faster", "skip"}

// String names the kind for the log.
func (k Kind) String() string { return kinds[k] }

// Event is something that somebody did with a button other than stop.
type Event struct {
	Kind Kind
	At   time.Time
}

// Events are the presses, as they come; nil for a nil Wall. Pressed comes when the button goes down, so that a pause is quick: a hold is a Pressed,
// two seconds later a Held, and a HeldReleased when it comes up. Slower, Faster and Skip come once a press, however long.
// A button that was down when the wall was opened says nothing until it has been up. Who does not read loses what is new: nothing waits here.
func (w *Wall) Events() <-chan Event {
	if w == nil {
		return nil
	}
	return w.events
}

// contact is an input that is debounced. The zero contact is unknown.
type contact struct {
	known, made bool      // what counts; made: the contact is closed
	now         bool      // what was read last
	since       time.Time // and since when; zero before the first
}

// look takes in what is read, and reports whether what counts has changed: not when it becomes known.
func (c *contact) look(made bool, at time.Time, debounce time.Duration) bool {
	if c.since.IsZero() || made != c.now {
		c.now, c.since = made, at
	}
	if c.known && c.made == made || at.Sub(c.since) < debounce {
		return false
	}
	was := c.known
	c.known, c.made = true, made
	return was
}

// watchContacts looks at all inputs but the stop. Nobody presses for less than a few looks, so edges are not needed.
func (w *Wall) watchContacts(ctx context.Context) error {
	ticker := time.NewTicker(contactEvery)
	defer ticker.Stop()
	var h hold
	for {
		w.lookAtContacts(&h)
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

func (w *Wall) lookAtContacts(h *hold) {
	begin := time.Now()
	var made, changed [pinCount]bool
	for p := PressPin; p <= LevelPin; p++ {
		if pin := w.pins[p]; pin != nil {
			made[p] = (pin.Read() == gpio.High) != (w.cfg.ButtonsToGround && p.button())
		}
	}
	now := time.Now()

	w.mu.Lock()
	for p := PressPin; p <= LevelPin; p++ {
		if w.pins[p] != nil {
			changed[p] = w.contacts[p].look(made[p], now, w.cfg.Debounce)
			made[p] = w.contacts[p].made
		}
	}
	if changed[OccupancyPin] {
		w.changed = moment{at: now}
	}
	w.polled = begin
	w.mu.Unlock()

	if k, ok := h.look(changed[PressPin], made[PressPin], now); ok {
		w.tell(k, now)
	}
	for p := SlowerPin; p <= SkipPin; p++ {
		if changed[p] && made[p] {
			w.tell(Slower+Kind(p-SlowerPin), now)
		}
	}
}

// hold is the button that is pressed or held.
type hold struct {
	down time.Time // since when; zero while it is up
	held bool
}

func (h *hold) look(changed, made bool, now time.Time) (Kind, bool) {
	switch {
	case changed && made:
		*h = hold{down: now}
		return Pressed, true
	case changed:
		was := h.held
		*h = hold{}
		return HeldReleased, was
	case !h.down.IsZero() && !h.held && now.Sub(h.down) >= holdTime:
		h.held = true
		return Held, true
	}
	return 0, false
}

func (w *Wall) tell(k Kind, at time.Time) {
	select {
	case w.events <- Event{k, at}:
	default:
		slog.Error("a press at the wall is lost: nobody takes them", "press", k.String())
	}
}
