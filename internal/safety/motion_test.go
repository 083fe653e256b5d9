package safety_test

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

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
