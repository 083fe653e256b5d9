package water

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/units"
)

// pump is an example flume: Hz of the pump's inverter as rpm, to m/s. Values between the points, below, computed with SciPy's PCHIP.
var pump = points(0, 0, 10, .12, 20, .42, 30, .78, 40, 1.16, 50, 1.50)

func points(xy ...float64) []Point {
	var ps []Point
	for i := 0; i < len(xy); i += 2 {
		ps = append(ps, Point{units.RPM(xy[i]), units.MetresPerSecond(xy[i+1])})
	}
	return ps
}

func model(t testing.TB, ps []Point, inertia float64) *Model {
	t.Helper()
	m, err := New(ps, units.Metres(inertia), Motor{Max: ps[len(ps)-1].Motor})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *Model) steady(n float64) float64 { return m.Steady(units.RPM(n)).MetresPerSecond() }

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.10g, want %.10g within %g", what, got, want, within)
	}
}

func TestCurveGoesThroughPumpExample(t *testing.T) {
	// Computed with SciPy 1.10 PCHIP, the same method.
	m := model(t, pump, 2)
	for n, want := range map[float64]float64{5: .0423214, 15: .2505195, 25: .5946929, 35: .9713551, 45: 1.3348611} {
		near(t, "c", m.steady(n), want, 5e-8)
	}
	for _, p := range pump {
		near(t, "c at a point", m.Steady(p.Motor).MetresPerSecond(), p.Water.MetresPerSecond(), 1e-15)
	}
	near(t, "below", m.steady(-3), 0, 0)
	near(t, "beyond", m.steady(60), 1.5, 0)
}

func TestCurveAgreesWithRPN14(t *testing.T) {
	// Data RPN-14: Fritsch and Carlson 1980, SINUM 17:238. Our curve starts at (0, 0), so the data are moved by 7.99 to begin there.
	data := points(0, 0, .10, 2.7643e-5, .20, .04375, .71, .16918, 1.21, .46943, 2.01, .94374, 4.01, .99864, 7.01, .99992, 12.01, .99999)
	m := model(t, data, 2)
	// To ±5e-5: the NAG library's printed results, as in SciPy's test_nag. To ±5e-7: gonum FritschButland and SciPy PCHIP.
	nag := []float64{0, .4640, .9645, .9965, .9992, .9998, .9999, 1, 1, 1, 1}
	six := []float64{0, .464016, .964471, .996492, .999243, .999773, .999926, .999955, .999975, .999986}
	for i, want := range nag {
		near(t, "NAG", m.steady(1.201*float64(i)), want, 5e-5)
	}
	for i, want := range six {
		near(t, "SciPy", m.steady(1.201*float64(i)), want, 5e-7)
	}
	// The integral over the data, computed with SciPy. Gauss's rule with three points is exact for a cubic.
	sum := 0.0
	for i := 1; i < len(data); i++ {
		sum += quad.Fixed(m.steady, data[i-1].Motor.RPM(), data[i].Motor.RPM(), 3, quad.Legendre{}, 0)
	}
	near(t, "integral", sum, 10.764815, 5e-7)
}

// hostile are curves that are level, or nearly so, at ends and inside.
var hostile = map[string][]Point{
	"pump":           pump,
	"straight":       points(300, .36, 1500, 1.8),
	"level at start": points(0, 0, .10, 2.7643e-5, .20, .04375, .71, .16918, 1.21, .46943, 2.01, .94374, 4.01, .99864, 7.01, .99992, 12.01, .99999),
	"level at top":   points(0, 0, 500, 1, 1000, 1.6, 1500, 1.6000001),
	"stairs":         points(100, .5, 200, .5001, 300, 1, 400, 1.0001, 500, 1.5),
	"cubic":          points(1000, .001, 1001, 1.8),
}

func TestInverseErrorIsAsDocumented(t *testing.T) {
	for name, ps := range hostile {
		m := model(t, ps, 2)
		last := m.curve.last
		var worstY, worstX, steepX float64
		const n = 200_000
		for i := range n + 1 {
			y := last.y * float64(i) / n
			x := m.curve.inverse(y)
			if !(x >= 0 && x <= last.x) {
				t.Fatalf("%s: inverse(%g) = %g", name, y, x)
			}
			worstY = math.Max(worstY, math.Abs(m.curve.at(x)-y)/last.y)
			x = last.x * float64(i) / n
			off := math.Abs(m.curve.inverse(m.curve.at(x))-x) / last.x
			worstX = math.Max(worstX, off)
			if m.curve.slope(x)*last.x/last.y > .01 {
				steepX = math.Max(steepX, off)
			}
		}
		t.Logf("%-15s c off by %.1e of its range, rpm by %.1e, where not level by %.1e", name, worstY, worstX, steepX)
		real := name == "pump" || name == "straight"
		if worstY > 1e-12 || steepX > 1e-12 || real && max(worstX, worstY) > 1e-14 {
			t.Errorf("%s: c off by %.1e of its range, rpm by %.1e, where not level by %.1e", name, worstY, worstX, steepX)
		}
	}
}

