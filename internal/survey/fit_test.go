package survey

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// read makes readings of rpm and m/s, each with an interval of that share.
func read(share float64, xy ...float64) (out []Reading) {
	for i := 0; i < len(xy); i += 2 {
		out = append(out, Reading{Motor: units.RPM(xy[i]), Water: speed(xy[i+1]), CI: speed(share * xy[i+1]), Used: 8})
	}
	return out
}

func motor(low, high float64) water.Motor {
	return water.Motor{Min: units.RPM(low), Max: units.RPM(high)}
}

var otterford = []float64{120, .135, 300, .34, 600, .71, 900, 1.09, 1200, 1.46, 1500, 1.80}

func fit(t testing.TB, rs []Reading, m water.Motor) *Calibration {
	t.Helper()
	c, err := Fit(rs, m)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestPumpExample: between its points, the calibration of an example pump is the monotone cubic that SciPy 1.10's PCHIP computes (Fritsch and Butland's slopes);
// internal/water holds the same curve to the RPN-14 data of Fritsch and Carlson 1980.
func TestPumpExample(t *testing.T) {
	c := fit(t, read(.001, 10, .12, 20, .42, 30, .78, 40, 1.16, 50, 1.50), motor(5, 50))
	for n, want := range map[float64]float64{5: .0423214, 10: .12, 15: .2505195, 25: .5946929, 35: .9713551, 45: 1.3348611, 50: 1.5, 0: 0} {
		near(t, fmt.Sprint(n), c.Steady(units.RPM(n)).MetresPerSecond(), want, 5e-8)
	}
}

// TestAffinity: of a flume that follows the affinity laws, speed goes with rpm (×0.8 → 0.8, ×1.1 → 1.1), also between the readings.
func TestAffinity(t *testing.T) {
	c := fit(t, read(.01, 200, .24, 500, .6, 800, .96, 1100, 1.32, 1500, 1.8), motor(200, 1500))
	for _, n := range []float64{300, 700, 1000, 1300} {
		near(t, "×0.8", c.Steady(units.RPM(.8*n)).MetresPerSecond()/c.Steady(units.RPM(n)).MetresPerSecond(), .8, 1e-12)
		near(t, "×1.1", c.Steady(units.RPM(1.1*n)).MetresPerSecond()/c.Steady(units.RPM(n)).MetresPerSecond(), 1.1, 1e-12)
	}
	for _, r := range c.Residuals() {
		near(t, "residual of a straight line", r.Off.MetresPerSecond(), 0, 1e-12)
	}
}

func refused(t *testing.T, what string, rs []Reading, m water.Motor) *Contradiction {
	t.Helper()
	_, err := Fit(rs, m)
	var c *Contradiction
	if !errors.As(err, &c) {
		t.Fatalf("%s: got %v, want a contradiction", what, err)
	}
	return c
}

// TestSwapped: any two readings the wrong way round are found and named.
func TestSwapped(t *testing.T) {
	for j := 2; j < len(otterford); j += 2 {
		for i := 0; i < j; i += 2 {
			xy := slices.Clone(otterford)
			xy[i+1], xy[j+1] = xy[j+1], xy[i+1]
			c := refused(t, fmt.Sprint(xy), read(.03, xy...), motor(120, 1500))
			want := []string{rpmText(xy[i]), rpmText(xy[j])}
			if !c.Swapped || !slices.Equal(c.At, want) {
				t.Errorf("%v: %v, swapped %v, want %v", xy, c.At, c.Swapped, want)
			}
			if !strings.Contains(c.Error(), want[0]) || !strings.Contains(c.Error(), want[1]) || !strings.Contains(c.Error(), "swapped") {
				t.Errorf("%q does not name %v", c.Error(), want)
			}
		}
	}
}

