package panel

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
)

// streams opens status streams and reads them, counting events.
func (r *rig) streams(n int, events *atomic.Int64) (stop func()) {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	client := &http.Client{Transport: &http.Transport{MaxConnsPerHost: n + 1}}
	for range n {
		wait.Go(func() {
			req, _ := http.NewRequestWithContext(ctx, "GET", r.base+"/api/v1/events", nil)
			resp, err := client.Do(req)
			if err != nil {
				return
			}
			defer resp.Body.Close()
			lines := bufio.NewScanner(resp.Body)
			for lines.Scan() {
				if strings.HasPrefix(lines.Text(), "data: ") {
					events.Add(1)
				}
			}
		})
	}
	return func() { cancel(); wait.Wait() }
}

// Under load every stream goes on and every request is answered. How late ticks and stops become is measured by BenchmarkUnderLoad.
func TestLoad(t *testing.T) {
	r := newRig(t, options{})
	var events atomic.Int64
	stop := r.streams(200, &events)
	defer stop()
	r.until("200 streams", func(*status) bool { return r.panel.hub.count() == 200 })
	const seconds = 3
	tick := time.NewTicker(time.Second / 50)
	defer tick.Stop()
	before := events.Load()
	for range seconds * 50 {
		<-tick.C
		if a := r.send("GET", "/api/v1/status", ""); a.code != 200 {
			t.Fatalf("status answers %d", a.code)
		}
	}
	if n := events.Load() - before; n < 200*(seconds-1) {
		t.Errorf("%d events on 200 streams in more than %d s: at least one a second is promised", n, seconds)
	}
	for range mostReaders - 200 {
		r.panel.hub.join()
	}
	if a := r.send("GET", "/api/v1/events", ""); a.code != 429 {
		t.Errorf("one stream too many: %d", a.code)
	}
}

// Who does not read is dropped, and holds nobody up.
func TestSlowReader(t *testing.T) {
	r := newRig(t, options{rate: 10})
	c, err := net.Dial("tcp", strings.TrimPrefix(r.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.(*net.TCPConn).SetReadBuffer(2048)
	if _, err := c.Write([]byte("GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	r.until("the stream", func(*status) bool { return r.panel.hub.count() == 1 })
	var events atomic.Int64
	defer r.streams(1, &events)()
	// at rest there is one event a second: a flood of changes fills what the network holds for the one who does not read
	ctx, cancel := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	wait.Go(func() {
		for ctx.Err() == nil {
			snap, _ := r.seq.Snapshot()
			r.panel.hub.look(&snap)
		}
	})
	defer wait.Wait()
	defer cancel()
	r.until("the slow one dropped", func(*status) bool { return r.panel.hub.drops.Load() >= 1 && r.panel.hub.count() == 1 })
	before := events.Load()
	r.until("events for the other", func(*status) bool { return events.Load() > before })
}

// A stop is at the drive before it is answered, and at once on the streams.
func TestStopIsAtTheDriveFirst(t *testing.T) {
	r := newRig(t, options{})
	stops := r.drive.Report().Stops
	r.must(r.send("POST", "/api/v1/stop", ""))
	if got := r.drive.Report(); got.Stops <= stops || !got.Latched {
		t.Errorf("stops were %d and are %d, latched %v", stops, got.Stops, got.Latched)
	}
	r.untilState(run.Stopped)
}

// BenchmarkUnderLoad swims for 30 s without load and 30 s with 200 streams and 50 requests a second, and measures how late ticks end and how
// long a stop takes to be at the drive, as seen by the one who asked.
func BenchmarkUnderLoad(b *testing.B) {
	for _, load := range []bool{false, true} {
		name := "alone"
		if load {
			name = "200streams50requests"
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() { // first, as it forgets what was reported
			}
			r := newRig(b, options{})
			r.must(r.do("lay-out", `"session":"first-swim"`))
			r.must(r.do("reset", ""))
			r.untilState(run.Ready)
			r.must(r.do("start", ""))
			var events atomic.Int64
			if load {
				stop := r.streams(200, &events)
				defer stop()
				r.until("200 streams", func(*status) bool { return r.panel.hub.count() == 200 })
				ctx, cancel := context.WithCancel(context.Background())
				var wait sync.WaitGroup
				defer wait.Wait()
				defer cancel()
				wait.Go(func() {
					tick := time.NewTicker(time.Second / 50)
					defer tick.Stop()
					for ctx.Err() == nil {
						<-tick.C
						r.send("GET", "/api/v1/status", "")
					}
				})
			}
			late := r.lateness(30 * time.Second)
			var stops []time.Duration
			for range 200 {
				n, begin := r.drive.Report().Stops, time.Now()
				r.must(r.send("POST", "/api/v1/stop", ""))
				stops = append(stops, time.Since(begin))
				if r.drive.Report().Stops == n {
					b.Fatal("a stop was answered that is not at the drive")
				}
			}
			report := func(what string, d []time.Duration) {
				slices.Sort(d)
				for _, q := range []struct {
					name string
					at   float64
				}{{"p50", .5}, {"p99", .99}, {"p99.9", .999}} {
					b.ReportMetric(float64(d[min(int(float64(len(d))*q.at), len(d)-1)].Microseconds()), what+"_"+q.name+"_µs")
				}
			}
			report("late", late)
			report("stop", stops)
		})
	}
}

// lateness is how late ticks ended, against the grid of 50 ms on which the least late one lies: up to half of that, beyond which one cannot tell.
func (r *rig) lateness(d time.Duration) []time.Duration {
	r.mu.Lock()
	r.ticks = nil
	r.mu.Unlock()
	<-time.After(d)
	r.mu.Lock()
	ends := slices.Clone(r.ticks)
	r.mu.Unlock()
	least := time.Duration(1<<63 - 1)
	late := make([]time.Duration, len(ends))
	for i, t := range ends {
		late[i] = (t.Sub(ends[0])+sequencer.Tick/2)%sequencer.Tick - sequencer.Tick/2
		least = min(least, late[i])
	}
	for i := range late {
		late[i] -= least
	}
	return late
}
