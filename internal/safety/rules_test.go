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
	return &pool{t: t, now: time.Hour, w: safety.Wish{Speed: mPerS(1), Under: true, Swims: true, RestAway: true},
		g: safety.NewGuard(safety.Config{
			Cap: mPerS(1.6), MaxAccel: units.MetresPerSecond2(0.2), CautionSpeed: mPerS(0.6), MotorRamp: motorRamp, QuickStop: 3 * time.Second,
			IdleShutoff: 3 * time.Hour, LongestSwim: 4 * time.Hour, SoftTime: 30 * time.Second,
		})}
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

// hazards: each sentence is a condition of a swim under way, what it does and after how long.
var hazards = []struct {
	sentence string
	bend     bend
	code     fault.Code
	level    safety.Level
	patience time.Duration // the tick at which the condition has held for so long is the first to act
}{
	{"a stop asked", asks(fault.PersonStop), fault.PersonStop, safety.Fast, 0},
	{"a stop latched at the drive by somebody else", stopsMore, fault.LoopSilent, safety.Fast, 0},
	{"a stop latched at the drive without a reason", func(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops, f.Drive.Why = 2, "" }, fault.StopPressed, safety.Fast, 0},
	{"stops that run back, as of another drive", func(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops = 0 }, fault.NotReset, safety.Fast, 0},
	{"the stop button pressed", stopWire(safety.Bad), fault.StopPressed, safety.Fast, 0},
	{"the stop wire unread", stopWire(safety.Unknown), fault.WallUnread, safety.Fast, 0},
	{"a stop wire that reads something unheard of", stopWire(99), fault.WallUnread, safety.Fast, 0},
	{"a wall last read 201 ms ago", wallAge(201 * time.Millisecond), fault.WallUnread, safety.Fast, 0},
	{"a wall never read", func(f *safety.Facts, _ *safety.Wish) { f.Wall = safety.WallFacts{} }, fault.WallUnread, safety.Fast, 0},
	{"a tick 151 ms late", late(201 * time.Millisecond), fault.TickLate, safety.Fast, 0},
	{"a fault of the drive", faulty, fault.DriveFault, safety.Fast, 0},
	{"a link lost", lost, fault.LinkLost, safety.Fast, 200 * time.Millisecond},
	{"feedback 301 ms old", driveAge(301 * time.Millisecond), fault.FeedbackOld, safety.Fast, 0},
	{"a drive never heard", unheard, fault.FeedbackOld, safety.Fast, 0},
	{"a motor 61 rpm and a tenth faster than ordered", turn(1000, 1161), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor that turns at 61 rpm with nothing ordered", turn(0, 61), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor that turns backwards", turn(0, -61), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor speed that is no number", turn(0, nan), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor 61 rpm and 15 in 100 slower than ordered for long", turn(100, 24), fault.MotorSlow, safety.Fast, 2*time.Second + 300*time.Millisecond}, // from where half its ramp demands so much
	{"water a tenth and 0.1 m/s over the cap", flows(1.87), fault.OverSpeed, safety.Fast, 2 * time.Second},
	{"a water speed that is no number", flows(nan), fault.OverSpeed, safety.Fast, 2 * time.Second},
	{"the cover off", cover(safety.Bad), fault.CoverOff, safety.Fast, 0},
	{"the cover unread", cover(safety.Unknown), fault.CoverOff, safety.Fast, 0},
	{"too little water", level(safety.Bad), fault.WaterLevel, safety.Soft, 2 * time.Second},
	{"a water level unread", level(safety.Unknown), fault.WaterLevel, safety.Soft, 2 * time.Second},
	{"nobody seen for 15 s", empty, fault.NobodySeen, safety.Caution, 15 * time.Second},
	{"nobody seen for 30 s", empty, fault.NobodySlow, safety.Slow, 30 * time.Second},
	{"nobody seen for 60 s", empty, fault.NobodyStop, safety.Soft, 60 * time.Second},
	{"an occupancy unknown for 15 s", noSight, fault.NobodySeen, safety.Caution, 15 * time.Second},
	{"an occupancy unknown for 60 s", noSight, fault.NobodyStop, safety.Soft, 60 * time.Second},
	{"more wished than the cap", wish(1.7), fault.OverCap, safety.Notice, 0},
	{"the configuration edited", func(f *safety.Facts, _ *safety.Wish) { f.Edited = true }, fault.Edited, safety.Notice, 0},
}