func someModel(t *rapid.T) *Model {
	var ps []Point
	var n, v float64
	for range rapid.IntRange(2, 12).Draw(t, "points") {
		n += rapid.Float64Range(1, 400).Draw(t, "rpm more")
		v += rapid.Float64Range(.01, .5).Draw(t, "m/s more")
		ps = append(ps, Point{units.RPM(n), units.MetresPerSecond(v)})
	}
	m, err := New(ps, units.Metres(rapid.Float64Range(.01, 50).Draw(t, "L")), Motor{Max: units.RPM(n)})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestCurveRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := someModel(t)
		top := m.curve.last.x
		a := rapid.Float64Range(-1, 1.1*top).Draw(t, "a")
		b := rapid.Float64Range(-1, 1.1*top).Draw(t, "b")
		if a > b {
			a, b = b, a
		}
		if m.steady(a) > m.steady(b)+1e-15 {
			t.Fatalf("c(%g) = %g, c(%g) = %g", a, m.steady(a), b, m.steady(b))
		}
	})
}

func TestMotorForUndoesSteady(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := someModel(t)
		n := rapid.Float64Range(0, m.curve.last.x).Draw(t, "n")
		v := m.Steady(units.RPM(n))
		back := m.MotorFor(v, units.Accel{})
		if got := m.Steady(back).MetresPerSecond(); math.Abs(got-v.MetresPerSecond()) > 1e-9*m.curve.last.y {
			t.Fatalf("c(%g) = %g, c(c⁻¹) = %g", n, v.MetresPerSecond(), got)
		}
		if m.curve.slope(n) > 1e-3*m.curve.last.y/m.curve.last.x && math.Abs(back.RPM()-n) > 1e-9*m.curve.last.x {
			t.Fatalf("c⁻¹(c(%g)) = %g", n, back.RPM())
		}
	})
}

func TestNewRefuses(t *testing.T) {
	ok := Motor{Min: units.RPM(5), Max: units.RPM(50)}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name    string
		ps      []Point
		inertia float64
		motor   Motor
		want    string
	}{
		{"one point", points(50, 1.5), 2, ok, "calibration of 1 points: at least 2"},
		{"rpm that falls", points(30, .7, 20, .8), 2, ok, "point 2, 20 rpm to 0.8 m/s: both must be more than in the point before, 30 rpm to 0.7 m/s"},
		{"speed that stays", points(30, .7, 50, .7), 2, ok, "point 2, 50 rpm to 0.7 m/s: both must be more"},
		{"water moving at rest", points(0, .1, 50, .7), 2, ok, "point 1, 0 rpm to 0.1 m/s: both must be more than in the point before, 0 rpm to 0 m/s"},
		{"negative", points(-10, .1, 50, .7), 2, ok, "point 1, -10 rpm"},
		{"no number", points(10, nan, 50, .7), 2, ok, "point 1, 10 rpm to NaN m/s: both must be numbers"},
		{"endless", points(10, .1, inf, .7), 2, ok, "point 2, +Inf rpm"},
		{"inertia too long", pump, 50.1, ok, "inertia 50.1 m: allowed is 0 to 50 m"},
		{"inertia negative", pump, -1, ok, "inertia -1 m"},
		{"inertia no number", pump, nan, ok, "inertia NaN m"},
		{"Max beyond the points", pump, 2, Motor{Max: units.RPM(51)}, "highest speed 51 rpm: allowed is more than 0 up to the last calibration point, 50 rpm"},
		{"no Max", pump, 2, Motor{}, "highest speed 0 rpm"},
		{"Min at Max", pump, 2, Motor{Min: units.RPM(50), Max: units.RPM(50)}, "lowest speed 50 rpm: allowed is 0 to below its highest, 50 rpm"},
		{"Min negative", pump, 2, Motor{Min: units.RPM(-1), Max: units.RPM(50)}, "lowest speed -1 rpm"},
		{"ramp negative", pump, 2, Motor{Max: units.RPM(50), RPMPerSecond: -1}, "own ramp -1 rpm/s"},
	} {
		m, err := New(c.ps, units.Metres(c.inertia), c.motor)
		if m != nil || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

func TestModelTellsWhatItIsMadeOf(t *testing.T) {
	motor := Motor{Min: units.RPM(5), Max: units.RPM(45), RPMPerSecond: 7}
	m, err := New(pump[1:], units.Metres(2.5), motor)
	if err != nil {
		t.Fatal(err)
	}
	if got := m.Points(); len(got) != len(pump) || got[0] != pump[0] || got[3] != pump[3] || got[5] != pump[5] {
		t.Errorf("Points: %v", got)
	}
	if m.Motor() != motor || m.Inertia() != units.Metres(2.5) {
		t.Errorf("motor %v, inertia %v", m.Motor(), m.Inertia())
	}
	near(t, "Top", m.Top().MetresPerSecond(), 1.3348611, 5e-8)
	near(t, "Slowest", m.Slowest().MetresPerSecond(), .0423214, 5e-8)
}