// TestAstray: a reading that is off by more than the errors, up or down, is found and named.
func TestAstray(t *testing.T) {
	for i := 2; i < len(otterford); i += 2 {
		for _, by := range []float64{0.7, 1.25} {
			xy := slices.Clone(otterford)
			xy[i+1] *= by
			if i == 2 {
				xy[i+1] = xy[i+1] + (by - 1) // slow water by a share is nothing: by 0.25 to 0.3 m/s instead
			}
			if xy[i+1] <= 0 {
				continue
			}
			c := refused(t, fmt.Sprint(xy), read(.02, xy...), motor(120, 1500))
			if !slices.Contains(c.At, rpmText(xy[i])) {
				t.Errorf("%v: %v, want %v among them\n%v", xy, c.At, rpmText(xy[i]), c)
			}
		}
	}
	c := refused(t, "one of many", read(.02, 120, .135, 300, .34, 600, .71, 900, .95, 1200, 1.46, 1500, 1.80), motor(120, 1500))
	if !slices.Equal(c.At, []string{"900 rpm"}) || !strings.Contains(c.Error(), "0.139 m/s slower than the other readings say") {
		t.Errorf("%v: %v", c.At, c)
	}
}

// TestSwappedBlind: readings of hidden flumes, two neighbours swapped, are refused, and the right two are named.
func TestSwappedBlind(t *testing.T) {
	const flumes = 60
	named := 0
	for seed := range uint64(flumes) {
		f := hide(seed + 500)
		rs, err := f.floats()
		if err != nil {
			t.Fatal(err)
		}
		i := f.rng.IntN(len(rs) - 1)
		rs[i].Motor, rs[i+1].Motor = rs[i+1].Motor, rs[i].Motor
		c := refused(t, fmt.Sprint("flume ", seed), rs, motor(f.min, f.max))
		if c.Swapped && slices.Contains(c.At, rpmText(rs[i].Motor.RPM())) && slices.Contains(c.At, rpmText(rs[i+1].Motor.RPM())) {
			named++
		}
	}
	t.Logf("two neighbours swapped: refused in %d of %d, named in %d", flumes, flumes, named)
	if named < flumes*9/10 {
		t.Errorf("named in only %d of %d", named, flumes)
	}
}

func TestStuckSensor(t *testing.T) {
	c := refused(t, "stuck", read(.02, 120, .81, 300, .8, 600, .82, 900, .8, 1200, .805, 1500, .81), motor(120, 1500))
	if c.Swapped || len(c.At) != 6 || !strings.Contains(c.Error(), "0.800 to 0.820 m/s whatever the motor does, from 120 rpm to 1500 rpm: is the sensor stuck") {
		t.Errorf("%v: %v", c.At, c)
	}
}

func TestReadingsOfOneSpeedContradict(t *testing.T) {
	rs := append(read(.02, otterford...), read(.02, 901, 1.25)...)
	c := refused(t, "two of 900 rpm", rs, motor(120, 1500))
	if !slices.Equal(c.At, []string{"900 rpm", "901 rpm"}) {
		t.Errorf("%v", c.At)
	}
	rs[len(rs)-1] = read(.02, 901, 1.10)[0]
	m := fit(t, rs, motor(120, 1500))
	if n := len(m.Points()); n != 6 {
		t.Errorf("%d points of six motor speeds", n)
	}
	if v := m.Steady(units.RPM(900.5)).MetresPerSecond(); v < 1.09 || v > 1.10 {
		t.Errorf("between 1.09 and 1.10 the mean is %v", v)
	}
}

// TestFall: a fall that is small, but more than good readings explain, is found and both are named.
func TestFall(t *testing.T) {
	c := refused(t, "a small fall", read(.003, 120, .135, 300, .34, 600, .71, 900, 1.09, 910, 1.075, 1200, 1.46, 1500, 1.80), motor(120, 1500))
	if !slices.Equal(c.At, []string{"900 rpm", "910 rpm"}) {
		t.Errorf("%v: %v", c.At, c)
	}
	wide := read(.003, 120, .135, 300, .34, 600, .71, 900, 1.09, 930, .70, 1200, 1.46, 1500, 1.80)
	if c := refused(t, "a fall that no swap explains", wide, motor(120, 1500)); c.Swapped || !slices.Equal(c.At, []string{"900 rpm", "930 rpm"}) {
		t.Errorf("%v: %v", c.At, c)
	}
}

