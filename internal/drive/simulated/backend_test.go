package simulated

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const ms = time.Millisecond

// flume is an invented one: nearly straight, 300 to 1500 rpm, 600 rpm/s.
func flume(t testing.TB) *water.Model {
	t.Helper()
	var ps []water.Point
	for _, p := range [][2]float64{{300, .33}, {600, .70}, {900, 1.07}, {1200, 1.42}, {1500, 1.75}} {
		ps = append(ps, water.Point{Motor: units.RPM(p[0]), Water: units.MetresPerSecond(p[1])})
	}
	m, err := water.New(ps, units.Metres(2), water.Motor{Min: units.RPM(300), Max: units.RPM(1500), RPMPerSecond: 600})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// bench is a backend with the calls that a drive makes, at a time of the test's own.
type bench struct {
	t testing.TB
	*Backend
	now time.Duration
}

func newBench(t testing.TB, change func(*Config)) *bench {
	t.Helper()
	c := Defaults(flume(t))
	if change != nil {
		change(&c)
	}
	b, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, Backend: b}
}

func (b *bench) round() drive.Round { return drive.Round{Elapsed: b.now, Until: b.now + 100*ms} }

// order sets and reads.
func (b *bench) order(rpm float64) (drive.Feedback, error) {
	if err := b.set(b.round(), rpm); err != nil {
		return drive.Feedback{}, err
	}
	return b.Read(b.round())
}

// hold orders the same every 50 ms until then.
func (b *bench) hold(rpm float64, until time.Duration) {
	b.t.Helper()
	for ; b.now < until; b.now += 50 * ms {
		if _, err := b.order(rpm); err != nil {
			b.t.Fatalf("at %v: %v", b.now, err)
		}
	}
	b.now = until
	b.Pass(until)
}

func (b *bench) want(at time.Duration, rpm float64, s State) {
	b.t.Helper()
	b.Pass(at)
	if got := b.Motor().RPM(); math.Abs(got-rpm) > 1e-3 || b.State() != s {
		b.t.Errorf("at %v: %g rpm, %v; want %g rpm, %v", at, got, b.State(), rpm, s)
	}
}

func TestMotorEnablesRampsAndQuickStops(t *testing.T) {
	b := newBench(t, nil)
	b.want(0, 0, Disabled)
	if f, err := b.order(900); err != nil || f != (drive.Feedback{}) {
		t.Errorf("first answer: %+v, %v", f, err)
	}
	b.want(20*ms-1, 0, Disabled) // dead time
	b.want(20*ms, 0, Enabling)
	b.want(220*ms-1, 0, Enabling)
	b.want(220*ms, 300, Running) // the step to the lowest speed
	b.want(320*ms, 360, Running) // 600 rpm/s
	b.now = 320 * ms
	b.hold(900, 1400*ms)
	b.want(1400*ms, 900, Running)
	if f, err := b.Read(b.round()); err != nil || f != (drive.Feedback{Motor: units.RPM(900), Enabled: true}) {
		t.Errorf("running: %+v, %v", f, err)
	}
	b.now = 1400 * ms
	for range 2 { // a stop works twice
		if err := b.Stop(b.round()); err != nil {
			t.Fatal(err)
		}
	}
	b.want(1420*ms-1, 900, Running)
	b.want(1520*ms, 750, QuickStop) // 1500 rpm/s
	b.want(1820*ms-1, 300, QuickStop)
	b.want(1820*ms, 0, Disabled) // below the lowest speed it stands
	b.now = 2 * time.Second
	b.hold(600, 3*time.Second) // the next order enables again
	b.want(3*time.Second, 600, Running)
}

func TestAnOrderAfterAStopWaitsForRest(t *testing.T) {
	b := newBench(t, nil)
	b.hold(900, 2*time.Second)
	if err := errors.Join(b.Stop(b.round()), b.set(b.round(), 600)); err != nil {
		t.Fatal(err)
	}
	b.want(2420*ms-1, 300, QuickStop)
	b.want(2420*ms, 0, Enabling)
	// A second stop takes the order back.
	b.now = 2430 * ms
	if err := b.Stop(b.round()); err != nil {
		t.Fatal(err)
	}
	b.want(2460*ms, 0, Disabled)
	b.want(time.Minute, 0, Disabled)
}

