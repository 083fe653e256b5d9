package faults

import (
	"fmt"
	"sync"
	"time"
)

// sample is what a motor's own process says of it. Times are of the system's monotonic clock.
type sample struct {
	at      time.Duration
	rpm     float64
	enabled bool
	word    string        // "well", "quick" or "tripped"
	halted  time.Duration // when its latest stop began; below 0 for never
}

// follows: whoever commands it may turn it. The opposite is a motor that stops, or is off.
func (s sample) follows() bool { return s.enabled && s.word == "well" }

// rests: off, and slower than an encoder's noise.
func (s sample) rests() bool { return !s.enabled && s.rpm < 1 }

// witness asks a motor over and over, and keeps what has changed.
type witness struct {
	tell func(line string) string
	quit chan struct{}
	done sync.WaitGroup

	mu      sync.Mutex
	samples []sample // the latest one as it is now
	bad     error
}

// lookEvery is how often the motor is asked.
const lookEvery = 10 * time.Millisecond

// watch begins; tell gives a motor's process a line and returns its answer.
func watch(tell func(line string) string) *witness {
	w := &witness{tell: tell, quit: make(chan struct{})}
	w.look("ask")
	w.done.Go(func() {
		tick := time.NewTicker(lookEvery)
		defer tick.Stop()
		for {
			select {
			case <-w.quit:
				return
			case <-tick.C:
				w.look("ask")
			}
		}
	})
	return w
}

func (w *witness) close() {
	close(w.quit)
	w.done.Wait()
}

func (w *witness) look(line string) {
	said := w.tell(line)
	var s sample
	var on int
	var heard, halted, now float64
	_, err := fmt.Sscan(said, &s.rpm, &on, &s.word, &heard, &halted, &now)
	s.enabled, s.at, s.halted = on == 1, seconds(now), seconds(halted)
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.bad = fmt.Errorf("the motor's process says %q: %w", said, err)
		return
	}
	if n := len(w.samples); n > 1 {
		last, before := w.samples[n-1], w.samples[n-2]
		last.at, before.at = 0, 0
		if last == before { // the later of two equal ones moves on
			w.samples = w.samples[:n-1]
		}
	}
	w.samples = append(w.samples, s)
}

func seconds(s float64) time.Duration { return time.Duration(s * 1e9) }

// now is the latest sample.
func (w *witness) now() sample {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.samples) == 0 {
		return sample{}
	}
	return w.samples[len(w.samples)-1]
}

// since are the samples from then on, the last one before it first.
func (w *witness) since(then time.Duration) []sample {
	w.mu.Lock()
	defer w.mu.Unlock()
	first := 0
	for i, s := range w.samples {
		if s.at <= then {
			first = i
		}
	}
	return append([]sample(nil), w.samples[first:]...)
}

// forget throws away what is older.
func (w *witness) forget(then time.Duration) {
	kept := w.since(then)
	w.mu.Lock()
	defer w.mu.Unlock()
	// what came meanwhile is no older than the last of the kept ones
	last := kept[len(kept)-1]
	for _, s := range w.samples {
		if s.at > last.at {
			kept = append(kept, s)
		}
	}
	w.samples = kept
}

// stopped looks for the begin of a stop after an instant, and for rest after that; ok says which were found.
func stopped(samples []sample, then time.Duration) (begun, rest time.Duration, began, rested bool) {
	for _, s := range samples {
		if s.at < then {
			continue
		}
		if !began && !s.follows() {
			began, begun = true, s.at
			if s.halted >= then && s.halted < begun {
				begun = s.halted
			}
		}
		if began && s.rests() {
			return begun, s.at, true, true
		}
	}
	return begun, rest, began, false
}