func TestEveryHazardActsAfterItsPatienceAndNotBefore(t *testing.T) {
	for _, h := range hazards {
		t.Run(h.sentence, func(t *testing.T) {
			p := swimming(t)
			for blip := tick; blip <= h.patience; blip += max(tick, h.patience/7/tick*tick) {
				for held := time.Duration(0); held < blip; held += tick {
					if v := p.step(h.bend); v.Level >= h.level || v.Why == h.code {
						t.Fatalf("acts after %v: %+v", held, v)
					}
				}
				if v := p.step(); v.Level != safety.Fine || mps(v.Cleared) != 1 {
					t.Fatalf("a blip of %v does something: %+v", blip, v)
				}
				for range 20 { // so that the motor's own tolerance is where it was
					p.step()
				}
			}
			p = swimming(t)
			v := p.step(h.bend)
			for held := time.Duration(0); held < h.patience; held += tick {
				if v.Level >= h.level || v.Why == h.code {
					t.Fatalf("acts after %v: %+v", held, v)
				}
				v = p.step(h.bend)
			}
			if v.Level != h.level || v.Why != h.code || v.Stop != (h.level == safety.Fast) || v.Soft != (h.level == safety.Soft) {
				t.Fatalf("after %v: %+v", h.patience, v)
			}
			p.afterwards(h.level, h.code)
		})
	}
}

// afterwards: the cause goes away. Stops stay; the rest goes with its cause.
func (p *pool) afterwards(level safety.Level, code fault.Code) {
	p.t.Helper()
	if level < safety.Soft {
		if v := p.step(); v.Level != safety.Fine || mps(v.Cleared) != 1 {
			p.t.Fatalf("not over with its cause: %+v", v)
		}
		return
	}
	if level == safety.Soft {
		p.w.Speed = mPerS(0.5)
		if v := p.step(); !v.Soft || v.Stop || mps(v.Cleared) != 0.5 || v.Why != code {
			p.t.Fatalf("a soft stop comes down: %+v", v)
		}
		p.w.Off = true
		if v := p.step(); !v.Stop || v.Why != code {
			p.t.Fatalf("a soft stop ends with the drive disabled: %+v", v)
		}
		p.w.Off = false
	}
	for range 100 {
		if v := p.step(); v.Cleared != (safety.Cleared{}) || v.Permit || v.Stop || v.Level != safety.Fast || v.Why != code {
			p.t.Fatalf("a cause that goes away is no permission: %+v", v)
		}
	}
	if err := p.g.Start(p.facts(), false); err == nil {
		p.t.Fatal("started without a reset")
	}
	p.reset()
	if v := p.step(); v.Cleared != (safety.Cleared{}) {
		p.t.Fatalf("a reset alone clears motion: %+v", v)
	}
}

// The other side of each limit: nothing happens, for however long.
func TestWhatIsWithinItsLimitDoesNothing(t *testing.T) {
	for _, c := range []struct {
		sentence string
		bend     bend
	}{
		{"a wall read 200 ms ago", wallAge(200 * time.Millisecond)},
		{"a tick 150 ms late", late(200 * time.Millisecond)},
		{"feedback 300 ms old", driveAge(300 * time.Millisecond)},
		{"a motor 59 rpm and a tenth faster than ordered", turn(1000, 1159)},
		{"a motor that turns at 59 rpm with nothing ordered", turn(0, 59)},
		{"a motor 59 rpm and 15 in 100 slower than ordered", turn(1000, 791)},
		{"water a tenth and just under 0.1 m/s over the cap", flows(1.85)},
		{"no occupancy sensor", noSensor},
		{"no wall at all", func(f *safety.Facts, _ *safety.Wish) { f.Wall = safety.NoWall }},
		{"no interlocks", func(f *safety.Facts, _ *safety.Wish) { f.Wall.Cover, f.Wall.Level = safety.Absent, safety.Absent }},
		{"nobody seen while the blocks do not run", func(f *safety.Facts, w *safety.Wish) { f.Wall.Occupancy, w.Swims = safety.Bad, false }},
		{"a wish at the cap", wish(1.6)},
	} {
		p := swimming(t)
		for range 1300 {
			if v := p.step(c.bend); v.Level != safety.Fine || !v.Permit || v.Cap != (units.Speed{}) {
				t.Errorf("%s: %+v", c.sentence, v)
				break
			}
		}
	}
}

