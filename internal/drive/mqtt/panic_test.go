package mqtt

import (
	"context"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
)

// spoiled is a backend that makes a goroutine of its link panic once it is told to.
type spoiled struct {
	*backend
	spoil func(*backend)
	now   atomic.Bool
}

func (s *spoiled) Read(r drive.Round) (drive.Feedback, error) {
	if s.now.CompareAndSwap(true, false) {
		s.spoil(s.backend)
	}
	return s.backend.Read(r)
}

// A panic in a goroutine of the link stops the motor, and ends what task runs, which is the program.
func TestGoroutineOfTheLinkThatPanics(t *testing.T) {
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	for _, c := range []struct {
		who, says string
		spoil     func(*backend)
		carried   bool // the link still carries the stop; else the node's own link-loss stop is what is left
	}{
		{"who listens", "listener to the broker: panic: send on closed channel", func(b *backend) { close(b.wake) }, true},
		{"who keeps the link up", "link to the broker: panic: close of closed channel", func(b *backend) { c, _ := b.link.now(); close(c.lost) }, false},
	} {
		t.Run(c.who, func(t *testing.T) {
			m := newMosquitto(t, "")
			p := newPool(t, m.as("node", 0))
			s := &spoiled{backend: open(t, m.as("flume", 0)).(*backend), spoil: c.spoil}
			d := drive.New(s, drive.Config{Model: flume(t)})
			ended := make(chan error, 1)
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			go func() {
				ended <- task.Run(ctx, d.Stop, task.Task{Name: "drive", Run: d.Run}, task.Task{Name: "permissions", Run: func(ctx context.Context) error {
					tick := time.NewTicker(drive.DefaultEvery)
					defer tick.Stop()
					for ctx.Err() == nil {
						d.Unlatch(drivetest.Release(1)) // the stop at the begin, and none after it
						d.Set(drivetest.Clear(flume(t).Steady(units.RPM(1000)), units.Accel{}))
						<-tick.C
					}
					return nil
				}})
			}()
			until(t, "the motor turns", 5*time.Second, func() bool { return p.rpm() > 995 })
			s.now.Store(true)
			spoiled := time.Now()
			err := <-ended
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("task.Run returned %v, want %s", err, c.says)
			}
			r := d.Report()
			if !r.Latched || r.Why != fault.ProgramPanic || c.carried && r.Carried+1 < r.Stops { // task latches one more, of a drive that has ended
				t.Errorf("after the panic: %+v", r)
			}
			until(t, "the motor is at rest", 2*time.Second, p.rests)
			t.Logf("all has ended and the motor stands %v after the panic", time.Since(spoiled).Round(ms))
		})
	}
}
