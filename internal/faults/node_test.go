package faults

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/settings"
)

// playNode is a drive node as a process, with the default configuration's motor behind it. It is asked as the independent drives on a serial line are:
// a line in, a line out. "ask" and "trip" answer: rpm, enabled, well, quick or tripped, 0, when the latest stop began, now; seconds of the system's
// monotonic clock.
func playNode(broker string) int {
	s, err := settings.Parse("defaults", nil, config.Default())
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	sim, err := simulated.New(s.Drive.Simulated)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	begin := monotonic()
	clock := func() time.Duration { return monotonic() - begin }
	w := nodeWitness{sim: sim, clock: clock, begin: begin, halted: -time.Second}
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		for tick := time.NewTicker(5 * time.Millisecond); ; <-tick.C {
			w.look()
		}
	}()
	var once sync.Once
	go func() {
		defer cancel()
		b := mqtt.Broker{URL: broker, Topic: topic, ClientID: "node"}
		err := mqtt.NewNode(sim, s.Model.Motor().Max, linkLoss).Serve(ctx, b, clock, func(bool) { once.Do(func() { fmt.Println("listening") }) })
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
	}()
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		if strings.TrimSpace(lines.Text()) == "trip" {
			sim.Trip()
		}
		fmt.Println(w.look())
	}
	return 0
}

// nodeWitness notes when the motor stops.
type nodeWitness struct {
	sim           *simulated.Backend
	clock         func() time.Duration
	begin, halted time.Duration

	mu  sync.Mutex
	was simulated.State
}

func (w *nodeWitness) look() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.clock()
	w.sim.Pass(now)
	state, rpm := w.sim.State(), w.sim.Motor().RPM()
	on := func(s simulated.State) bool { return s == simulated.Enabling || s == simulated.Running }
	if on(w.was) && !on(state) {
		w.halted = w.begin + now
	}
	w.was = state
	enabled, word := 0, "well"
	if on(state) || state == simulated.QuickStop {
		enabled = 1
	}
	switch state {
	case simulated.QuickStop:
		word = "quick"
	case simulated.Fault:
		word = "tripped"
	}
	return fmt.Sprintf("%.3f %d %s 0 %.6f %.6f", rpm, enabled, word, w.halted.Seconds(), (w.begin + now).Seconds())
}

// monotonic is the system's monotonic clock, which all processes share.
func monotonic() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		panic(err) // every Linux has it
	}
	return time.Duration(t.Nano())
}
