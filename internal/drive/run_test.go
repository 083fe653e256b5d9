package drive_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/fault"
)

// bench is a drive at work on a wire, in a bubble of virtual time.
type bench struct {
	*drive.Drive
	wire  *wire
	end   context.CancelFunc
	ended chan error
}

// atWork runs a drive whose motor turns at 500 rpm.
func atWork(t *testing.T, c drive.Config) *bench {
	w := new(wire)
	c.Model = model(t)
	ctx, cancel := context.WithCancel(t.Context())
	b := &bench{drive.New(w, c), w, cancel, make(chan error, 1)}
	go func() { b.ended <- b.Run(ctx) }()
	synctest.Wait()
	if !b.Unlatch(drivetest.Release(1)) {
		t.Fatal("a release of the first stop does not unlatch")
	}
	b.swim(time.Second)
	if got := b.motor(); got != 500 {
		t.Fatalf("the motor turns at %v rpm, want 500", got)
	}
	return b
}

// swim is a control loop for so long.
func (b *bench) swim(d time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for range d / every {
		b.Set(clear(1))
		<-tick.C
	}
	synctest.Wait()
}

func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (b *bench) motor() float64 { return b.wire.Motor.Motor(b.Report().Now).RPM() }

func (b *bench) finish(t *testing.T) {
	t.Helper()
	b.end()
	if err := <-b.ended; err != nil {
		t.Errorf("Run: %v", err)
	}
}

func TestRunKeepsAbsoluteTimes(t *testing.T) {
	for _, c := range []struct {
		what string
		took time.Duration // by each read
		want []int         // ms
	}{
		{"a quick link", 0, []int{0, 50, 100, 150, 200}},
		{"a link that takes a while", 30 * time.Millisecond, []int{0, 50, 100, 150, 200}},
		{"a link that is too slow leaves out, and shifts nothing", 60 * time.Millisecond, []int{0, 100, 200, 300, 400}},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := new(wire)
				var at []int
				w.before(func(call string, r drive.Round) error {
					if call == "read" {
						at = append(at, int(r.Elapsed.Milliseconds()))
						<-time.After(c.took)
					}
					return nil
				})
				d := drive.New(w, drive.Config{Model: model(t)})
				ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
				defer cancel()
				if err := d.Run(ctx); err != nil {
					t.Error(err)
				}
				if !slices.Equal(at[:5], c.want) {
					t.Errorf("exchanges at %v ms, want %v", at[:5], c.want)
				}
				for _, ms := range at[:len(at)-1] { // the last one is the stop at the end
					if ms%50 != 0 {
						t.Fatalf("an exchange at %d ms: the times drift", ms)
					}
				}
			})
		})
	}
}

func TestStopEndsWaits(t *testing.T) {
	for _, call := range []string{"set 500", "read"} {
		t.Run(call, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := atWork(t, drive.Config{Timeout: time.Hour})
				b.wire.before(func(c string, r drive.Round) error {
					if c == call {
						<-r.Stop
						return errors.New("gave up")
					}
					return nil
				})
				b.Set(clear(1))
				pass(every) // the wait has begun
				b.wire.called()
				begun := time.Now()
				b.Stop(fault.StopPressed)
				b.wire.before(nil)
				synctest.Wait()
				if p := b.Report(); p.Carried != p.Stops || p.Link != nil || time.Since(begun) != 0 {
					t.Errorf("%v after the stop: %+v", time.Since(begun), p)
				}
				b.wire.want(t, "stop", "read")
				b.finish(t)
			})
		})
	}
}

func TestStopNeedsNoTick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		pass(every / 2)
		b.wire.called()
		b.Stop(fault.StopPressed)
		synctest.Wait()
		b.wire.want(t, "stop", "read")
		pass(2 * time.Second)
		if got := b.motor(); got != 0 {
			t.Errorf("the motor turns at %v rpm", got)
		}
		b.finish(t)
	})
}

func TestLoopWatchdogInRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		pass(drive.DefaultSilence - 2*every)
		if p := b.Report(); p.Latched {
			t.Fatalf("latched (%s) too early", p.Why)
		}
		pass(3 * every)
		if p := b.Report(); !p.Latched || p.Why != fault.LoopSilent || p.Carried != p.Stops {
			t.Errorf("the control loop has ended, and the drive reports %+v", p)
		}
		pass(time.Second)
		if got := b.motor(); got != 0 {
			t.Errorf("the motor turns at %v rpm", got)
		}
		b.finish(t)
	})
}

// TestHangingBackend: a backend that ignores its time-out and the stop can keep the stop from the motor (the drive's own link-loss stop is there for
// that), but not the latch, nor the news of it, and what was permitted before it came back is not acted on.
func TestHangingBackend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		back := make(chan struct{})
		b.wire.before(func(call string, _ drive.Round) error {
			<-back
			return nil
		})
		b.swim(2 * time.Second)
		if p := b.Report(); p.Link == nil || p.Now-p.At < time.Second {
			t.Errorf("a backend hangs, and the drive reports %+v", p)
		}
		if got := b.motor(); got != 0 {
			t.Errorf("the drive's link-loss stop has left the motor at %v rpm", got)
		}
		b.Stop(fault.LinkLost)
		if p := b.Report(); !p.Latched || p.Why != fault.LinkLost || p.Carried == p.Stops {
			t.Errorf("stopped while a backend hangs: %+v", p)
		}
		b.wire.called()
		b.wire.before(nil)
		close(back)
		synctest.Wait()
		b.wire.want(t, "stop", "read")
		pass(every)
		if p := b.Report(); p.Link != nil || p.Carried != p.Stops {
			t.Errorf("the backend is back, and the drive reports %+v", p)
		}
		b.finish(t)
	})
}