// Whatever asks for a stop is heard in every phase, and never outlived by what comes in the same tick.
func TestAStopIsHeardInEveryPhase(t *testing.T) {
	phases := []struct {
		name string
		get  func(t *testing.T) *pool
		with []bend
	}{
		{"locked", newPool, nil},
		{"ready", func(t *testing.T) *pool { p := newPool(t); p.reset(); return p }, nil},
		{"moving", swimming, nil},
		{"paused", func(t *testing.T) *pool { p := swimming(t); p.w.Off, p.w.Swims = true, false; return p }, nil},
		{"falling", func(t *testing.T) *pool {
			p := swimming(t)
			for v := p.step(level(safety.Bad)); !v.Soft; v = p.step(level(safety.Bad)) {
			}
			return p
		}, nil},
		{"jogging", jogging, []bend{empty}},
	}
	for _, stop := range []struct {
		name string
		bend bend
		code fault.Code
	}{
		{"asked", asks(fault.StopPressed), fault.StopPressed},
		{"pressed", stopWire(safety.Bad), fault.StopPressed},
		{"unread", stopWire(safety.Unknown), fault.WallUnread},
		{"stale", wallAge(201 * time.Millisecond), fault.WallUnread},
		{"latched at the drive", stopsMore, fault.LoopSilent},
	} {
		for _, ph := range phases {
			t.Run(ph.name+", "+stop.name, func(t *testing.T) {
				p := ph.get(t)
				if stop.name != "latched at the drive" { // that one a reset takes back: the guard has seen it
					if _, err := p.g.Reset(p.facts(stop.bend)); err == nil {
						t.Error("reset under a stop")
					}
				}
				if err := p.g.Start(p.facts(append(ph.with, stop.bend)...), false); err == nil {
					t.Error("started under a stop")
				}
				if err := p.g.StartJog(p.facts(empty, stop.bend), units.RPM(500), time.Minute); err == nil {
					t.Error("jogged under a stop")
				}
				v := p.step(append(ph.with, stop.bend)...)
				if v.Cleared != (safety.Cleared{}) || v.Permit {
					t.Fatalf("clears under a stop: %+v", v)
				}
				if ph.name != "locked" && (!v.Stop || v.Why != stop.code) {
					t.Errorf("stop not passed on: %+v", v)
				}
				if v = p.step(ph.with...); v.Cleared != (safety.Cleared{}) || v.Permit || v.Stop {
					t.Errorf("a tick later: %+v", v)
				}
			})
		}
	}
}