func TestBelowItsLowestSpeedTheMotorStands(t *testing.T) {
	b := newBench(t, nil)
	b.hold(299, 5*time.Second)
	b.want(b.now, 0, Running)
	if v, d := b.Water(); v != (units.Speed{}) || d != (units.Distance{}) {
		t.Errorf("water %v, %v", v, d)
	}
	b.hold(301, 6*time.Second)
	b.want(b.now, 301, Running)
	b.hold(200, 7*time.Second)
	b.want(b.now, 0, Running)
	b.hold(9000, 15*time.Second)
	b.want(b.now, 1500, Running) // and beyond its highest it does not go
	b.hold(math.NaN(), 20*time.Second)
	b.want(b.now, 0, Running)
}

func TestLinkLossStopsTheMotorInTime(t *testing.T) {
	// In one go of three seconds, and step by step: the same.
	for _, step := range []time.Duration{3 * time.Second, ms} {
		b := newBench(t, func(c *Config) { c.Noise = 0 })
		b.hold(900, 5*time.Second) // heard last at 4.95 s
		v, d := b.Water()
		for at := b.now; at <= b.now+3*time.Second; at += step {
			b.Pass(at)
			switch at {
			case 5450*ms - ms:
				b.want(at, 900, Running)
			case 5550 * ms:
				b.want(at, 750, QuickStop)
			}
		}
		b.want(8*time.Second, 0, Fault)
		w, e := b.Water()
		// 0.45 s at 900 rpm, 0.4 s down to 300 rpm, then the coast.
		rundown := b.motor.plant.model.Advance(water.Estimate{Speed: v, Distance: d}, units.RPM(900), units.RPM(900), 450*ms)
		for n := 900.0; n > 300; n -= 1.5 {
			rundown = b.motor.plant.model.Advance(rundown, units.RPM(n), units.RPM(n-1.5), ms)
		}
		rundown = b.motor.plant.model.Advance(rundown, units.MotorSpeed{}, units.MotorSpeed{}, 2150*ms)
		if math.Abs(rundown.Speed.MetresPerSecond()-w.MetresPerSecond()) > 1e-4 || math.Abs(rundown.Distance.Metres()-e.Metres()) > 1e-4 {
			t.Errorf("steps of %v: water %v, %v m; want %v, %v m", step, w, e.Metres(), rundown.Speed, rundown.Distance.Metres())
		}
	}
}

func TestAMotorThatStoppedByItselfWaitsForAStop(t *testing.T) {
	for _, c := range []struct {
		name, fault, text string
		during            time.Duration
	}{
		{"link loss", "link lost at 5 s for 3 s", linkLoss, 7 * time.Second},
		{"trip", "motor trips at 5.1 s", tripped, 6 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, func(cfg *Config) { cfg.Faults = []string{c.fault} })
			b.hold(900, 5*time.Second)
			b.want(c.during, 0, Fault)
			b.now = 9 * time.Second
			for ; b.now < 20*time.Second; b.now += 50 * ms {
				if _, err := b.order(900); !errors.Is(err, errFault) {
					t.Fatalf("order at %v: %v", b.now, err)
				}
			}
			if f, err := b.Read(b.round()); err != nil || f != (drive.Feedback{Fault: c.text}) {
				t.Errorf("feedback %+v, %v", f, err)
			}
			b.want(b.now, 0, Fault)
			if err := b.Stop(b.round()); err != nil {
				t.Fatal(err)
			}
			b.want(b.now+25*ms, 0, Disabled)
			if f, err := b.Read(b.round()); err != nil || f != (drive.Feedback{}) {
				t.Errorf("feedback after the stop %+v, %v", f, err)
			}
			b.want(b.now+time.Minute, 0, Disabled) // the stop starts nothing
			b.now += time.Minute
			b.hold(900, b.now+2*time.Second)
			b.want(b.now, 900, Running)
		})
	}
}

