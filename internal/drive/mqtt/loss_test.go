package mqtt

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
)

// swimming brings a pool's motor to 1000 rpm.
func swimming(t testing.TB, b Broker, p *pool) *swim {
	t.Helper()
	s := newSwim(open(t, b), flume(t))
	t.Cleanup(s.end)
	s.begin(t, 1000)
	until(t, "the motor turns at 1000 rpm", 3*time.Second, func() bool { return p.rpm() > 995 })
	return s
}

// stopsWithin waits for the begin of the motor's quick stop, then for rest. Where it took too long because the machine held up the node, or the one who
// watches, by more than what a node has in hand (a tenth of its link-loss time, less the motor's dead time), it cannot be judged; good says that it can.
func (p *pool) stopsWithin(t testing.TB, d time.Duration, what string) (took time.Duration, good bool) {
	t.Helper()
	p.heldUp()
	from := p.clock()
	last, blind := from, time.Duration(0)
	until(t, what+": the motor begins to stop", d+5*time.Second, func() bool {
		now := p.clock()
		blind, last = max(blind, now-last), now
		return p.rpm() < 990 || p.State() != simulated.Running
	})
	took = p.clock() - from
	held := max(blind, p.heldUp())
	good = took <= d || held < nodeLinkLoss/10-10*ms
	switch {
	case !good:
		t.Logf("%s: %v, but the machine was busy, and held the test up for %v: not judged", what, took, held)
	case took > d:
		t.Errorf("%s: the quick stop began after %v, want at most %v", what, took, d)
	}
	until(t, what+": the motor is at rest", 3*time.Second, p.rests)
	return took, good
}

// TestClientKilled: the broker tells the node when a client dies, which is quicker than the node's own link-loss stop.
func TestClientKilled(t *testing.T) {
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	p := newPool(t, m.as("node", 0))
	daemon, _ := helper(t, "drive", m.as("flume", 0), mortal())
	until(t, "the motor turns", 5*time.Second, func() bool { return p.rpm() > 995 })
	daemon.Process.Kill()
	took, _ := p.stopsWithin(t, 300*ms, "client killed") // the node's own stop would come after 400 ms at the earliest
	t.Logf("client killed: quick stop after %v", took.Round(ms/10))
	p.still(t, 300*ms, "after the will")
}

// TestBrokerRestarted in the middle of a swim: both sides notice, nothing is delivered late, nothing starts by itself; a person can start anew.
func TestBrokerRestarted(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	p := newPool(t, m.as("node", 0))
	s := swimming(t, m.as("flume", 0), p)
	m.kill()
	took, _ := p.stopsWithin(t, nodeLinkLoss, "broker killed")
	t.Logf("broker killed: quick stop after %v", took.Round(ms/10))
	until(t, "the drive says that its link is lost", time.Second, func() bool { return s.Report().Link != nil })
	m.start(t)
	back := time.Now()
	// The permissions are still coming, and no stop has been latched: yet nothing moves.
	until(t, "the drive answers again", 10*time.Second, func() bool {
		if !p.rests() {
			t.Fatalf("the broker is back, and the motor turns at %.0f rpm", p.rpm())
		}
		return s.Report().Fault != ""
	})
	t.Logf("broker back: the drive answers after %v, and says %q", time.Since(back).Round(ms), s.Report().Fault)
	p.still(t, 500*ms, "the broker is back, permissions are coming")
	s.Stop(fault.LinkLost) // as the guard does
	p.still(t, 300*ms, "stopped")
	s.begin(t, 800)
	until(t, "the motor turns again after a reset", 3*time.Second, func() bool { return p.rpm() > 795 })
}

// TestNothingKeptForLater: what is said while the broker is away is an error, and never arrives.
func TestNothingKeptForLater(t *testing.T) {
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	b := open(t, m.as("flume", 0)).(*backend)
	m.kill()
	until(t, "the backend notices", time.Second, func() bool { _, err := b.link.now(); return err != nil })
	for i := range 3 {
		r := drive.Round{Elapsed: time.Duration(i) * 50 * ms, Until: time.Duration(i)*50*ms + 100*ms}
		if err := b.Stop(r); err == nil {
			t.Error("a stop without a broker is no error")
		}
	}
	m.start(t)
	var mu sync.Mutex
	var got []string
	l, err := newLink(m.as("node", 0), "", commandTopic, stopTopic)
	if err != nil {
		t.Fatal(err)
	}
	l.heard = func(topic, payload string, _ bool) { mu.Lock(); got = append(got, topic+" "+payload); mu.Unlock() }
	l.lost = func() {}
	l.start()
	defer l.close()
	until(t, "the client is back", 5*time.Second, func() bool { _, err := b.link.now(); return err == nil })
	until(t, "an eavesdropper hears the next word", 5*time.Second, func() bool {
		_, _ = b.Read(drive.Round{Elapsed: time.Second, Until: time.Second + 20*ms})
		mu.Lock()
		defer mu.Unlock()
		return len(got) > 0
	})
	for _, m := range got {
		if c, err := parseCommand(m[len("pool/drive/command "):]); err != nil || c.kind != kindAsk {
			t.Errorf("arrived late: %s", m)
		}
	}
}

// TestRandomCuts cuts one of the two wires at a random instant: the quick stop begins within the link-loss time, and nothing restarts when the wire is whole.
func TestRandomCuts(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	cuts := 20
	if n, err := strconv.Atoi(os.Getenv("SEQUENCERD_CUTS")); err == nil {
		cuts = n
	}
	const lanes = 4
	var mu sync.Mutex
	var all []time.Duration // from the cut to the quick stop
	busy := 0
	t.Run("lanes", func(t *testing.T) {
		for lane := range lanes {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				m := newMosquitto(t, "")
				near, far := newWire(t, m.port), newWire(t, m.port)
				p := newPool(t, m.as("node", far.port))
				s := newSwim(open(t, m.as("flume", near.port)), flume(t))
				defer s.end()
				random := rand.New(rand.NewPCG(7, uint64(lane)))
				for i, tries := 0, 0; i < cuts/lanes; tries++ {
					if tries > 2*cuts/lanes {
						t.Fatalf("this machine is too busy to judge by: %d of %d cuts", i, tries)
					}
					s.begin(t, 1000)
					until(t, "the motor turns", 3*time.Second, func() bool { return p.rpm() > 995 })
					<-time.After(time.Duration(random.IntN(300)) * ms)
					which := []*wire{near, far}[i%2]
					which.cut()
					took, good := p.stopsWithin(t, nodeLinkLoss, fmt.Sprintf("cut %d", i))
					until(t, "the drive says so", time.Second, func() bool { return s.Report().Link != nil })
					which.restore()
					p.still(t, 400*ms, "the wire is whole, permissions are coming")
					s.Stop(fault.LinkLost)
					mu.Lock()
					if good {
						all = append(all, took.Round(ms))
						i++
					} else {
						busy++
					}
					mu.Unlock()
				}
			})
		}
	})
	if n := len(all); n > 0 {
		slices.Sort(all)
		t.Logf("%d cuts, none restarted: quick stop p50 %v, p99 %v, at most %v after the cut; the node's link-loss time is %v; not judged on a busy machine: %d",
			n, all[n/2], all[n*99/100], all[n-1], nodeLinkLoss, busy)
	}
}