func TestWhatForbidsAStart(t *testing.T) {
	for _, c := range []struct {
		sentence string
		bend     bend
		code     fault.Code
	}{
		{"no stop press seen since the program started", func(f *safety.Facts, _ *safety.Wish) { f.Wall.StopSeen = false }, fault.StopUntried},
		{"the last stop press is 24 h ago", func(f *safety.Facts, _ *safety.Wish) { f.Wall.SeenAt = f.Now - 24*time.Hour }, fault.StopUntried},
		{"the cover is off", cover(safety.Bad), fault.CoverOff},
		{"the cover is unread", cover(safety.Unknown), fault.CoverOff},
		{"the water level is low", level(safety.Bad), fault.WaterLevel},
		{"the water level is unread", level(safety.Unknown), fault.WaterLevel},
		{"a stop is asked", asks(fault.PersonStop), fault.PersonStop},
		{"a stop was latched after the reset", stopsMore, fault.LoopSilent},
		{"a stop was latched after the reset without a reason", func(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops, f.Drive.Why = 2, "" }, fault.StopPressed},
		{"the link is lost", lost, fault.LinkLost},
		{"the drive was never heard", unheard, fault.LinkLost},
		{"the feedback is old", driveAge(301 * time.Millisecond), fault.FeedbackOld},
		{"the drive has a fault", faulty, fault.DriveFault},
		{"the motor turns", turn(0, 6), fault.StillTurning},
		{"the motor turns backwards", turn(0, -6), fault.StillTurning},
		{"the motor's speed is no number", turn(0, nan), fault.StillTurning},
	} {
		p := newPool(t)
		p.reset()
		p.step(empty)
		if err := p.g.Start(p.facts(empty, c.bend), false); code(err) != c.code {
			t.Errorf("%s: start: %v, want %s", c.sentence, err, c.code)
		}
		if err := p.g.StartJog(p.facts(empty, c.bend), units.RPM(500), time.Minute); code(err) != c.code {
			t.Errorf("%s: jog: %v, want %s", c.sentence, err, c.code)
		}
		if v := p.step(empty); v.Cleared != (safety.Cleared{}) {
			t.Errorf("%s: cleared %v", c.sentence, v.Cleared)
		}
		if err := p.g.Start(p.facts(), false); err != nil {
			t.Errorf("%s: once it is over: %v", c.sentence, err)
		}
		if err := p.g.Start(p.facts(), false); code(err) != fault.UnderWay {
			t.Errorf("a second start: %v", err)
		}
	}
	p := newPool(t)
	p.reset()
	if err := p.g.Start(p.facts(func(f *safety.Facts, _ *safety.Wish) { f.Wall.SeenAt = f.Now - 24*time.Hour + 1 }), false); err != nil {
		t.Errorf("a stop press just under 24 h ago: %v", err)
	}
}

func TestAResetWantsAMotorKnownToBeAtRest(t *testing.T) {
	for _, rpm := range []float64{6, -6, 500, -500, nan, math.Inf(1), math.Inf(-1)} {
		p := newPool(t)
		if _, err := p.g.Reset(p.facts(turn(0, rpm))); code(err) != fault.StillTurning {
			t.Errorf("motor at %v rpm: %v", rpm, err)
		}
	}
	for _, rpm := range []float64{0, 5, -5} {
		p := newPool(t)
		if _, err := p.g.Reset(p.facts(turn(0, rpm))); err != nil {
			t.Errorf("motor at %v rpm: %v", rpm, err)
		}
	}
}

func TestTheZeroGuardClearsNothing(t *testing.T) {
	p := newPool(t)
	p.g = &safety.Guard{}
	if err := p.g.Start(p.facts(), false); code(err) != fault.NotReset {
		t.Errorf("start of a guard that was never reset: %v", err)
	}
	p.g.Configure(safety.Config{Cap: mPerS(1.6), IdleShutoff: time.Hour, LongestSwim: time.Hour})
	if v := p.step(); v.Cleared != (safety.Cleared{}) || v.Permit {
		t.Errorf("cleared %+v", v)
	}
}

