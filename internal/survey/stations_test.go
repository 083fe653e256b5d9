package survey

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

func place(name string, metres, share float64) Place {
	rs := read(.02, 400, .48*share, 800, .96*share, 1200, 1.44*share)
	return Place{Name: name, FromOutlet: units.Metres(metres), Readings: rs}
}

func TestStations(t *testing.T) {
	// 1:40 per 100 m is 1 m/s; where a share of 100/106 of it flows, the same water is 1:46.
	got, err := Stations("swimmer", []Place{place("far", 4, .8), place("swimmer", 1.5, 1), place("a metre back", 2.5, 100./106), place("near", .5, 1)})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range got {
		names = append(names, s.Name)
	}
	if !slices.Equal(names, []string{"near", "swimmer", "a metre back", "far"}) {
		t.Fatalf("%v", names)
	}
	near(t, "share a metre back", got[2].Share, 100./106, 1e-12)
	if pace := got[2].Speed(units.MetresPerSecond(1)).Pace(units.Metre); pace.String() != "1:46/100m" {
		t.Errorf("1:40 a metre back is %v", pace)
	}
	if got[1].Share != 1 || got[1].CI != 0 {
		t.Errorf("the reference is %+v", got[1])
	}
	// Three ratios, each with ± 2 % on both sides, of which the mean is √3 better: 0.8·√(0.02² + 0.02²)/√3.
	near(t, "interval of far", got[3].CI, .8*.02*math.Sqrt2/math.Sqrt(3), 1e-9)
}

// TestStationsSwapped: two stations the wrong way round are found and named, and only where the error does not explain it.
func TestStationsSwapped(t *testing.T) {
	_, err := Stations("swimmer", []Place{place("swimmer", 1.5, 1), place("a metre back", 4, .94), place("wall", 2.5, .8)})
	var c *Contradiction
	if !errors.As(err, &c) || !c.Swapped || !slices.Equal(c.At, []string{"wall", "a metre back"}) {
		t.Fatalf("got %v", err)
	}
	if !strings.Contains(err.Error(), "swapped") {
		t.Errorf("%v", err)
	}
	if _, err := Stations("swimmer", []Place{place("swimmer", 1.5, 1), place("a metre back", 2.5, .94), place("wall", 4, .95)}); err != nil {
		t.Errorf("a rise within the error: %v", err)
	}
	_, err = Stations("swimmer", []Place{place("swimmer", 1.5, 1), place("a metre back", 2.5, .9), place("wall", 4, 1.2)})
	if !errors.As(err, &c) || !slices.Contains(c.At, "wall") || c.Swapped {
		t.Errorf("a wall that is too fast: got %v", err)
	}
}

func TestStationsRefuse(t *testing.T) {
	ref := place("swimmer", 1.5, 1)
	one := place("back", 3, .9)
	one.Readings = one.Readings[:1]
	other := place("back", 3, .9)
	for i := range other.Readings {
		other.Readings[i].Motor = units.RPM(other.Readings[i].Motor.RPM() + 100)
	}
	bad := place("back", math.NaN(), .9)
	for want, ps := range map[string][]Place{
		`station "swimmer", the reference, has not been measured`:                      {place("back", 3, .9)},
		`station "back" has 1 motor speeds in common with "swimmer": at least 2 are`:   {ref, one},
		`station "back" has 0 motor speeds in common with "swimmer"`:                   {ref, other},
		`station "back": NaN m from the outlet: allowed is 0 to 50`:                    {ref, bad},
		`station "swimmer" is there twice`:                                             {ref, ref},
		`stations "swimmer" and "back" are both 1.5 m from the outlet`:                 {ref, place("back", 1.5, .9)},
		`station "back": reading 1: water -0.432 m/s at 400 rpm: allowed is 0.01 to 5`: {ref, place("back", 3, -.9)},
	} {
		if got, err := Stations("swimmer", ps); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, %v, want %q", got, err, want)
		}
	}
}

