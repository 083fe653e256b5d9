package wall

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
)

func (r *rig) shown() [3]bool {
	var is [3]bool
	for i := range is {
		level, _ := r.sim.pins[LampPin+Pin(i)].output()
		is[i] = bool(level)
	}
	return is
}

func TestOutputs(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		for _, o := range []Outputs{{Lamp: true}, {Beeper: true}, {Heartbeat: true}, {true, true, true}, {}, {true, false, true}} {
			r.w.Show(o)
			r.wait(0)
			if got := r.shown(); got != [3]bool{o.Lamp, o.Beeper, o.Heartbeat} {
				t.Errorf("asked for %+v, shown is %v", o, got)
			}
		}
		if err := r.end(); err != nil {
			t.Error(err)
		}
		r.end = nil
		if got := r.shown(); got != [3]bool{} {
			t.Errorf("after the end: %v", got)
		}
	})
}

// The heartbeat is the tick's: each change comes from a call, and without calls it stands still for ever.
func TestTheWallHasNoHeartbeatOfItsOwn(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		beats := func() int { _, n := r.sim.pins[HeartbeatPin].output(); return n }
		for i := range 100 {
			r.w.Show(Outputs{Heartbeat: i%2 == 0})
			r.wait(50 * time.Millisecond)
		}
		if n := beats(); n != 100 {
			t.Errorf("%d changes in 100 ticks", n)
		}
		r.w.Show(Outputs{Lamp: true})
		r.wait(10 * time.Minute)
		if n := beats(); n != 100 {
			t.Errorf("%d changes, want the 100 of the ticks", n)
		}
	})
}

func TestAnOutputThatHangsHoldsUpNobody(t *testing.T) {
	var gate chan struct{}
	on(t, Config{}, func(p Pin, in gpio.PinIO) gpio.PinIO {
		if p != LampPin {
			return in
		}
		gate = make(chan struct{})
		return &stuckLater{PinIO: in, gate: gate}
	}, func(r *rig) {
		r.run()
		for i := range 10 {
			r.w.Show(Outputs{Lamp: true, Heartbeat: i%2 == 0}) // returns, or the bubble is stuck
			r.wait(50 * time.Millisecond)
		}
		r.do("stop press")
		if n, _ := r.stopped(); n != 1 {
			t.Errorf("%d stops", n)
		}
		r.w.Show(Outputs{Beeper: true})
		close(gate)
		r.wait(0)
		if got := r.shown(); got != [3]bool{false, true, false} {
			t.Errorf("once it is through, the latest counts: %v", got)
		}
	})
}

// stuckLater hangs in Out but for the first, which Open does.
type stuckLater struct {
	gpio.PinIO
	gate   chan struct{}
	opened bool
}

func (s *stuckLater) Out(l gpio.Level) error {
	if s.opened {
		<-s.gate
	}
	s.opened = true
	return s.PinIO.Out(l)
}

func TestAnOutputThatFailsIsTriedAgain(t *testing.T) {
	quiet(t)
	running(t, Config{}, nil, func(r *rig) {
		r.do("line broken lamp")
		r.w.Show(Outputs{Lamp: true, Beeper: true})
		r.wait(0)
		if got := r.shown(); got != [3]bool{false, true, false} {
			t.Errorf("one broken, the others not: %v", got)
		}
		r.do("line whole lamp")
		r.w.Show(Outputs{Lamp: true, Beeper: true})
		r.wait(0)
		if got := r.shown(); got != [3]bool{true, true, false} {
			t.Errorf("whole again: %v", got)
		}
	})
}
