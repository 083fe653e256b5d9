package wall

import (
	"context"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
)

// wire is a pin whose edges come from the kernel, as those of a real one do: a byte in a pipe, waited for with a deadline, which is what the
// library does with the descriptor of a line.
type wire struct {
	gpio.PinIO
	edges *os.File
}

func (w *wire) WaitForEdge(d time.Duration) bool {
	if w.edges.SetReadDeadline(time.Now().Add(d)) != nil {
		return false
	}
	var b [1]byte
	_, err := io.ReadFull(w.edges, b[:])
	return err == nil
}

// line is a backend whose stop is one write to a pipe; it notes when that returned.
type line struct {
	out  *os.File
	done chan time.Time
}

func (l *line) Stop(drive.Round) error {
	_, err := l.out.Write([]byte{0})
	select {
	case l.done <- time.Now():
	default: // of the start, and of the end
	}
	return err
}
func (l *line) Set(drive.Round, drive.Order) error       { return nil }
func (l *line) Read(drive.Round) (drive.Feedback, error) { return drive.Feedback{}, nil }
func (l *line) Close() error                             { return nil }

func pipe(b *testing.B) (r, w *os.File) {
	r, w, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { r.Close(); w.Close() })
	return r, w
}

// drained is a pipe that somebody reads empty.
func drained(b *testing.B) *os.File {
	r, w := pipe(b)
	go io.Copy(io.Discard, r)
	return w
}

// BenchmarkStopEdge: from the edge at the stop's pin to the return of the write that stops the drive, through the wall and a drive whose I/O goroutine
// runs, beside a bare loop that waits for the same edge and writes; in turns in the same run, idle and with as many busy processes as there are cores.
func BenchmarkStopEdge(b *testing.B) {
	for _, load := range []string{"idle", "loaded"} {
		b.Run(load, func(b *testing.B) {
			whole, bare := newWhole(b), newBare(b)
			if load == "loaded" {
				busy(b)
			}
			var times [2][]time.Duration
			pause := time.NewTimer(0)
			for b.Loop() {
				for i, stop := range []func() time.Duration{whole, bare} {
					pause.Reset(3 * time.Millisecond) // both sides wait again, and the drive is between two exchanges
					<-pause.C
					times[i] = append(times[i], stop())
				}
			}
			for i, who := range []string{"wall", "bare"} {
				t := times[i]
				slices.Sort(t)
				for _, p := range []struct {
					name string
					of   float64
				}{{"p50", 0.5}, {"p99", 0.99}, {"p99.9", 0.999}, {"max", 1}} {
					at := min(int(p.of*float64(len(t))), len(t)-1)
					b.ReportMetric(float64(t[at].Microseconds()), who+"-"+p.name+"-µs")
				}
			}
			b.ReportMetric(0, "ns/op") // is the pauses
		})
	}
}

// newWhole is a stop through wall and drive.
func newWhole(b *testing.B) func() time.Duration {
	edges, press := pipe(b)
	l := &line{out: drained(b), done: make(chan time.Time, 1)}
	d := drive.New(l, drive.Config{})
	c := Config{Simulated: true}
	sim := newSimulation(&c)
	w, err := open(c, func() { d.Stop(fault.StopPressed) }, func(p Pin, _ string) (gpio.PinIO, error) {
		if p == StopPin {
			return &wire{sim.pins[p], edges}, nil
		}
		return sim.pins[p], nil
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 2)
	go func() { ended <- d.Run(ctx) }()
	go func() { ended <- w.Run(ctx) }()
	b.Cleanup(func() {
		cancel()
		for range 2 {
			if err := <-ended; err != nil {
				b.Error(err)
			}
		}
	})
	<-l.done // of the first exchange
	return func() time.Duration {
		select {
		case <-l.done:
			b.Error("a stop that nobody pressed")
		default:
		}
		begin := time.Now()
		if _, err := press.Write([]byte{0}); err != nil {
			b.Fatal(err)
		}
		return (<-l.done).Sub(begin)
	}
}

// newBare is the least there is: a goroutine that waits for the edge and writes.
func newBare(b *testing.B) func() time.Duration {
	edges, press := pipe(b)
	out := drained(b)
	done := make(chan time.Time, 1)
	pin := &wire{nil, edges}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for ctx.Err() == nil {
			if pin.WaitForEdge(stopEvery) {
				out.Write([]byte{0})
				done <- time.Now()
			}
		}
	}()
	b.Cleanup(func() { cancel(); <-ended })
	return func() time.Duration {
		begin := time.Now()
		if _, err := press.Write([]byte{0}); err != nil {
			b.Fatal(err)
		}
		return (<-done).Sub(begin)
	}
}

// busy keeps every core busy with another process until the benchmark ends: an ordinary one, also where this one has the service's priority, which it would hand on.
func busy(b *testing.B) {
	for range runtime.NumCPU() {
		cmd := exec.Command("chrt", "--other", "0", "sh", "-c", "while :; do :; done")
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	}
}