func TestATripTakesThePowerAway(t *testing.T) {
	b := newBench(t, func(c *Config) { c.Faults = []string{"motor trips at 5 s"} })
	b.hold(900, 5*time.Second)
	b.want(5*time.Second, 900, Fault)
	b.now = 5100 * ms
	if f, err := b.Read(b.round()); err != nil || f.Enabled || f.Fault != tripped || math.Abs(f.Motor.RPM()-750) > 1e-3 {
		t.Errorf("feedback %+v, %v", f, err)
	}
}

func TestAnOrderUnderWayWhenTheMotorTripsIsLost(t *testing.T) {
	b := newBench(t, func(c *Config) { c.Faults = []string{"motor trips at 5.01 s"} })
	b.hold(900, 5*time.Second)
	if err := b.set(b.round(), 900); err != nil { // acts at 5.02 s
		t.Fatal(err)
	}
	b.now = 5450 * ms
	b.want(b.now, 0, Fault)
	if err := b.Stop(b.round()); err != nil { // nor does the stop that ends the fault bring it back
		t.Fatal(err)
	}
	b.want(5460*ms, 0, Disabled)
	b.want(10*time.Second, 0, Disabled)
}

func TestLinkLossTakesBackAnOrderThatWaitsForRest(t *testing.T) {
	b := newBench(t, func(c *Config) { c.QuickStopRPMPerSecond = 300 })
	b.hold(900, 2*time.Second)
	if err := errors.Join(b.Stop(b.round()), b.set(b.round(), 600)); err != nil {
		t.Fatal(err)
	}
	b.want(4020*ms, 0, Disabled) // two seconds down, the link silent for longer
	b.want(time.Minute, 0, Disabled)
}

func TestFaultsOfTheLink(t *testing.T) {
	b := newBench(t, func(c *Config) {
		c.Faults = []string{
			"link lost at 10 s for 400 ms",
			"answers late by 80 ms at 20 s for 5 s",
			"answers late by 120 ms at 30 s for 1 s",
			"feedback frozen at 40 s for 2 s",
			"motor ignores orders at 50 s for 4 s",
		}
	})
	b.hold(600, 10*time.Second)
	for ; b.now < 10400*ms; b.now += 50 * ms {
		_, readErr := b.Read(b.round())
		for _, err := range []error{b.set(b.round(), 600), readErr, b.Stop(b.round())} {
			if !errors.Is(err, errLost) {
				t.Fatalf("at %v: %v", b.now, err)
			}
		}
	}
	b.want(10400*ms, 600, Running) // shorter than the link loss, and the stops did not arrive
	b.hold(600, 30*time.Second)    // late by 80 of 100 ms is in time
	// Late by more is no answer, but the order has arrived.
	if err := b.set(b.round(), 900); !errors.Is(err, errLate) {
		t.Errorf("late order: %v", err)
	}
	b.now = 30400 * ms
	if f, err := b.Read(b.round()); !errors.Is(err, errLate) || f != (drive.Feedback{}) {
		t.Errorf("late read: %+v, %v", f, err)
	}
	b.now = 30850 * ms
	if err := b.Stop(b.round()); !errors.Is(err, errLate) {
		t.Errorf("late stop: %v", err)
	}
	b.want(30850*ms, 900, Running)
	b.want(31400*ms, 0, Disabled)

	b.now = 31400 * ms
	b.hold(900, 40*time.Second)
	b.hold(600, 42*time.Second)
	if f := *b.frozen; f.Motor.RPM() != 900 || b.Motor().RPM() != 600 {
		t.Errorf("frozen: reads %v, turns %v", f.Motor, b.Motor())
	}
	if f, err := b.order(600); err != nil || f.Motor.RPM() != 600 {
		t.Errorf("thawed: %+v, %v", f, err)
	}

	b.hold(600, 50*time.Second)
	b.hold(900, 53*time.Second)
	b.want(53*time.Second, 600, Running)
	if err := b.Stop(b.round()); err != nil {
		t.Fatal(err)
	}
	b.want(53500*ms, 0, Disabled) // a stop it does not ignore
}