// TestPool holds several readings of one motor speed to the textbook: the mean weighted by 1/se², and Welch and Satterthwaite's freedom, which for two equal errors of 7
// degrees each is 14.
func TestPool(t *testing.T) {
	a, b := node{n: 900, v: 1.0, se: .02, freedom: 7, ci: .05}, node{n: 900, v: 1.01, se: .02, freedom: 7, ci: .05}
	p, err := pool([]node{a, b})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", p.v, 1.005, 1e-12)
	near(t, "error", p.se, .02/math.Sqrt2, 1e-12)
	near(t, "freedom", p.freedom, 14, 1e-12)
	near(t, "interval", p.ci, 2.1448*.02/math.Sqrt2, 1e-6) // t(0.975, 14), textbook table
	b.se, b.freedom, b.v = .04, math.Inf(1), 1.1           // a given error, and readings that are too far apart for their errors
	p, err = pool([]node{a, b})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", p.v, (4*1.0+1.1)/5, 1e-12)
	near(t, "freedom", p.freedom, 25./16*7, 1e-12)
	near(t, "widened error", p.se, math.Sqrt((.02*.02/(.02*.02)+.08*.08/(.04*.04))/(1/(.02*.02)+1/(.04*.04))), 1e-12)
}

// TestLevel: water that falls within the error is drawn level, nearly, and that is said.
func TestLevel(t *testing.T) {
	c := fit(t, read(.06, 120, .135, 300, .34, 600, .71, 900, 1.09, 930, 1.07, 1200, 1.46, 1500, 1.80), motor(120, 1500))
	ps := c.Points()
	if len(ps) != 7 {
		t.Fatalf("%d points", len(ps))
	}
	for i := 1; i < len(ps); i++ {
		if ps[i].Water.MetresPerSecond() <= ps[i-1].Water.MetresPerSecond() {
			t.Errorf("the points do not rise: %v", ps)
		}
	}
	if v := ps[3].Water.MetresPerSecond(); v < 1.07 || v > 1.09 {
		t.Errorf("900 rpm is drawn at %v", v)
	}
	if notes := strings.Join(c.Notes(), "\n"); !strings.Contains(notes, "900 rpm and 930 rpm: there the curve goes between the readings") {
		t.Errorf("%s", notes)
	}
	// The band holds what was measured.
	for _, r := range c.Residuals() {
		low, high := c.Band(r.Motor)
		if r.Water.MetresPerSecond() < low.MetresPerSecond() || r.Water.MetresPerSecond() > high.MetresPerSecond() {
			t.Errorf("%v measured at %v is outside %v to %v", r.Water, r.Motor, low, high)
		}
	}
}

// TestRising holds pooled adjacent violators to the max-min formula of isotonic regression (Robertson, Wright and Dykstra 1988; from memory), with slope 0.
func TestRising(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var nodes []node
		for i := range rapid.IntRange(1, 8).Draw(t, "n") {
			nodes = append(nodes, node{n: float64(i + 1), v: rapid.Float64Range(.01, 3).Draw(t, "v"), se: rapid.Float64Range(.01, 1).Draw(t, "se")})
		}
		mean := func(j, k int) float64 {
			var w, wv float64
			for _, n := range nodes[j : k+1] {
				w, wv = w+1/(n.se*n.se), wv+n.v/(n.se*n.se)
			}
			return wv / w
		}
		for i, got := range rising(nodes, 0) {
			want := math.Inf(-1)
			for j := range i + 1 {
				least := math.Inf(1)
				for k := i; k < len(nodes); k++ {
					least = min(least, mean(j, k))
				}
				want = max(want, least)
			}
			if math.Abs(got-want) > 1e-12*(1+want) {
				t.Fatalf("%d: got %v, want %v of %+v", i, got, want, nodes)
			}
		}
	})
}