// TestStationsBlind: the interval of a share holds the true one.
func TestStationsBlind(t *testing.T) {
	const trials = 400
	held := 0
	rng := rand.New(rand.NewPCG(3, 3))
	measured := func(share float64) (rs []Reading) {
		for _, n := range []float64{400, 700, 1000, 1300} {
			p := Passes{Motor: units.RPM(n), Length: units.Metres(3)}
			for range 10 {
				p.Times = append(p.Times, seconds(3/(share*n*.0012)*(1+.03*rng.NormFloat64())))
			}
			r, err := p.Reading()
			if err != nil {
				t.Fatal(err)
			}
			rs = append(rs, r)
		}
		return rs
	}
	for range trials {
		share := .7 + .3*rng.Float64()
		s, err := Stations("a", []Place{{"a", units.Metres(1), measured(1)}, {"b", units.Metres(3), measured(share)}})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s[1].Share-share) <= s[1].CI {
			held++
		}
	}
	t.Logf("share inside its interval in %d of %d", held, trials)
	if held < trials*92/100 {
		t.Errorf("the share is inside its interval in only %d of %d", held, trials)
	}
}

func TestDrift(t *testing.T) {
	l := DefaultDriftLimits()
	var y Tally
	if d := y.Drift(l); d.Motor.Known || d.Water.Known || d.Notices() != nil {
		t.Errorf("of nothing: %+v", d)
	}
	swim := func(turned, sensed float64, minutes int) Drift {
		var y Tally
		for range minutes * 60 {
			y.Motor(time.Second, units.RPM(1000), units.RPM(turned))
			y.Motor(time.Second, units.MotorSpeed{}, units.RPM(400)) // running down after an order of none
			y.Water(time.Second, speed(1.2), speed(sensed))
			y.Water(time.Second, speed(.01), speed(.4))
		}
		return y.Drift(l)
	}
	if d := swim(1015, 1.25, 10); !d.Motor.Known || !d.Water.Known || d.Motor.Drifted || d.Water.Drifted || d.Notices() != nil {
		t.Errorf("within limits: %+v", d)
	}
	d := swim(970, 1.1, 10)
	near(t, "motor", d.Motor.Off, -.03, 1e-9)
	near(t, "water", d.Water.Off, 1.1/1.2-1, 1e-9)
	want := []Notice{
		{fault.MotorDrift, "The motor turned 970 rpm on average where 1000 were ordered (-3.0 %; 2.0 % is allowed). Look at the drive's parameters and the slip, then calibrate again."},
		{fault.WaterDrift, "The flow sensor saw 1.100 m/s on average where the calibration says 1.200 (-8.3 %; 5.0 % is allowed). Look for what blocks the water, and at the sensor; then calibrate again."},
	}
	if got := d.Notices(); !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
	if d := swim(500, .3, 1); d.Motor.Known || d.Notices() != nil {
		t.Errorf("of a minute: %+v", d)
	}
	// Of a slow motor, 10 rpm count and no share: 10 % of 0 rpm is nothing.
	y = Tally{}
	y.Motor(time.Hour, units.RPM(100), units.RPM(109))
	y.Motor(time.Hour, units.RPM(math.NaN()), units.RPM(math.Inf(1)))
	if d := y.Drift(l); !d.Motor.Known || d.Motor.Drifted {
		t.Errorf("%+v", d)
	}
}

func TestOverdue(t *testing.T) {
	day := func(s string) time.Time {
		d, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	year := 365 * 24 * time.Hour
	for _, c := range []struct {
		on, today time.Time
		after     time.Duration
		want      bool
	}{
		{day("2026-11-25"), day("2027-11-25"), year, false},
		{day("2026-11-25"), day("2027-11-26"), year, true},
		{day("2026-11-25"), day("2036-11-26"), 0, false},
		{time.Time{}, day("2036-11-26"), year, false},
		{day("2026-11-25"), day("1970-01-01"), year, false}, // a board before its clock is set
	} {
		if got := Overdue(c.on, c.after, c.today); got != c.want {
			t.Errorf("%v after %v: %v", c.today, c.on, got)
		}
	}
}
