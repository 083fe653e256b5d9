package safety_test

import (
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

// pool is a guard over a flume with every wire there is, where all is well but for what a test bends.
type pool struct {
	t   *testing.T
	g   *safety.Guard
	now time.Duration
	f   safety.Facts // of the latest tick
	w   safety.Wish  // of the next
}

const motorRamp = 600 // rpm/s

func newPool(t *testing.T) *pool {
	p := &pool{t: t, now: time.Hour, w: safety.Wish{Speed: mPerS(1), Under: true, Swims: true, RestAway: true},
		g: safety.NewGuard(safety.Config{
			Cap: mPerS(1.6), MaxAccel: units.MetresPerSecond2(0.2), CautionSpeed: mPerS(0.6), MotorRamp: motorRamp, QuickStop: 3 * time.Second,
			IdleShutoff: 3 * time.Hour, LongestSwim: 4 * time.Hour, SoftTime: 30 * time.Second,
		})}
	p.step() // meets the stop of the power-up
	return p
}

func mPerS(v float64) units.Speed { return units.MetresPerSecond(v) }

// well are facts that forbid nothing: the motor does what it was told.
func (p *pool) well() safety.Facts {
	return safety.Facts{Now: p.now, Gap: tick, Water: mPerS(1),
		Drive: safety.DriveFacts{Reads: 9, At: p.now, Stops: 1, Why: fault.NotReset},
		Wall: safety.WallFacts{At: p.now, Stop: safety.Good, StopSeen: true, SeenAt: p.now - time.Minute,
			Occupancy: safety.Good, Changed: p.now, Cover: safety.Good, Level: safety.Good},
	}
}

type bend func(f *safety.Facts, w *safety.Wish)

func (p *pool) step(bends ...bend) safety.Verdict {
	p.now += tick
	p.f = p.well()
	w := p.w
	for _, b := range bends {
		b(&p.f, &w)
	}
	return p.g.Step(&p.f, w)
}

// facts are those of a command between two ticks.
func (p *pool) facts(bends ...bend) *safety.Facts {
	f, w := p.well(), p.w
	for _, b := range bends {
		b(&f, &w)
	}
	return &f
}

func (p *pool) reset() {
	p.t.Helper()
	if _, err := p.g.Reset(p.facts()); err != nil {
		p.t.Fatalf("reset: %v", err)
	}
}

// swimming is a pool with a swim under way.
func swimming(t *testing.T) *pool {
	t.Helper()
	p := newPool(t)
	p.reset()
	if err := p.g.Start(p.facts(), true); err != nil {
		t.Fatalf("start: %v", err)
	}
	if v := p.step(); mps(v.Cleared) != 1 || v.Level != safety.Fine {
		t.Fatalf("does not move to begin with: %+v", v)
	}
	return p
}

// jogging is a pool without anybody in it, where the bare motor is tried.
func jogging(t *testing.T) *pool {
	t.Helper()
	p := newPool(t)
	p.reset()
	p.w = safety.Wish{Jog: units.RPM(400), Off: true, RestAway: true}
	if err := p.g.StartJog(p.facts(empty), units.RPM(500), time.Hour); err != nil {
		t.Fatalf("jog: %v", err)
	}
	if v := p.step(empty); v.Cleared.Jog().RPM() != 400 {
		t.Fatalf("does not jog to begin with: %+v", v)
	}
	return p
}

var nan = math.NaN()

func empty(f *safety.Facts, _ *safety.Wish)    { f.Wall.Occupancy = safety.Bad }
func noSensor(f *safety.Facts, _ *safety.Wish) { f.Wall.Occupancy = safety.Absent }
func noSight(f *safety.Facts, _ *safety.Wish)  { f.Wall.Occupancy = safety.Unknown }
func turn(ordered, actual float64) bend {
	return func(f *safety.Facts, _ *safety.Wish) {
		f.Drive.Ordered, f.Drive.Motor = units.RPM(ordered), units.RPM(actual)
	}
}
func flows(v float64) bend { return func(f *safety.Facts, _ *safety.Wish) { f.Water = mPerS(v) } }
func asks(c fault.Code) bend {
	return func(f *safety.Facts, _ *safety.Wish) { f.Stop = c }
}
func stopWire(s safety.Signal) bend { return func(f *safety.Facts, _ *safety.Wish) { f.Wall.Stop = s } }
func wallAge(d time.Duration) bend {
	return func(f *safety.Facts, _ *safety.Wish) { f.Wall.At = f.Now - d }
}
func driveAge(d time.Duration) bend {
	return func(f *safety.Facts, _ *safety.Wish) { f.Drive.At = f.Now - d }
}
func cover(s safety.Signal) bend             { return func(f *safety.Facts, _ *safety.Wish) { f.Wall.Cover = s } }
func level(s safety.Signal) bend             { return func(f *safety.Facts, _ *safety.Wish) { f.Wall.Level = s } }
func wish(v float64) bend                    { return func(_ *safety.Facts, w *safety.Wish) { w.Speed = mPerS(v) } }
func late(d time.Duration) bend              { return func(f *safety.Facts, _ *safety.Wish) { f.Gap = d } }
func lost(f *safety.Facts, _ *safety.Wish)   { f.Drive.Lost = true }
func faulty(f *safety.Facts, _ *safety.Wish) { f.Drive.Fault = true }
func unheard(f *safety.Facts, _ *safety.Wish) {
	f.Drive.Reads = 0
}
func stopsMore(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops, f.Drive.Why = 2, fault.LoopSilent }