func TestFitRefuses(t *testing.T) {
	six := read(.02, otterford...)
	nan := slices.Clone(six)
	nan[2].Water = speed(math.NaN())
	wide := slices.Clone(six)
	wide[2].CI = speed(-1)
	for want, c := range map[string]struct {
		rs []Reading
		m  water.Motor
	}{
		"readings at 3 different motor speeds: at least 4 are needed":                  {six[3:], motor(120, 1500)},
		"readings at 0 different motor speeds":                                         {nil, motor(120, 1500)},
		"the fastest reading is at 1500 rpm and the motor goes to 1600 rpm: measure":   {six, motor(120, 1600)},
		"reading 3: water NaN m/s at 600 rpm: allowed is 0.01 to 5":                    {nan, motor(120, 1500)},
		"reading 3: interval of ± -1 m/s at 600 rpm: allowed is 0 (not known) to 5":    {wide, motor(120, 1500)},
		"motor's highest speed NaN rpm":                                                {six, motor(120, math.NaN())},
		"motor's highest speed 0 rpm":                                                  {six, water.Motor{}},
		"motor's lowest speed 1500 rpm: allowed is 0 to below its highest, 1500 rpm":   {six, motor(1500, 1500)},
		"reading 1: motor speed 0 rpm: allowed is more than 0 to 20000":                {read(.02, 0, .1, 1, 1), motor(120, 1500)},
		"readings at 1 different motor speeds: at least 4 are needed (half a percent)": {},
	} {
		if c.rs == nil && strings.HasSuffix(want, "(half a percent)") {
			want, c.rs, c.m = "readings at 1 different motor speeds", read(.02, 1000, 1, 1001, 1, 1002, 1, 1003, 1, 1004, 1), motor(120, 1000)
		}
		if got, err := Fit(c.rs, c.m); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, %v, want %q", got, err, want)
		}
	}
}

func TestNotes(t *testing.T) {
	rs := read(.02, otterford...)
	rs[3].CI, rs[4].CI = units.Speed{}, units.Speed{}
	rs[5].Motor = units.RPM(1490)
	c := fit(t, rs[1:], motor(120, 1500))
	notes := strings.Join(c.Notes(), "\n")
	for _, want := range []string{
		"Nobody says how sure the readings at 900 rpm and 1200 rpm are: ± 3 %, at least ± 0.02 m/s, was taken.",
		"The slowest reading is at 300 rpm and the motor goes down to 120 rpm",
		"The fastest reading was at 1490 rpm; the curve is drawn on to the motor's highest, 1500 rpm.",
		"The band is ± ",
	} {
		if !strings.Contains(notes, want) {
			t.Errorf("no %q in\n%s", want, notes)
		}
	}
	near(t, "drawn on", c.Points()[4].Water.MetresPerSecond(), 1.80+10*(1.80-1.46)/290, 1e-12)
	if notes := fit(t, read(.005, otterford...), motor(120, 1500)).Notes(); len(notes) > 0 {
		t.Errorf("good readings, and yet: %q", notes)
	}
}

