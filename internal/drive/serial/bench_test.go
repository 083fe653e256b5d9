package serial

import (
	"context"
	"slices"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// BenchmarkTick is one tick's exchange with an independent drive at 19200 baud, against the time that its characters take on the wire. It has to fit 50 ms.
func BenchmarkTick(b *testing.B) {
	type bench struct {
		name, drive, file string
		how               func(*Config)
	}
	var all []bench
	for _, k := range kinds {
		all = append(all, bench{k.drive, k.drive, k.file, func(*Config) {}})
	}
	// A flow sensor that takes a request of its own, once a second.
	all = append(all, bench{"sensor", "velocity", "tarnholm-v.toml", func(c *Config) { c.Map = sensing(b, "tarnholm-v.toml") }})
	for _, k := range all {
		b.Run(k.name, func(b *testing.B) {
			line, far, ok := independent(b, k.drive)
			if !ok {
				return
			}
			far.Tell("flow 1")
			w := atWorkWith(b, line, far, k.file, k.how)
			w.start()
			w.line.Said()
			var took []time.Duration
			for b.Loop() { // Run does the exchanges; a round is from one request to the last answer before the next tick
				reads := w.Report().Reads
				w.until("a tick", func() bool { return w.Report().Reads > reads })
			}
			var chars int
			var first, last time.Time
			for _, c := range append(w.line.Said(), linetest.Chunk{FromMaster: true, At: time.Now().Add(time.Hour)}) {
				if c.FromMaster && c.At.Sub(last) > 12*ms && !first.IsZero() { // a new tick
					took = append(took, last.Sub(first))
					first = time.Time{}
				}
				if first.IsZero() {
					first = c.At
				}
				last = c.At.Add(wire(len(c.Bytes)))
				chars += len(c.Bytes)
			}
			slices.Sort(took)
			n := len(took)
			bare := wire(chars) / time.Duration(n)
			b.ReportMetric(took[n/2].Seconds()*1000, "ms/p50")
			b.ReportMetric(took[n*99/100].Seconds()*1000, "ms/p99")
			b.ReportMetric(bare.Seconds()*1000, "ms/bare-wire")
			b.ReportMetric(took[n/2].Seconds()/bare.Seconds(), "x/bare-wire")
			b.ReportMetric(0, "ns/op")
			w.stop()
		})
	}
}

func wire(chars int) time.Duration { return time.Duration(chars) * 11 * time.Second / 19200 }

// BenchmarkStop is from a stop that is pressed at some instant to the moment when its frame begins on the line at 19200 baud: at most one exchange that is
// under way comes before it; on a line whose drive is silent, that one's time-out. A flow sensor that takes a request of its own, once a
// second, changes nothing in that.
func BenchmarkStop(b *testing.B) {
	for _, k := range []struct {
		name           string
		silent, sensor bool
	}{{"answering", false, false}, {"silent", true, false}, {"sensor", false, true}} {
		b.Run(k.name, func(b *testing.B) {
			line, far, ok := independent(b, "velocity")
			if !ok {
				return
			}
			silent, c := k.silent, config(b, line, "tarnholm-v.toml")
			if k.sensor {
				c.Map = sensing(b, "tarnholm-v.toml")
				far.Tell("flow 1")
			}
			back, err := New(c)
			if err != nil {
				b.Fatal(err)
			}
			d := drive.New(back, drive.Config{Model: flume(b)})
			ctx, cancel := context.WithCancel(context.Background())
			done := make(chan error, 1)
			go func() { done <- d.Run(ctx) }()
			defer func() { cancel(); <-done; _ = back.Close() }()
			w := &bench{Drive: d, t: b, line: line}
			w.until("a link", func() bool { p := d.Report(); return p.Reads > 0 && p.Carried == p.Stops })
			line.Cut(silent)
			var took []time.Duration
			instant := 3 * ms
			for b.Loop() {
				d.Unlatch(drivetest.Release(d.Report().Stops))
				d.Set(drivetest.Clear(flume(b).Steady(units.RPM(900)), units.Accel{}))
				<-time.After(50*ms + instant)
				instant = (instant + 7*ms) % (50 * ms)
				line.Said()
				pressed := time.Now()
				d.Stop(fault.StopPressed)
				var at time.Time
				w.until("a stop on the line", func() bool {
					for _, c := range line.Said() {
						if c.FromMaster && c.At.After(pressed) && len(c.Bytes) > 6 && c.Bytes[1] == writeMultiple && c.Bytes[5] == 1 && c.Bytes[8] == quickStop {
							at = c.At
						}
					}
					return !at.IsZero()
				})
				took = append(took, at.Sub(pressed))
			}
			slices.Sort(took)
			n := len(took)
			b.ReportMetric(took[n/2].Seconds()*1000, "ms/p50")
			b.ReportMetric(took[n*99/100].Seconds()*1000, "ms/p99")
			b.ReportMetric(took[n-1].Seconds()*1000, "ms/max")
			b.ReportMetric(0, "ns/op")
		})
	}
}
