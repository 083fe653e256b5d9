package wall

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"flume.example/sequencerd/internal/safety"
)

func TestAPressStopsAtOnce(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		if n, _ := r.stopped(); n != 0 {
			t.Fatalf("%d stops before the press", n)
		}
		if f := r.facts(); f.Stop != safety.Good || f.StopSeen {
			t.Fatalf("before the press: %+v", f)
		}
		pressed := r.now()
		r.do("stop press")
		if n, at := r.stopped(); n != 1 || at != pressed {
			t.Errorf("%d stops, the first %v after the press", n, at-pressed)
		}
		if f := r.facts(); f.Stop != safety.Bad || !f.StopSeen || f.SeenAt != pressed {
			t.Errorf("pressed at %v: %+v", pressed, f)
		}
		r.wait(500 * time.Millisecond)
		r.do("stop release")
		r.wait(20 * time.Millisecond)
		r.facts()
		if f := r.facts(); f.Stop != safety.Good || f.SeenAt != pressed {
			t.Errorf("released: %+v", f)
		}
		if n, _ := r.stopped(); n != 0 {
			t.Errorf("%d more stops by holding for half a second and letting go", n)
		}
	})
}

// The motor comes before the wall's own books: while stop is called nothing is noted yet and no lock is held.
func TestStopIsCalledFirst(t *testing.T) {
	on(t, Config{}, nil, func(r *rig) {
		called := 0
		r.w.stop = func() {
			called++
			if !r.w.mu.TryLock() {
				t.Error("stop is called with the wall's lock held")
				return
			}
			defer r.w.mu.Unlock()
			if r.w.line.pressed || r.w.line.low {
				t.Error("the stop was noted before it was called")
			}
		}
		r.run()
		r.do("stop press")
		if called != 1 {
			t.Errorf("called %d times", called)
		}
	})
}

// A stop that came and went between two ticks is told once as bad, and is seen for good.
func TestABlipLatches(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		at := r.now()
		r.do("stop blip")
		if n, first := r.stopped(); n != 1 || first != at {
			t.Errorf("%d stops, at %v", n, first)
		}
		r.wait(40 * time.Millisecond)
		if f := r.facts(); f.Stop != safety.Bad || !f.StopSeen || f.SeenAt != at {
			t.Errorf("the first facts after a blip: %+v", f)
		}
		r.wait(40 * time.Millisecond)
		// The caller read their clock a while before: the press must not seem to be another one.
		if f := r.w.Facts(r.now() - 3*time.Millisecond); f.Stop != safety.Good || !f.StopSeen || f.SeenAt != at {
			t.Errorf("the next facts: %+v", f)
		}
	})
}

func TestAWireOpenAtTheStartIsAStop(t *testing.T) {
	on(t, Config{}, nil, func(r *rig) {
		if f := r.facts(); f.Stop != safety.Unknown || f.At > -100*365*24*time.Hour {
			t.Errorf("before anything was read: %+v", f)
		}
		r.sim.pins[StopPin].level = gpio.Low // without an edge
		r.run()
		if n, first := r.stopped(); n != 1 || first != 0 {
			t.Errorf("%d stops, the first at %v", n, first)
		}
		f := r.facts()
		if f.Stop != safety.Bad {
			t.Errorf("%+v", f)
		}
	})
}

// What opens at boot and closes later says nothing of the button: only an edge does.
func TestALevelAloneIsNoPressSeen(t *testing.T) {
	quiet(t)
	running(t, Config{}, nil, func(r *rig) {
		r.do("line broken stop")
		r.wait(20 * time.Millisecond)
		if n, _ := r.stopped(); n != 1 {
			t.Errorf("%d stops within 20 ms of a line that broke, want 1", n)
		}
		r.wait(100 * time.Millisecond)
		if f := r.facts(); f.Stop != safety.Bad || f.StopSeen {
			t.Errorf("a line that broke: %+v", f)
		}
		r.do("line whole stop")
		r.wait(40 * time.Millisecond)
		r.facts()
		if f := r.facts(); f.Stop != safety.Good || f.StopSeen {
			t.Errorf("a line that came back: %+v", f)
		}
	})
}

func TestAHeldStopIsRepeatedEverySecondNoMore(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		r.do("stop press")
		r.wait(10500 * time.Millisecond)
		if n, _ := r.stopped(); n < 10 || n > 11 {
			t.Errorf("%d stops in 10.5 s, want 10 or 11", n)
		}
	})
}

// The kernel keeps 16 edges (periph's driver, Linux character device; measured): with more than that the level has the last word.
func TestMoreEdgesThanTheQueueHolds(t *testing.T) {
	for _, end := range []string{"stop release", "stop press"} {
		t.Run(end, func(t *testing.T) {
			on(t, Config{}, nil, func(r *rig) {
				for range 40 {
					r.sim.contact(StopPin, false)
					r.sim.contact(StopPin, true)
				}
				if n := len(r.sim.pins[StopPin].edges); n != 16 {
					t.Fatalf("%d edges are kept", n)
				}
				r.do(end)
				r.run() // waits 50 ms: sixteen times the settling time, and a look
				n, first := r.stopped()
				if n < 16 || first != 0 {
					t.Errorf("%d stops, the first at %v", n, first)
				}
				r.facts()
				want := safety.Good
				if end == "stop press" {
					want = safety.Bad
				}
				if f := r.facts(); f.Stop != want || !f.StopSeen {
					t.Errorf("%+v", f)
				}
			})
		})
	}
}

// observed is the stop's pin as the wall uses it.
type observed struct {
	gpio.PinIO
	t      *testing.T
	last   time.Time // read
	most   time.Duration
	edge   bool // came, and was not read after
	unread int
}

