package safety_test

import (
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

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
				if _, err := p.g.Reset(p.facts(stop.bend)); err == nil {
					t.Error("reset under a stop, or under one that no tick has met")
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
	u := safety.NewGuard(safety.Config{Cap: units.MetresPerSecond(1), Uncommissioned: true})
	q := newPool(t)
	q.g = u
	q.step(empty)
	q.reset()
	q.step(empty)
	if err := u.Start(q.facts(), false); code(err) != fault.NotCommissioned {
		t.Errorf("nobody has commissioned it: start: %v", err)
	}
	if err := u.StartJog(q.facts(empty), units.RPM(500), time.Minute); err != nil {
		t.Errorf("nobody has commissioned it: jog: %v", err)
	}
	if u.Commission(true) {
		t.Error("it counts as commissioned while the motor turns")
	}
	// That it no longer is, as a part of the course has found it, is heard while the motor still turns.
	v := newPool(t)
	v.reset()
	if err := v.g.StartJog(v.facts(empty), units.RPM(500), time.Minute); err != nil || !v.g.Commission(false) {
		t.Errorf("a jog (%v), and it goes on counting as commissioned", err)
	}
	w := func(f *safety.Facts, w *safety.Wish) { empty(f, w); w.Jog = units.RPM(0) }
	v.step(w)
	if err := v.g.Start(v.facts(), false); code(err) != fault.NotCommissioned {
		t.Errorf("no longer commissioned: start: %v", err)
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