func TestNothingInPlaceOfANumberClearsMotion(t *testing.T) {
	config := func(cap, accel float64) safety.Config {
		return safety.Config{Cap: mPerS(cap), MaxAccel: units.MetresPerSecond2(accel), IdleShutoff: time.Hour, LongestSwim: time.Hour}
	}
	for _, c := range []struct {
		sentence    string
		cfg         safety.Config
		speed       float64
		accel       float64
		want, wantA float64
	}{
		{"the speed", config(1.6, 0.2), nan, 0.1, 0, 0},
		{"the acceleration", config(1.6, 0.2), 1, nan, 0, 0},
		{"the cap", config(nan, 0.2), 1, 0.1, 0, 0},
		{"the greatest acceleration", config(1.6, nan), 1, 0.1, 0, 0},
		{"a negative speed", config(1.6, 0.2), -1, 0.1, 0, 0},
		{"an endless speed is held to the cap", config(1.6, 0.2), math.Inf(1), 0.1, 1.6, 0},
		{"an endless acceleration is held to the greatest", config(1.6, 0.2), 1, math.Inf(1), 1, 0.2},
	} {
		p := newPool(t)
		p.g.Configure(c.cfg)
		p.reset()
		if err := p.g.Start(p.facts(), false); err != nil {
			t.Fatal(err)
		}
		p.w.Speed, p.w.Accel = mPerS(c.speed), units.MetresPerSecond2(c.accel)
		v, a := p.step().Cleared.Water()
		if v.MetresPerSecond() != c.want || a.MetresPerSecond2() != c.wantA {
			t.Errorf("%s: cleared %v, %v m/s²", c.sentence, v, a.MetresPerSecond2())
		}
	}
	for _, c := range []struct{ most, wish, want float64 }{{500, nan, 0}, {nan, 400, 0}, {500, -400, 0}, {-1, 400, 0}, {500, math.Inf(1), 500}} {
		p := newPool(t)
		p.reset()
		if err := p.g.StartJog(p.facts(empty), units.RPM(c.most), time.Minute); err != nil {
			t.Fatal(err)
		}
		p.w = safety.Wish{Jog: units.RPM(c.wish), Off: true}
		if got := p.step(empty).Cleared.Jog().RPM(); got != c.want {
			t.Errorf("a jog of %v with at most %v: cleared %v rpm", c.wish, c.most, got)
		}
	}
}

func TestAJogIsHeldToItsSpeedAndTime(t *testing.T) {
	p := newPool(t)
	p.reset()
	for _, b := range []bend{func(*safety.Facts, *safety.Wish) {}, noSight} {
		if err := p.g.StartJog(p.facts(b), units.RPM(500), time.Second); code(err) != fault.PersonInJog {
			t.Errorf("a jog with somebody there, or nobody knows: %v", err)
		}
	}
	if err := p.g.StartJog(p.facts(noSensor), units.RPM(500), time.Second); err != nil {
		t.Fatalf("without a sensor: %v", err)
	}
	p.w = safety.Wish{Jog: units.RPM(900), Off: true}
	for range 19 {
		if v := p.step(noSensor); v.Cleared.Jog().RPM() != 500 || mps(v.Cleared) != 0 || !v.Permit {
			t.Fatalf("while it lasts: %+v", v)
		}
	}
	for range 100 {
		if v := p.step(noSensor); v.Cleared != (safety.Cleared{}) || !v.Permit || v.Stop {
			t.Fatalf("after its time: %+v", v)
		}
	}
	if err := p.g.StartJog(p.facts(noSensor), units.RPM(500), time.Second); err != nil {
		t.Errorf("another, after a jog has ended by itself: %v", err)
	}

	for _, c := range []struct {
		sentence string
		bend     bend
		stops    bool
	}{
		{"somebody comes into sight", func(f *safety.Facts, _ *safety.Wish) { f.Wall.Occupancy = safety.Good }, true},
		{"the sensor goes blind", noSight, true},
		{"the cover comes off", cover(safety.Bad), true},
		{"the button is let go", func(_ *safety.Facts, w *safety.Wish) { w.Jog = units.MotorSpeed{} }, false},
	} {
		p := jogging(t)
		v := p.step(empty, c.bend)
		if v.Cleared != (safety.Cleared{}) || v.Stop != c.stops {
			t.Errorf("%s: %+v", c.sentence, v)
		}
		if v = p.step(empty); v.Cleared != (safety.Cleared{}) {
			t.Errorf("%s: goes on by itself: %+v", c.sentence, v)
		}
	}
	p = swimming(t)
	if v := p.step(func(_ *safety.Facts, w *safety.Wish) { w.Jog = units.RPM(400) }); v.Cleared != (safety.Cleared{}) {
		t.Errorf("a jog in a swim: %+v", v)
	}
	p = jogging(t)
	if v := p.step(empty, func(_ *safety.Facts, w *safety.Wish) { *w = safety.Wish{Speed: mPerS(1), Under: true} }); v.Cleared != (safety.Cleared{}) {
		t.Errorf("a swim in a jog: %+v", v)
	}
}