func (o *observed) Read() gpio.Level {
	if !o.last.IsZero() {
		o.most = max(o.most, time.Since(o.last))
	}
	o.last, o.edge = time.Now(), false
	return o.PinIO.Read()
}

func (o *observed) WaitForEdge(d time.Duration) bool {
	if d <= 0 || d > 20*time.Millisecond {
		o.t.Errorf("a wait of %v: the library takes less than 0 for over, 0 for ever", d)
	}
	if o.edge {
		o.unread++
	}
	o.edge = o.PinIO.WaitForEdge(d)
	return o.edge
}

// Whatever happens at random, the promises hold: a stop at once, every wait bounded, the level read after each edge and at least every 20 ms.
func TestTheStopAtRandom(t *testing.T) {
	quiet(t)
	for seed := range uint64(20) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 1))
			var pin *observed
			running(t, Config{}, func(p Pin, in gpio.PinIO) gpio.PinIO {
				if p == StopPin {
					pin = &observed{PinIO: in, t: t}
					return pin
				}
				return in
			}, func(r *rig) {
				low, broken, seen := false, false, false
				for range 500 {
					do := []string{"stop press", "stop release", "stop blip", "stop open", "line broken stop", "line whole stop"}[rnd.IntN(6)]
					at := r.now()
					within := time.Duration(0)
					must := false
					switch do {
					case "stop press", "stop open":
						must, low = !low && !broken, true
						seen = seen || must
					case "stop blip":
						must = !broken && !low
						seen = seen || must
						low = false
					case "stop release":
						low = false
					case "line broken stop":
						must, broken, within = !broken && !low, true, 20*time.Millisecond
					case "line whole stop":
						broken = false
					}
					r.stopped()
					r.do(do)
					r.wait(20 * time.Millisecond)
					n, first := r.stopped()
					if must && (n == 0 || first-at > within) {
						t.Fatalf("%s: %d stops, the first after %v", do, n, first-at)
					}
					if rnd.IntN(2) == 0 {
						r.wait(time.Duration(rnd.IntN(100)) * time.Millisecond)
					}
					r.facts()
					f := r.facts()
					if bad := f.Stop == safety.Bad; bad != (low || broken) || f.StopSeen != seen {
						t.Fatalf("after %s: low %v, broken %v, seen %v, but %+v", do, low, broken, seen, f)
					}
					if r.now()-f.At > 20*time.Millisecond {
						t.Fatalf("the facts are %v old", r.now()-f.At)
					}
				}
			})
			if pin.most > 20*time.Millisecond || pin.unread > 0 {
				t.Errorf("%v between two looks at the level; %d edges without one", pin.most, pin.unread)
			}
		})
	}
}

// stuck is a pin that does not answer while its gate is closed.
type stuck struct {
	gpio.PinIO
	gate chan struct{}
}

func (s *stuck) Read() gpio.Level                  { <-s.gate; return s.PinIO.Read() }
func (s *stuck) Out(l gpio.Level) error            { <-s.gate; return s.PinIO.Out(l) }
func (s *stuck) In(p gpio.Pull, e gpio.Edge) error { return s.PinIO.In(p, e) }

// Another pin that hangs delays no stop, and the facts grow old.
func TestAPinThatHangsDelaysNoStop(t *testing.T) {
	var gate chan struct{}
	on(t, Config{}, func(p Pin, in gpio.PinIO) gpio.PinIO {
		if gate == nil {
			gate = make(chan struct{})
		}
		if p == CoverPin {
			return &stuck{in, gate}
		}
		return in
	}, func(r *rig) {
		r.run()
		r.wait(time.Second)
		at := r.now()
		r.do("stop press")
		if n, first := r.stopped(); n != 1 || first != at {
			t.Errorf("%d stops, the first after %v", n, first-at)
		}
		if f := r.facts(); f.Stop != safety.Bad || f.Cover != safety.Unknown || f.At > 0 {
			t.Errorf("%+v", f)
		}
		close(gate)
		r.wait(50 * time.Millisecond)
		if f := r.facts(); f.Cover != safety.Good || r.now()-f.At > 20*time.Millisecond {
			t.Errorf("once it answers: %+v", f)
		}
	})
}

// A stop that cannot be read any more makes the facts grow old, however well the rest is read.
func TestAStopThatHangsMakesTheFactsOld(t *testing.T) {
	on(t, Config{}, func(p Pin, in gpio.PinIO) gpio.PinIO {
		if p == StopPin {
			return &hanging{PinIO: in, until: time.Now().Add(time.Second)}
		}
		return in
	}, func(r *rig) {
		r.run()
		r.wait(500 * time.Millisecond)
		if f := r.facts(); f.At > 0 || f.Stop != safety.Unknown {
			t.Errorf("never read: %+v", f)
		}
		r.wait(time.Second)
		if f := r.facts(); r.now()-f.At > 20*time.Millisecond {
			t.Errorf("read: %+v", f)
		}
	})
}

// hanging does not answer until then.
type hanging struct {
	gpio.PinIO
	until time.Time
}

func (h *hanging) Read() gpio.Level { <-time.After(time.Until(h.until)); return h.PinIO.Read() }

// A panic in one of the wall's goroutines is a stop, and the wall's end.
func TestAPanicIsAStop(t *testing.T) {
	quiet(t)
	on(t, Config{}, func(p Pin, in gpio.PinIO) gpio.PinIO {
		if p == PressPin {
			return &bomb{in}
		}
		return in
	}, func(r *rig) {
		err := r.w.Run(context.Background())
		if n, _ := r.stopped(); n != 1 || err == nil {
			t.Errorf("%d stops, error %v", n, err)
		}
	})
}

type bomb struct{ gpio.PinIO }

func (b *bomb) Read() gpio.Level { panic("wet") }