func TestAStopEndsEveryCallBeforeAnythingIsSent(t *testing.T) {
	b := newBench(t, nil)
	b.hold(600, 2*time.Second)
	stop := make(chan struct{})
	close(stop)
	r := b.round()
	r.Stop = stop
	if err := b.set(r, 900); !errors.Is(err, errStop) {
		t.Errorf("set: %v", err)
	}
	if _, err := b.Read(r); !errors.Is(err, errStop) {
		t.Errorf("read: %v", err)
	}
	b.want(2400*ms, 600, Running)
}

func TestCloseStops(t *testing.T) {
	b := newBench(t, nil)
	b.hold(900, 2*time.Second)
	for range 2 {
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.Read(b.round()); !errors.Is(err, errClosed) {
		t.Errorf("read after Close: %v", err)
	}
	if err := errors.Join(b.set(b.round(), 900), b.Stop(b.round())); !errors.Is(err, errClosed) {
		t.Errorf("set after Close: %v", err)
	}
	b.want(3*time.Second, 0, Disabled)
}

func TestACutLinkKeepsCloseFromStopping(t *testing.T) {
	b := newBench(t, func(c *Config) { c.Faults = []string{"link lost at 2 s for 9 s"} })
	b.hold(900, 2*time.Second)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	b.want(2400*ms, 900, Running)
	b.want(3*time.Second, 0, Fault) // its own link-loss stop does it
}

func TestLongDeadTimeKeepsOrdersInOrder(t *testing.T) {
	b := newBench(t, func(c *Config) {
		c.DeadTime, c.EnableTime, c.LinkLoss = time.Second, 0, 2*time.Second
		c.Model, _ = water.New(c.Model.Points(), units.Metres(2), water.Motor{Max: units.RPM(1500)})
	})
	for i := range 100 {
		b.hold(float64(10*i), time.Duration(i+1)*50*ms)
	}
	for i := range 19 {
		at := b.now + time.Duration(i)*50*ms
		b.want(at+10*ms, float64(10*(80+i)), Running)
	}
}

func TestBadValuesAreNamed(t *testing.T) {
	c := Defaults(flume(t))
	c.SpeedError, c.InertiaError, c.Noise = .6, -1, math.NaN()
	c.DeadTime, c.LinkLoss, c.EnableTime = 2*time.Second, -time.Second, time.Hour
	c.RampRPMPerSecond, c.QuickStopRPMPerSecond = -1, math.Inf(1)
	c.Faults = []string{"link lost"}
	_, err := New(c)
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		"speed error 0.6: allowed is -0.5 to 0.5", "inertia error -1: allowed is -0.9 to 1", "noise NaN: allowed is 0 to 0.1",
		"dead time 2 s: allowed is 0 to 1 s", "link loss -1 s: allowed is 0 to 60 s", "enable time 3600 s: allowed is 0 to 60 s",
		"ramp -1 rpm/s: allowed is 0 to", "quick stop +Inf rpm/s", `"link lost": allowed are`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v\ndoes not say %q", err, want)
		}
	}
	if _, err := New(Config{}); err == nil || !strings.Contains(err.Error(), "needs a water model") {
		t.Errorf("without a model: %v", err)
	}
}

// throughDrive lets a Drive command a speed until the time given, and returns the drive and what a model that hears only the reports makes of the water.
func throughDrive(t *testing.T, b *Backend, m *water.Model, v float64, until time.Duration) (*drive.Drive, water.Estimate) {
	t.Helper()
	d := drive.New(b, drive.Config{Model: m})
	d.Exchange(0)
	if !d.Unlatch(drivetest.Release(1)) {
		t.Fatal("not unlatched")
	}
	clear := drivetest.Clear(units.MetresPerSecond(v), units.Accel{})
	var e water.Estimate
	was := d.Report()
	for now := 50 * ms; now <= until; now += 50 * ms {
		d.Set(clear)
		d.Exchange(now)
		r := d.Report()
		if r.Link != nil {
			t.Fatalf("at %v: %v", now, r.Link)
		}
		e = m.Advance(e, was.Motor, r.Motor, r.At-was.At)
		was = r
	}
	return d, e
}

