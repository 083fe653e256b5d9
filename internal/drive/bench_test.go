package drive_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// nothing is a backend that costs nothing, and tells when a stop reaches it.
type nothing struct{ stopped chan time.Time }

func (nothing) Set(drive.Round, drive.Order) error { return nil }
func (nothing) Read(drive.Round) (drive.Feedback, error) {
	return drive.Feedback{Motor: units.RPM(500)}, nil
}
func (nothing) Close() error { return nil }
func (n nothing) Stop(drive.Round) error {
	select {
	case n.stopped <- time.Now():
	default:
	}
	return nil
}

// BenchmarkExchange is what the drive adds to its backend in each round. Goal: at most 100 ns, without allocation.
func BenchmarkExchange(b *testing.B) {
	d := drive.New(nothing{}, drive.Config{Model: model(b)})
	d.Exchange(0)
	d.Unlatch(drivetest.Release(1))
	d.Set(clear(1))
	b.ReportAllocs()
	for b.Loop() {
		d.Exchange(0)
	}
}

// BenchmarkTick is a round as a rehearsal does it: permission, exchange, report.
func BenchmarkTick(b *testing.B) {
	d := drive.New(nothing{}, drive.Config{Model: model(b)})
	d.Exchange(0)
	d.Unlatch(drivetest.Release(1))
	c, now := clear(1), time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		now += every
		d.Set(c)
		d.Exchange(now)
		d.Report()
	}
}

// BenchmarkStopLatency is from the call of Stop to the backend being called, with the I/O goroutine at work; and how long the call itself takes.
func BenchmarkStopLatency(b *testing.B) {
	n := nothing{stopped: make(chan time.Time, 1)}
	d := drive.New(n, drive.Config{Model: model(b)})
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error)
	go func() { ended <- d.Run(ctx) }()
	<-n.stopped
	var entered, returned []time.Duration
	b.ReportAllocs()
	for b.Loop() {
		d.Unlatch(drivetest.Release(d.Report().Stops))
		d.Set(clear(1))
		begun := time.Now()
		d.Stop(fault.StopPressed)
		returned = append(returned, time.Since(begun))
		entered = append(entered, (<-n.stopped).Sub(begun))
	}
	cancel()
	if err := <-ended; err != nil {
		b.Error(err)
	}
	slices.Sort(entered)
	slices.Sort(returned)
	for _, p := range []struct {
		name string
		of   float64
	}{{"p50", 0.5}, {"p99", 0.99}, {"p99.9", 0.999}} {
		i := int(p.of * float64(len(entered)-1))
		b.ReportMetric(float64(entered[i].Nanoseconds())/1e3, p.name+"-µs")
		b.ReportMetric(float64(returned[i].Nanoseconds())/1e3, "call-"+p.name+"-µs")
	}
}