func TestHangingBackendComesBackToAnOldPermission(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		back := make(chan struct{})
		b.wire.before(func(string, drive.Round) error { <-back; return nil })
		b.swim(time.Second)
		pass(drive.DefaultSilence) // and the control loop is gone
		b.wire.called()
		b.wire.before(nil)
		close(back)
		pass(every)
		if got := b.wire.called(); slices.ContainsFunc(got, func(c string) bool { return strings.HasPrefix(c, "set") }) {
			t.Errorf("a permission from long ago was acted on: %v", got)
		}
		if p := b.Report(); p.Why != fault.LoopSilent || !p.Latched {
			t.Errorf("report: %+v", p)
		}
		b.finish(t)
	})
}

func TestOverdueExchangeShows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		back := make(chan struct{})
		b.wire.before(func(string, drive.Round) error { <-back; return nil })
		b.Set(clear(1))
		pass(every + drive.DefaultTimeout - time.Millisecond)
		if p := b.Report(); p.Link != nil {
			t.Errorf("trouble before the time-out is over: %v", p.Link)
		}
		pass(2 * time.Millisecond)
		if p := b.Report(); p.Link == nil {
			t.Error("the time-out is over, and nobody says so")
		}
		close(back)
		b.finish(t)
	})
}

func TestSlowSetIsAFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		b.wire.before(func(call string, _ drive.Round) error {
			if call == "read" {
				t.Error("a read after the time-out of its exchange")
			}
			<-time.After(drive.DefaultTimeout)
			return nil
		})
		b.Set(clear(1))
		pass(every + drive.DefaultTimeout)
		if p := b.Report(); p.Link == nil {
			t.Error("an exchange that took all its time without a read counts as good")
		}
		b.wire.before(nil)
		b.finish(t)
	})
}

func TestPanicIsAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		b.wire.before(func(call string, _ drive.Round) error {
			if call == "read" {
				panic("index out of range")
			}
			return nil
		})
		b.wire.called()
		b.Set(clear(1))
		err := <-b.ended
		if err == nil || !strings.Contains(err.Error(), "index out of range") || !strings.Contains(err.Error(), "run_test.go") {
			t.Errorf("Run returned %v, want the panic and its stack", err)
		}
		if p := b.Report(); !p.Latched || p.Why != fault.ProgramPanic || p.Link == nil || p.Carried != p.Stops-1 && p.Carried != p.Stops {
			t.Errorf("report after a panic: %+v", p)
		}
		if got := b.wire.called(); !slices.Contains(got, "stop") {
			t.Errorf("the stop was not delivered: %v", got)
		}
		if got := b.wire.Motor.Motor(b.Report().Now + 600*time.Millisecond).RPM(); got != 0 {
			t.Errorf("the motor turns at %v rpm", got)
		}
	})
}

func TestRunEndsWithAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		b.end()
		if err := <-b.ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		if p := b.Report(); !p.Latched || p.Why != fault.ProgramEnds || p.Carried != p.Stops {
			t.Errorf("report: %+v", p)
		}
		if got := b.wire.Motor.Motor(b.Report().Now + 600*time.Millisecond).RPM(); got != 0 {
			t.Errorf("the motor turns at %v rpm", got)
		}
		for range 2 {
			if err := b.Close(); err != nil {
				t.Errorf("Close: %v", err)
			}
		}
	})
}

func TestRunThatCannotStopSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		b.wire.before(func(string, drive.Round) error { return errors.New("no answer") })
		b.wire.called()
		b.end()
		err := <-b.ended
		if err == nil || !strings.Contains(err.Error(), "no answer") {
			t.Errorf("Run returned %v, want that the stop got nowhere and why", err)
		}
		if n := strings.Count(fmt.Sprint(b.wire.called()), "stop"); n != 5 {
			t.Errorf("%d tries to stop, want 5", n)
		}
	})
}

// TestManyCallers is for the race detector, and for the last stop that must win.
func TestManyCallers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := atWork(t, drive.Config{})
		var all sync.WaitGroup
		for i := range 8 {
			all.Go(func() {
				for n := range 200 {
					switch (i + n) % 4 {
					case 0:
						b.Stop(fault.StopPressed)
					case 1:
						b.Unlatch(drivetest.Release(b.Report().Stops))
					default:
						b.Set(clear(2))
					}
					<-time.After(time.Duration(1+(i*n)%17) * time.Millisecond)
				}
			})
		}
		all.Wait()
		b.Stop(fault.StopPressed)
		pass(2 * time.Second)
		if p := b.Report(); p.Carried != p.Stops || p.Enabled || b.motor() != 0 {
			t.Errorf("after the last stop: %+v, the motor turns at %v rpm", p, b.motor())
		}
		b.finish(t)
	})
}
