package logbook

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

func pace(s float64) units.Pace { return units.PacePer100(s, units.Metre) }

// two is a session of two blocks and a rest, 80 s.
var two = []schedule.Block{
	{Name: "Easy", Kind: "warm-up", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 30 * time.Second, From: pace(120), To: pace(120)},
	{Name: "Pause", Round: 1, Of: 1, Extent: schedule.ByTime, Rest: true, Time: 10 * time.Second},
	{Name: "Fast", Kind: "main", Round: 1, Of: 1, Extent: schedule.ByDistance, Distance: units.Metres(40), From: pace(95), To: pace(90)},
}

// flume is the loop over a simulated flume in virtual time, telling a logbook.
type flume struct {
	core   *sequencer.Core
	drive  *drive.Drive
	events chan sequencer.Event
	now    time.Duration
	plan   run.Plan
	calm   bool // waits until the logbook has taken what it was told, as real time would
}

func newFlume(blocks []schedule.Block, room int) (*flume, error) {
	return newFlumeWith(blocks, room, func(c simulated.Config) (drive.Backend, error) { return simulated.New(c) })
}

func newFlumeWith(blocks []schedule.Block, room int, motor func(simulated.Config) (drive.Backend, error)) (*flume, error) {
	return newFlumeOf(blocks, room, drive.Config{}, motor)
}

func newFlumeOf(blocks []schedule.Block, room int, how drive.Config, motor func(simulated.Config) (drive.Backend, error)) (*flume, error) {
	m, err := water.New([]water.Point{
		{Motor: units.RPM(300), Water: units.MetresPerSecond(0.34)}, {Motor: units.RPM(900), Water: units.MetresPerSecond(1.09)}, {Motor: units.RPM(1500), Water: units.MetresPerSecond(1.80)},
	}, units.Metres(2), water.Motor{Min: units.RPM(120), Max: units.RPM(1500), RPMPerSecond: 600})
	if err != nil {
		return nil, err
	}
	top := units.MetresPerSecond(1.6)
	p, err := ramp.NewPlanner(ramp.Limits{Accel: units.MetresPerSecond2(0.10), Decel: units.MetresPerSecond2(0.12), Jerk: units.MetresPerSecond3(0.10), Relief: units.MetresPerSecond3(1)}, m, top)
	if err != nil {
		return nil, err
	}
	profile, _, err := p.Profile(ramp.State{}, blocks)
	if err != nil {
		return nil, err
	}
	b, err := motor(simulated.Defaults(m))
	if err != nil {
		return nil, err
	}
	how.Model = m
	f := &flume{
		drive: drive.New(b, how), events: make(chan sequencer.Event, room), calm: true,
		plan: run.Plan{Title: "Two and a rest", Swimmer: "Ada Fluss", Text: "as it was written", Threshold: pace(96), Blocks: blocks, Planner: p, Profile: profile},
	}
	f.core = sequencer.NewCore(sequencer.Config{
		Drive: f.drive, Model: m, Planner: p, Inline: true, NoCountIn: true, Events: f.events,
		Safety: safety.Config{Cap: top, MaxAccel: units.MetresPerSecond2(0.11), IdleShutoff: 30 * time.Minute, LongestSwim: 2 * time.Hour, SoftTime: 30 * time.Second},
	})
	f.pass(time.Second)
	return f, f.do(run.LayOut)
}

func (f *flume) pass(d time.Duration) {
	for range int(d / sequencer.Tick) {
		f.now += sequencer.Tick
		f.core.Tick(f.now, sequencer.Tick, sequencer.Tick)
		f.drive.Exchange(f.now)
		if f.calm {
			until(func() bool { return len(f.events) <= cap(f.events)/2 })
		}
	}
}

// until waits for a condition; one that does not come within half a minute is the test's end.
func until(cond func() bool) {
	if cond() {
		return
	}
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for late := time.Now().Add(30 * time.Second); !cond(); <-look.C {
		if time.Now().After(late) {
			panic("waited in vain")
		}
	}
}

func (f *flume) do(c run.Command) error {
	return f.core.Do(sequencer.Command{What: c, Plan: f.plan, Nudge: 1})
}

// swim swims to the end, and says how it ended.
func (f *flume) swim() (run.State, error) {
	if st, _ := f.core.State(); st == run.Stopped {
		if err := f.do(run.Reset); err != nil {
			return 0, err
		}
	}
	if err := f.do(run.Start); err != nil {
		return 0, err
	}
	f.pass(sequencer.Tick)
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(sequencer.Tick)
	}
	st, _ := f.core.State()
	return st, nil
}

// keeper is a logbook that runs, and what it said it has kept.
type keeper struct {
	*Logbook
	store *store.Store
	end   func()

	mu   sync.Mutex
	kept [][2]int64
}

func keep(t testing.TB, dir string, f *flume) *keeper {
	t.Helper()
	s, err := store.OpenToRecord(dir)
	if err != nil {
		t.Fatal(err)
	}
	k := &keeper{store: s}
	k.Logbook = New(Config{Store: s, Events: f.events, Simulated: true, Texts: store.Texts{Limits: "l", Configuration: "c", Calibration: "id"}, Kept: func(swim int64, block int) {
		k.mu.Lock()
		k.kept = append(k.kept, [2]int64{swim, int64(block)})
		k.mu.Unlock()
	}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- k.Run(ctx) }()
	ended := false
	k.end = func() {
		if ended {
			return
		}
		ended = true
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		s.Close()
	}
	t.Cleanup(k.end)
	return k
}

func (k *keeper) promised() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.kept)
}

// TestMain is the tests, or a process that swims and keeps until it is killed: with FLUME_STORE it tells each block that is kept on standard output.
func TestMain(m *testing.M) {
	dir := os.Getenv("FLUME_STORE")
	if dir == "" {
		os.Exit(m.Run())
	}
	if err := swimForEver(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func swimForEver(dir string) error {
	f, err := newFlume(two, 64)
	if err != nil {
		return err
	}
	s, err := store.OpenToRecord(dir)
	if err != nil {
		return err
	}
	l := New(Config{Store: s, Events: f.events, Simulated: true, Most: mostOf(dir), Kept: func(swim int64, block int) {
		fmt.Fprintf(os.Stdout, "kept %d %d\n", swim, block)
	}})
	go l.Run(context.Background())
	fmt.Println("ready")
	for {
		if _, err := f.swim(); err != nil {
			return err
		}
		if c := l.Status().Code; c != "" {
			fmt.Printf("caution %s\n", c)
		}
	}
}

// mostOf is the size for a store: its own default, but where a file beside it says so, little.
func mostOf(dir string) int64 {
	if _, err := os.Stat(filepath.Join(dir, "small")); err == nil {
		return 256 << 10
	}
	return 0
}