func TestNobodyAtTheCountInsEnd(t *testing.T) {
	begin := func(person bool, sensor bend) *pool {
		p := newPool(t)
		p.reset()
		if err := p.g.Start(p.facts(sensor), person); err != nil {
			t.Fatal(err)
		}
		p.w.Off, p.w.Swims = true, false
		for range 200 {
			if v := p.step(sensor); v.Level != safety.Fine {
				t.Fatalf("in the count-in: %+v", v)
			}
		}
		p.w.Off, p.w.Swims = false, true
		return p
	}
	for _, c := range []struct {
		sentence string
		person   bool
		sensor   bend
		want     fault.Code
	}{
		{"from the wall, nobody seen", true, empty, fault.NobodyYet},
		{"from the wall, sensor unread", true, noSight, fault.NobodyYet},
		{"from the wall, no sensor", true, noSensor, ""},
		{"from the wall, somebody seen", true, func(*safety.Facts, *safety.Wish) {}, ""},
		{"from elsewhere, nobody seen", false, empty, ""},
	} {
		p := begin(c.person, c.sensor)
		v := p.step(c.sensor)
		if v.Why != c.want || mps(v.Cleared) != 1 || c.want != "" && v.Level != safety.Caution {
			t.Errorf("%s: %+v", c.sentence, v)
		}
		p.step() // seen
		if v := p.step(empty); v.Level != safety.Fine {
			t.Errorf("%s: seen once, and expected again: %+v", c.sentence, v)
		}
	}
}

func TestASensorThatNeverChangesIsTold(t *testing.T) {
	p := swimming(t)
	began := p.now
	stuck := func(f *safety.Facts, _ *safety.Wish) { f.Wall.Changed = time.Minute }
	for p.now < began+time.Hour-2*tick {
		if v := p.step(stuck); v.Level != safety.Fine {
			t.Fatalf("%v after the start: %+v", p.now-began, v)
		}
	}
	if v := p.step(stuck); v.Level != safety.Notice || v.Why != fault.SensorStuck || mps(v.Cleared) != 1 {
		t.Errorf("after an hour: %+v", v)
	}
	for _, b := range []bend{noSensor, func(f *safety.Facts, w *safety.Wish) { f.Wall.Changed, w.Swims = 0, false }} {
		if v := p.step(b); v.Level != safety.Fine {
			t.Errorf("without a sensor, or in a pause: %+v", v)
		}
	}
	if v := p.step(); v.Level != safety.Fine {
		t.Errorf("changed: %+v", v)
	}
}

func TestASlowedSwimIsClippedWhenItDoesNotComeDownItself(t *testing.T) {
	p := swimming(t)
	for range 30 * 20 {
		p.step(empty)
	}
	for i := range 10*20 + 1 {
		if v := p.step(empty); v.Cap != mPerS(0.6) || mps(v.Cleared) != 1 {
			t.Fatalf("tick %d of its own way down: %+v", i, v)
		}
	}
	for range 5 * 20 {
		if v := p.step(empty); v.Cap != mPerS(0.6) || mps(v.Cleared) != 0.6 {
			t.Fatalf("after ten seconds: %+v", v)
		}
	}
	if v := p.step(empty, wish(0.5)); mps(v.Cleared) != 0.5 {
		t.Errorf("slower than the cap: %+v", v)
	}
	if v := p.step(); v.Cap != (units.Speed{}) || mps(v.Cleared) != 1 {
		t.Errorf("seen again: %+v", v)
	}
}