func TestAWaterEqualToTheModelGivesTheModelsDistance(t *testing.T) {
	m := flume(t)
	b, err := New(Config{Model: m, QuickStopRPMPerSecond: 1500})
	if err != nil {
		t.Fatal(err)
	}
	d, e := throughDrive(t, b, m, 1.25, 80*time.Second)
	v, x := b.Water()
	if math.Abs(x.Metres()/e.Distance.Metres()-1) > .002 { // DESIGN.md §6
		t.Errorf("true distance %v m, estimate %v m", x.Metres(), e.Distance.Metres())
	}
	if math.Abs(v.MetresPerSecond()-1.25) > 1e-6 || x.Metres() < 95 || x.Metres() > 100 {
		t.Errorf("water %v after %v m", v, x.Metres())
	}
	d.Stop(fault.StopPressed)
	d.Exchange(80 * time.Second)
	b.Pass(82 * time.Second)
	if b.State() != Disabled || b.Motor() != (units.MotorSpeed{}) {
		t.Errorf("after the stop: %v, %v", b.State(), b.Motor())
	}
	if !d.Simulated() {
		t.Error("the drive does not say that it is simulated")
	}
}

func TestTheDefaultWaterIsOffByAFewPerCent(t *testing.T) {
	m := flume(t)
	b, err := New(Defaults(m))
	if err != nil {
		t.Fatal(err)
	}
	_, e := throughDrive(t, b, m, 1.25, 80*time.Second)
	_, x := b.Water()
	if off := x.Metres()/e.Distance.Metres() - 1; off < -.04 || off > -.02 {
		t.Errorf("true distance off by %.2f %%", 100*off)
	}
	for _, c := range []struct{ speed, rpm, want float64 }{ // by a quarter more low down, by a quarter less at the top
		{-.03, 300, -.0345}, {-.03, 750, -.03}, {-.03, 1500, -.0225}, {.04, 300, .034}, {.04, 1500, .05},
	} {
		cfg := Config{Model: m, SpeedError: c.speed}
		own, err := behind(cfg)
		if err != nil {
			t.Fatal(err)
		}
		n := units.RPM(c.rpm)
		if off := own.Steady(n).MetresPerSecond()/m.Steady(n).MetresPerSecond() - 1; math.Abs(off-c.want) > 1e-3 {
			t.Errorf("error %g at %g rpm: %g, want %g", c.speed, c.rpm, off, c.want)
		}
	}
	own, err := behind(Defaults(m))
	if err != nil || math.Abs(own.Inertia().Metres()-2.1) > 1e-12 {
		t.Errorf("inertia %v, %v", own.Inertia(), err)
	}
}

func TestAStraightCurveIsBentToo(t *testing.T) {
	m, err := water.New([]water.Point{{}, {Motor: units.RPM(1000), Water: units.MetresPerSecond(2)}}, units.Metres(2), water.Motor{Max: units.RPM(1000)})
	if err != nil {
		t.Fatal(err)
	}
	own, err := behind(Config{Model: m, SpeedError: -.03})
	if err != nil {
		t.Fatal(err)
	}
	half := own.Steady(units.RPM(500)).MetresPerSecond() / own.Top().MetresPerSecond()
	if math.Abs(half-.97/.9775/2) > 1e-12 {
		t.Errorf("half speed is %g of the top", half)
	}
}

// trace is the true water of half a minute, to the last bit.
func trace(t *testing.T, seed uint64) (line string, lo, hi float64) {
	b := newBench(t, func(c *Config) { c.Seed = seed })
	lo, hi = math.Inf(1), 0
	b.hold(900, 20*time.Second)
	still := b.motor.plant.model.Steady(units.RPM(900)).MetresPerSecond()
	for range 300 {
		b.hold(900, b.now+100*ms)
		v, x := b.Water()
		line += fmt.Sprintf("%x %x\n", v.MetresPerSecond(), x.Metres())
		lo, hi = math.Min(lo, v.MetresPerSecond()/still-1), math.Max(hi, v.MetresPerSecond()/still-1)
	}
	return line, lo, hi
}