// TestBand: it holds the curve, is narrow where the readings are good, wide where there are none, and still at rest.
func TestBand(t *testing.T) {
	c := fit(t, read(.01, otterford...), motor(120, 1500))
	for n := 1.0; n <= 1600; n++ {
		low, high := c.Band(units.RPM(n))
		v := c.Steady(units.RPM(n)).MetresPerSecond()
		if !(low.MetresPerSecond() <= v && v <= high.MetresPerSecond()) {
			t.Fatalf("%v rpm: %v outside %v to %v", n, v, low, high)
		}
	}
	for _, n := range []float64{0, -5, math.NaN(), math.Inf(-1)} {
		if low, high := c.Band(units.RPM(n)); low != (units.Speed{}) || high != (units.Speed{}) {
			t.Errorf("%v rpm: %v to %v", n, low, high)
		}
	}
	if share, _ := c.Spread(); share < .015 || share > .03 {
		t.Errorf("readings of ± 1 %% give a band of ± %.1f %%", 100*share)
	}
	if low, high := c.Band(units.RPM(60)); high.MetresPerSecond()-low.MetresPerSecond() < .05 {
		t.Errorf("below all readings, at 60 rpm, the band is %v to %v", low, high)
	}
	at := func(n float64) (a, b units.Speed) { return c.Band(units.RPM(n)) }
	a, b := at(1500)
	if x, y := at(math.Inf(1)); x != a || y != b {
		t.Errorf("beyond the top: %v to %v, at the top %v to %v", x, y, a, b)
	}
	ps := c.Points()
	ps[0] = water.Point{}
	if c.Points()[0] == ps[0] {
		t.Error("Points hands out its own")
	}
}

// TestFitTakesAnything: whatever the readings, no panic and no number that is none; what is accepted makes a model.
func TestFitTakesAnything(t *testing.T) {
	accepted := 0
	rapid.Check(t, func(t *rapid.T) {
		wild := rapid.Bool().Draw(t, "wild")
		odd := []float64{0, -1, math.NaN(), math.Inf(1), 1e-300, 1e300, 20_000, 1}
		number := func(name string, low, high float64) float64 {
			if wild && rapid.IntRange(0, 60).Draw(t, name+" odd") == 0 {
				return rapid.SampledFrom(odd).Draw(t, name)
			}
			return rapid.Float64Range(low, high).Draw(t, name)
		}
		var rs []Reading
		slope := rapid.Float64Range(.0001, .002).Draw(t, "slope")
		top := 0.0
		least, off := 4, .03
		if wild {
			least, off = 0, .3
		}
		for range rapid.IntRange(least, 9).Draw(t, "n") {
			n := number("rpm", 100, 2000)
			rs = append(rs, Reading{Motor: units.RPM(n), Water: speed(n * slope * number("off", 1-off, 1+off)), CI: speed(number("ci", 0, .5)), Used: rapid.IntRange(-1, 12).Draw(t, "used")})
			top = max(top, n)
		}
		c, err := Fit(rs, motor(number("min", 0, 90), top))
		if err != nil {
			if strings.Contains(err.Error(), "no curve") {
				t.Fatalf("%v of %+v", err, rs)
			}
			return
		}
		accepted++
		if _, err := c.Model(units.Metres(2)); err != nil {
			t.Fatal(err)
		}
		for i := range 50 {
			n := units.RPM(top * float64(i) / 45)
			low, high := c.Band(n)
			v := c.Steady(n).MetresPerSecond()
			if !(low.MetresPerSecond() >= 0 && low.MetresPerSecond() <= v && v <= high.MetresPerSecond()) || !finite(high.MetresPerSecond()) {
				t.Fatalf("%v: %v, band %v to %v", n, v, low, high)
			}
		}
		for _, r := range c.Residuals() {
			if !finite(r.Off.MetresPerSecond()) || !(r.Allowed.MetresPerSecond() > 0) {
				t.Fatalf("%+v", r)
			}
		}
	})
	t.Logf("%d accepted", accepted)
	if accepted == 0 {
		t.Error("no readings were accepted: does this test still say anything?")
	}
}

// TestOrderDoesNotMatter: readings in any order give the same calibration.
func TestOrderDoesNotMatter(t *testing.T) {
	rs := read(.02, otterford...)
	want := fit(t, rs, motor(120, 1500)).Points()
	rng := rand.New(rand.NewPCG(1, 1))
	for range 10 {
		rng.Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
		if got := fit(t, rs, motor(120, 1500)).Points(); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	}
}