func TestASoftStopNeverRises(t *testing.T) {
	p := swimming(t)
	p.w.Accel = units.MetresPerSecond2(0.1)
	for range 41 {
		p.step(level(safety.Bad))
	}
	for range 9 { // the acceleration that was under way is taken away, within half a second
		if v, a := p.step().Cleared.Water(); v.MetresPerSecond() != 1 || a.MetresPerSecond2() != 0.1 {
			t.Fatalf("in the relief: %v %v", v, a)
		}
	}
	p.step()
	if v, a := p.step().Cleared.Water(); v.MetresPerSecond() != 1 || a.MetresPerSecond2() != 0 {
		t.Fatalf("after it: %v %v", v, a)
	}
	least := 1.0
	for _, v := range []float64{0.9, 1.2, 0.7, 1.6, 0.72, 0.3, 1} {
		got := mps(p.step(wish(v)).Cleared)
		if got > least+0.02 {
			t.Fatalf("wish %v: cleared %v after %v", v, got, least)
		}
		least = min(least, got)
	}
}

func TestAMotorThatTurnsWhileItShouldStandIsTold(t *testing.T) {
	p := swimming(t)
	if v := p.step(asks(fault.StopPressed)); !v.Stop {
		t.Fatal("no stop")
	}
	for _, rpm := range []float64{61, -61, nan} {
		for range 61 {
			p.step(turn(0, rpm))
		}
		if v := p.step(turn(0, rpm)); v.Why != fault.MotorTurns || v.Level != safety.Fast || v.Permit {
			t.Errorf("%v rpm, longer than the quick stop after a stop: %+v", rpm, v)
		}
		if v := p.step(turn(0, 59)); v.Why != fault.StopPressed {
			t.Errorf("all but at rest: %+v", v)
		}
	}
	// once reset, it is no longer a word: it is a stop
	p.reset()
	for range 10 {
		if v := p.step(turn(0, 200)); v.Stop {
			t.Fatalf("within the blip: %+v", v)
		}
	}
	if v := p.step(turn(0, 200)); !v.Stop || v.Why != fault.MotorFast {
		t.Errorf("a motor that turns by itself: %+v", v)
	}
}

// Patience counts within one swim: what held before a stop does not shorten the next.
func TestPatienceBeginsAnewWithASwim(t *testing.T) {
	p := swimming(t)
	for range 59 * 20 {
		p.step(empty)
	}
	p.step(empty, asks(fault.StopPressed))
	p.reset()
	if err := p.g.Start(p.facts(empty), false); err != nil {
		t.Fatal(err)
	}
	for range 15 * 20 {
		if v := p.step(empty); v.Level != safety.Fine {
			t.Fatalf("%+v", v)
		}
	}
}

// A real motor waits before it follows. Up to a second to enable from rest (magnetising, a brake), with a start's step to its lead, is no fault, nor 0.3 s
// of dead time at any change, nor its own ramp. From memory: frequency converters of a few kW take 0.1 to 1 s from the enable to the first turn.
func TestAMotorThatTakesItsTimeRaisesNothing(t *testing.T) {
	const enabling, dead = 20, 6 // ticks
	for _, ramp := range []float64{100, 300, 600, 1500} {
		p := newPool(t)
		p.g.Configure(safety.Config{Cap: mPerS(1.6), MaxAccel: units.MetresPerSecond2(0.2), MotorRamp: ramp, IdleShutoff: time.Hour, LongestSwim: time.Hour})
		p.step()
		p.reset()
		if err := p.g.Start(p.facts(), false); err != nil {
			t.Fatal(err)
		}
		var motor float64
		var sent [dead]float64
		enabled := 0
		for i := range 40 * 20 {
			order := 0.0
			switch at := float64(i) / 20; { // up with a lead of 390 rpm and 80 rpm/s, held, and off
			case at < 10:
				order = 390 + 80*at
			case at < 25:
				order = 1190
			}
			heard := sent[i%dead]
			sent[i%dead] = order
			if heard > 0 {
				enabled++
			}
			if enabled > enabling-dead {
				motor += min(max(heard-motor, -ramp/20), ramp/20)
			}
			if v := p.step(turn(order, motor)); v.Level != safety.Fine {
				t.Fatalf("ramp %v rpm/s, %v s: order %v, motor %v: %+v", ramp, float64(i)/20, order, motor, v)
			}
		}
	}
}
