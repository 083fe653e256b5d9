package wall

import (
	"context"
	"errors"
	"io"
	"log"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"

	"flume.example/sequencerd/internal/safety"
)

// rig is a running wall over simulated pins, with a clock of its own and every stop noted.
type rig struct {
	t     *testing.T
	w     *Wall
	sim   *simulation
	begin time.Time
	end   func() error

	mu    sync.Mutex
	stops []time.Duration // when
}

// on runs a test in a bubble with a wall that was opened but not run. Each pin goes through wrap first, where that is not nil.
func on(t *testing.T, c Config, wrap func(Pin, gpio.PinIO) gpio.PinIO, test func(r *rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, begin: time.Now()}
		c.Simulated = true
		r.sim = newSimulation(&c)
		w, err := open(c, r.stop, func(p Pin, text string) (gpio.PinIO, error) {
			pin, err := r.sim.find(p, text)
			if wrap != nil {
				pin = wrap(p, pin)
			}
			return pin, err
		})
		if err != nil {
			t.Fatal(err)
		}
		w.sim, r.w = r.sim, w
		test(r)
		if r.end != nil {
			if err := r.end(); err != nil {
				t.Errorf("the wall ended with %v", err)
			}
		}
		if err := errors.Join(w.Close(), w.Close()); err != nil {
			t.Error(err)
		}
	})
}

// running is on, with the wall run.
func running(t *testing.T, c Config, wrap func(Pin, gpio.PinIO) gpio.PinIO, test func(r *rig)) {
	t.Helper()
	on(t, c, wrap, func(r *rig) { r.run(); test(r) })
}

func (r *rig) run() {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.w.Run(ctx) }()
	r.end = func() error { cancel(); return <-ended }
	r.wait(50 * time.Millisecond)
}

func (r *rig) now() time.Duration { return time.Since(r.begin) }

func (r *rig) stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stops = append(r.stops, r.now())
}

// stopped is how often stop was called since this was last asked, and when first.
func (r *rig) stopped() (n int, first time.Duration) {
	synctest.Wait()
	r.mu.Lock()
	defer r.mu.Unlock()
	n = len(r.stops)
	if n > 0 {
		first = r.stops[0]
	}
	r.stops = nil
	return n, first
}

// wait lets time pass.
func (r *rig) wait(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (r *rig) do(line string) {
	r.t.Helper()
	if _, err := r.w.Command(r.t.Context(), line); err != nil {
		r.t.Fatal(err)
	}
	synctest.Wait()
}

func (r *rig) facts() safety.WallFacts { return r.w.Facts(r.now()) }

// events are those that came since this was last asked.
func (r *rig) events() (all []Kind) {
	synctest.Wait()
	for {
		select {
		case e := <-r.w.Events():
			all = append(all, e.Kind)
		default:
			return all
		}
	}
}

// quiet keeps what is logged on purpose out of the test's output.
func quiet(t *testing.T) {
	old, was := slog.Default(), log.Writer()
	slog.SetDefault(slog.New(slog.DiscardHandler))
	log.SetOutput(io.Discard)
	t.Cleanup(func() { slog.SetDefault(old); log.SetOutput(was) })
}
