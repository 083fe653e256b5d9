package faults

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

// share is how much of a campaign is at a kind of place, and at how many of them at once.
type share struct {
	kind         string
	lanes, of100 int
	short        int // faults in the short form: each class once at a serial line and once at a node
}

var shares = []share{
	{velocity, 3, 25, 18},
	{plain, 2, 17, 0},
	{slow, 1, 8, 4},
	{node, 6, 50, 19},
}

// shortForm is after how long the short form begins no further fault, on a machine that is so busy that it has tried many of them again.
const shortForm = 140 * time.Second

// campaign is one run of all the lanes.
type campaign struct {
	seed    uint64
	begun   time.Duration
	noise   noise
	mu      sync.Mutex
	found   []result
	done    map[string]bool // what an earlier run has found
	keep    *os.File        // nil where nothing is kept
	missed  int             // faults that this machine was too busy for
	patient bool            // a late stop is tried again: the short form runs beside all the other tests
}

// result is what one fault came to. Times are 0 where there was nothing to stop.
type result struct {
	ID, Class, Kind string
	State           string        // of the daemon, at the fault
	Moving          bool          // the motor was on
	Begun, Rest     time.Duration // after the fault
	Away            time.Duration // how long this machine was away meanwhile
	Wrong           []string      // what must not be
}

// TestFaults is the campaign.
func TestFaults(t *testing.T) {
	c := &campaign{seed: 1, begun: monotonic(), done: map[string]bool{}}
	count, err := wanted()
	if s := os.Getenv("SEQUENCERD_FAULTS_SEED"); s != "" {
		var bad error
		c.seed, bad = strconv.ParseUint(s, 10, 64)
		err = errors.Join(err, bad)
	}
	if err = errors.Join(err, c.resume(os.Getenv("SEQUENCERD_FAULTS_KEEP"))); err != nil {
		t.Fatal(err)
	}
	c.patient = count == 0
	end, err := c.noise.start()
	if err != nil {
		t.Fatal(err)
	}
	defer end()
	t.Run("lanes", func(t *testing.T) {
		for _, s := range shares {
			n, lanes := s.short, (s.short+6)/7
			if count > 0 {
				n, lanes = (count*s.of100+99)/100, s.lanes
			}
			if !playable(t, s.kind) {
				continue
			}
			next := c.numbers(n)
			for lane := range lanes {
				t.Run(fmt.Sprintf("%s-%d", s.kind, lane), func(t *testing.T) {
					t.Parallel()
					c.lane(t, s.kind, next)
				})
			}
		}
	})
	t.Logf("seed %d, %d faults, %d more could not be tried since this machine was too busy\n%s", c.seed, len(c.found), c.missed, c.table())
	if len(c.found) < 10 && !t.Failed() {
		t.Error("this machine was too busy for most of the faults")
	}
	for _, r := range c.found {
		for _, w := range r.Wrong {
			t.Errorf("%s, %s, %s (%s): %s", r.ID, r.Class, r.Kind, r.State, w)
		}
	}
}

// wanted is how many faults there are to be; 0 for the short form.
func wanted() (int, error) {
	switch s := os.Getenv("SEQUENCERD_FAULTS"); s {
	case "":
		return 0, nil
	case "long":
		return 1000, nil
	default:
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			err = fmt.Errorf("SEQUENCERD_FAULTS=%s: allowed is a number of faults, or long for 1000", s)
		}
		return n, err
	}
}

// playable reports whether the independent parts of a kind of place are here.
func playable(t *testing.T, kind string) bool {
	var err error
	if kind == node {
		if _, err = exec.LookPath("mosquitto"); err != nil && os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
	} else {
		err = linetest.Missing(t)
	}
	if err != nil {
		t.Logf("NOT TRIED, %s: %v", kind, err)
	}
	return err == nil
}

// numbers hands out 0 to n−1, once each.
func (c *campaign) numbers(n int) func() (int, bool) {
	var mu sync.Mutex
	next := 0
	return func() (int, bool) {
		mu.Lock()
		defer mu.Unlock()
		next++
		return next - 1, next <= n
	}
}

// resume takes over what is in the file.
func (c *campaign) resume(file string) error {
	if file == "" {
		return nil
	}
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	c.keep = f
	for read := json.NewDecoder(f); read.More(); {
		var r result
		if err := read.Decode(&r); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		c.done[r.ID] = true
		c.found = append(c.found, r)
	}
	return nil
}

func (c *campaign) miss() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.missed++
}

func (c *campaign) add(r result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.found = append(c.found, r)
	if c.keep != nil {
		_ = json.NewEncoder(c.keep).Encode(r)
	}
}

// newKind makes a place of a kind.
func newKind(t *testing.T, kind string) *place {
	return newPlace(t, func(dir string) link {
		switch kind {
		case velocity:
			return newSerialLink(t, "velocity", "tarnholm-v", linkLoss)
		case plain:
			return newSerialLink(t, "plain", "oxbow-f", linkLoss)
		case slow:
			return newSerialLink(t, "velocity", "tarnholm-v", slowLoss)
		}
		return newNodeLink(t, dir)
	})
}

// lane does faults at one place, one after the other, for as long as there are some.
func (c *campaign) lane(t *testing.T, kind string, next func() (int, bool)) {
	var p *place
	for {
		n, ok := next()
		if !ok {
			break
		}
		id := fmt.Sprintf("seed %d, %s %d", c.seed, kind, n)
		if c.done[id] {
			continue
		}
		if c.patient && monotonic()-c.begun > shortForm {
			t.Logf("NOT TRIED for lack of time: %s", id)
			continue
		}
		if p == nil {
			p = newKind(t, kind)
		}
		deck := of(kind, p.small)
		hash := fnv.New64a()
		fmt.Fprint(hash, kind, n)
		var r result
		var v verdict
		for try := range 5 {
			f := &fault{place: p, campaign: c, class: deck[n%len(deck)], random: rand.New(rand.NewPCG(c.seed, hash.Sum64()+uint64(try)))}
			if r, v = f.play(); v == judged || v == behind && (!c.patient || try == 2) {
				break
			}
			t.Logf("%s, %s: once more: %v", id, f.class.name, r.Wrong)
		}
		if v == missed {
			t.Logf("%s, %s: this machine is too busy to swim on", id, r.Class)
			c.miss()
			continue
		}
		r.ID, r.Kind = id, kind
		c.add(r)
		if len(r.Wrong) > 0 {
			t.Logf("%s, %s, %s: %v\nthe daemon's log: %s", id, r.Class, r.State, r.Wrong, p.daemon.tail())
			p.kill() // the next one begins anew, with a motor at rest
			_ = until("", slowLoss+2*quickest, func() bool { return p.motor.now().rests() })
		}
	}
	if p == nil {
		return
	}
	if err := errors.Join(p.reset(), p.begin()); err != nil {
		t.Errorf("after the last fault: %v", err)
	}
}