func TestNoiseIsRepeatedBySeedAndBounded(t *testing.T) {
	one, lo, hi := trace(t, 1)
	if again, _, _ := trace(t, 1); again != one {
		t.Error("one seed gave two waters")
	}
	if two, _, _ := trace(t, 2); two == one {
		t.Error("two seeds gave one water")
	}
	if lo < -.005-1e-6 || hi > .005+1e-6 || hi-lo < .004 {
		t.Errorf("noise between %g and %g", lo, hi)
	}
}

func TestDistanceIsTheIntegralOfTheTrueSpeed(t *testing.T) {
	for _, step := range []time.Duration{50 * ms, 60 * time.Second} {
		fine := newBench(t, func(c *Config) { c.LinkLoss, c.Noise = 60*time.Second, .1 })
		fine.hold(900, 20*time.Second)
		coarse := newBench(t, func(c *Config) { c.LinkLoss, c.Noise = 60*time.Second, .1 })
		coarse.hold(900, 20*time.Second)
		_, from := fine.Water()
		sum := 0.0
		for at := 20*time.Second + 5*ms; at < 79*time.Second; at += 10 * ms {
			fine.Pass(at)
			v, _ := fine.Water()
			sum += v.MetresPerSecond() * .01
		}
		for at := 20 * time.Second; at < 79*time.Second; at += step {
			coarse.Pass(at)
		}
		coarse.Pass(79 * time.Second)
		_, to := coarse.Water()
		if got := to.Metres() - from.Metres(); math.Abs(got-sum) > 1e-3 {
			t.Errorf("steps of %v: distance %v m, integral %v m", step, got, sum)
		}
	}
}

func TestNoiseIsSlow(t *testing.T) {
	n := newNoise(.005, 3)
	was := n.value(0)
	for at := 10 * ms; at < 10*time.Minute; at += 10 * ms {
		v := n.value(at)
		if math.Abs(v-was) > .01*.01*1.5/wander.Seconds() { // the steepest of a smooth step of twice the size
			t.Fatalf("at %v it jumps by %g", at, v-was)
		}
		was = v
	}
}

func TestExchangesAllocateNothing(t *testing.T) {
	b := newBench(t, func(c *Config) { c.DeadTime = 120 * ms })
	b.hold(900, 3*time.Second)
	rpm := 900.0
	if n := testing.AllocsPerRun(1000, func() {
		rpm = 1800 - rpm - 1
		if _, err := b.order(rpm); err != nil {
			t.Fatal(err)
		}
		b.now += 50 * ms
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if n := cap(b.motor.pending); n > 8 {
		t.Errorf("room for %d orders under way, and it grows", n)
	}
}

func BenchmarkTick(b *testing.B) {
	for _, c := range []struct {
		name string
		by   float64
	}{{"steady", 0}, {"ramp", 5}} {
		b.Run(c.name, func(b *testing.B) {
			s := newBench(b, nil)
			s.hold(900, 3*time.Second)
			rpm := 900.0
			for b.Loop() {
				if rpm += c.by; rpm > 1400 {
					rpm = 400
				}
				if _, err := s.order(rpm); err != nil {
					b.Fatal(err)
				}
				s.now += 50 * ms
			}
		})
	}
}

// TestFlowSensor: it shows its share of the true water, noise included, also while nothing is ordered; without one, nothing is known.
func TestFlowSensor(t *testing.T) {
	for _, share := range []float64{0, 1, 0.92} {
		b := newBench(t, func(c *Config) { c.FlowSensor, c.Noise, c.SpeedError = share, 0.01, -0.08 })
		for range 100 {
			b.hold(900, b.now+200*ms)
			f, err := b.Read(b.round())
			if err != nil {
				t.Fatal(err)
			}
			water, _ := b.Water()
			if got, want := f.Sensed.Speed.MetresPerSecond(), share*water.MetresPerSecond(); f.Sensed.Known != (share > 0) || math.Abs(got-want) > 1e-12 {
				t.Fatalf("a sensor that shows %g: %+v at %v", share, f.Sensed, water)
			}
		}
		if v, _ := b.Water(); v.MetresPerSecond() < 0.9 {
			t.Errorf("the water is at %v", v)
		}
	}
}
