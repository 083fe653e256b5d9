package mqtt

import (
	"context"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const ms = time.Millisecond

// nodeLinkLoss is that of the node in these tests.
const nodeLinkLoss = 500 * ms

// flume is a quick motor's, so that tests need not wait for it.
func flume(t testing.TB) *water.Model {
	t.Helper()
	m, err := water.New([]water.Point{
		{Motor: units.RPM(300), Water: units.MetresPerSecond(0.34)},
		{Motor: units.RPM(900), Water: units.MetresPerSecond(1.09)},
		{Motor: units.RPM(1500), Water: units.MetresPerSecond(1.80)},
	}, units.Metres(2), water.Motor{Min: units.RPM(120), Max: units.RPM(1500)})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// pool is a motor with its water behind a node that is on the network. Its motor is the witness of everything.
type pool struct {
	*simulated.Backend
	start time.Time

	mu      sync.Mutex
	looked  time.Duration // when the node looked at its clock last
	longest time.Duration // that it went without a look, since that was asked last
}

func (p *pool) clock() time.Duration { return time.Since(p.start) }

// nodeClock is the node's, who looks at it every 10 ms unless the machine keeps it from that.
func (p *pool) nodeClock() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.clock()
	p.longest, p.looked = max(p.longest, now-p.looked), now
	return now
}

// heldUp is the longest that the machine has kept the node waiting since the last time it was asked.
func (p *pool) heldUp() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	d := p.longest
	p.longest = 0
	return d
}

// newPool runs a node on that broker for as long as the test lasts.
func newPool(t testing.TB, b Broker) *pool {
	t.Helper()
	return newPoolWith(t, b, 0, func(m Motor) Motor { return m })
}

// newPoolWith has a flow sensor that shows such a share of the water, and something between node and motor.
func newPoolWith(t testing.TB, b Broker, sensor float64, between func(Motor) Motor) *pool {
	t.Helper()
	model := flume(t)
	sim, err := simulated.New(simulated.Config{
		Model: model, DeadTime: 10 * ms, RampRPMPerSecond: 6000, QuickStopRPMPerSecond: 6000, EnableTime: 50 * ms, LinkLoss: 5 * time.Second, FlowSensor: sensor,
	})
	if err != nil {
		t.Fatal(err)
	}
	p := &pool{Backend: sim, start: time.Now()}
	ctx, cancel := context.WithCancel(context.Background())
	connected := make(chan struct{})
	var once sync.Once
	var done sync.WaitGroup
	done.Go(func() {
		err := NewNode(between(sim), model.Motor().Max, nodeLinkLoss).Serve(ctx, b, p.nodeClock, func(bool) { once.Do(func() { close(connected) }) })
		if err != nil {
			t.Errorf("the node: %v", err)
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	select {
	case <-connected:
	case <-time.After(5 * time.Second):
		t.Fatal("the node does not get to its broker")
	}
	return p
}

// rpm is the true motor speed now, and enabled whether its power stage is on.
func (p *pool) rpm() float64 { p.Pass(p.clock()); return p.Backend.Motor().RPM() }

func (p *pool) enabled() bool {
	p.Pass(p.clock())
	s := p.State()
	return s == simulated.Enabling || s == simulated.Running || s == simulated.QuickStop
}

func (p *pool) rests() bool { return p.rpm() < 1 && !p.enabled() }

// still fails the test where the motor moves, or is switched on, within that time.
func (p *pool) still(t testing.TB, d time.Duration, what string) {
	t.Helper()
	over := time.After(d)
	again := time.NewTicker(2 * ms)
	defer again.Stop()
	for {
		if !p.rests() {
			t.Fatalf("%s: the motor turns at %.0f rpm, %v", what, p.rpm(), p.State())
		}
		select {
		case <-over:
			return
		case <-again.C:
		}
	}
}

// open is a backend that is closed with the test.
func open(t testing.TB, b Broker) drive.Backend {
	t.Helper()
	d, err := Open(Config{Broker: b})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// paced is a backend whose calls wait until their elapsed time has really passed: the suite steps from tick to tick without waiting.
type paced struct {
	drive.Backend
	time *pace
}

type pace struct{ start time.Time }

func (p *pace) wait(elapsed time.Duration) {
	d := elapsed - time.Since(p.start)
	if d > 0 {
		<-time.After(d)
		return
	}
	p.start = p.start.Add(-d) // what a call took too long is not made up for: each tick has its time
}

func (p paced) Set(r drive.Round, o drive.Order) error {
	p.time.wait(r.Elapsed)
	return p.Backend.Set(r, o)
}

func (p paced) Read(r drive.Round) (drive.Feedback, error) {
	p.time.wait(r.Elapsed)
	return p.Backend.Read(r)
}

func (p paced) Stop(r drive.Round) error {
	p.time.wait(r.Elapsed)
	return p.Backend.Stop(r)
}
