package serial

import (
	"context"
	"errors"
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

// spoiled is a backend whose listener panics once it is told to: it sends on a channel that is closed.
type spoiled struct {
	*Backend
	now atomic.Bool
}

func (s *spoiled) Read(r drive.Round) (drive.Feedback, error) {
	if s.now.CompareAndSwap(true, false) {
		close(s.master.port.news)
	}
	return s.Backend.Read(r)
}

// A panic in the goroutine that listens to the line stops the motor, over the line, and ends what task runs, which is the program. The drive's own
// link-loss stop is put off, so that it is not the one to do it.
func TestListenerThatPanics(t *testing.T) {
	t.Parallel()
	line, far, ok := independent(t, "plain")
	if !ok {
		return
	}
	c := config(t, line, "oxbow-f.toml")
	c.LinkLoss = 10 * time.Second
	back, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	s := &spoiled{Backend: back}
	d := drive.New(s, drive.Config{Model: flume(t)})
	b := &bench{d, t, line, far}
	ended := make(chan error, 1)
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(func() { cancel(); _ = d.Close() })
	go func() {
		ended <- task.Run(ctx, d.Stop, task.Task{Name: "drive", Run: d.Run}, task.Task{Name: "permissions", Run: func(ctx context.Context) error {
			tick := time.NewTicker(drive.DefaultEvery)
			defer tick.Stop()
			for ctx.Err() == nil {
				d.Set(drivetest.Clear(flume(t).Steady(units.RPM(900)), units.Accel{}))
				<-tick.C
			}
			return nil
		}})
	}()
	b.start()
	s.now.Store(true)
	spoiled := time.Now()
	err = <-ended
	if err == nil || !strings.Contains(err.Error(), "send on closed channel") || !strings.Contains(err.Error(), "listener of the serial line") {
		t.Errorf("task.Run returned %v, want the listener's panic", err)
	}
	if p := d.Report(); !p.Latched || p.Why != fault.ProgramPanic || p.Carried+1 < p.Stops { // task latches one more, of a drive that has ended
		t.Errorf("after the panic: %+v", p)
	}
	b.until("at rest", b.atRest)
	t.Logf("all has ended and the motor stands %v after the panic", time.Since(spoiled).Round(ms))
}

// The listener fails at any moment of an exchange: whoever then finds the line broken hears why, and does not open it anew as if its adapter had been pulled.
func TestABrokenLineTellsWhyItIs(t *testing.T) {
	for range 2000 {
		p := &port{failed: task.NewFailures()}
		heard, begin := make(chan bool), make(chan struct{})
		go func() {
			defer func() { heard <- recover() != nil }()
			close(begin)
			for !p.broken() {
			}
		}()
		<-begin
		p.fail(errors.New("send on closed channel"))
		if !<-heard {
			t.Fatal("the line is broken, and nobody says why")
		}
	}
}
