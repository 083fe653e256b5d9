package drive

import (
	"math"
	"testing"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

func TestClamp(t *testing.T) {
	geared := water.Motor{Min: units.RPM(120), Max: units.RPM(1450)}
	for _, c := range []struct {
		what      string
		motor     water.Motor
		rpm, want float64
	}{
		{"standstill", geared, 0, 0},
		{"below the lowest speed", geared, 119.9, 0},
		{"the lowest speed", geared, 120, 120},
		{"between", geared, 900.5, 900.5},
		{"the highest speed", geared, 1450, 1450},
		{"above the highest speed", geared, 1451, 1450},
		{"infinitely fast", geared, math.Inf(1), 1450},
		{"backwards", geared, -900, 0},
		{"infinitely fast backwards", geared, math.Inf(-1), 0},
		{"no number", geared, math.NaN(), 0},
		{"a motor without a lowest speed, crawling", water.Motor{Max: units.RPM(1450)}, 0.5, 0.5},
		{"a motor without a lowest speed, backwards", water.Motor{Max: units.RPM(1450)}, -0.5, 0},
		{"a motor that nobody has described", water.Motor{}, 900, 0},
	} {
		if got := clamp(units.RPM(c.rpm), c.motor).Motor().RPM(); got != c.want {
			t.Errorf("%s: %g rpm becomes %g, want %g", c.what, c.rpm, got, c.want)
		}
	}
}

// TestFlow: a guard clears nothing negative and nothing that is no number, and the drive does not rely on it.
func TestFlow(t *testing.T) {
	m, err := water.New([]water.Point{
		{Motor: units.RPM(500), Water: units.MetresPerSecond(1)},
		{Motor: units.RPM(1000), Water: units.MetresPerSecond(2)},
	}, units.Metres(2), water.Motor{Min: units.RPM(100), Max: units.RPM(800)})
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	for _, c := range []struct{ v, a, want float64 }{
		{0, 0, 0}, {1, 0, 500}, {-1, 0, 0}, {-1, 0.1, 0}, {nan, 0, 0}, {nan, 0.1, 0}, {1, nan, 0}, {nan, nan, 0},
		{1, 0.625, 750}, // √(1² + 2·0.625) = 1.5 m/s
		{1.5, 0, 750}, {1, -0.5, 0}, {2, 0, 800}, {9, 0, 800}, {math.Inf(1), 0, 0}, {math.Inf(-1), 0, 0}, {1, math.Inf(1), 800}, {1, math.Inf(-1), 0},
		{0.1, 0, 0}, // 50 rpm, below the lowest
	} {
		got := flow(m, units.MetresPerSecond(c.v), units.MetresPerSecond2(c.a)).Motor().RPM()
		if !(math.Abs(got-c.want) < 0.01) {
			t.Errorf("%g m/s and %g m/s² become %g rpm, want %g", c.v, c.a, got, c.want)
		}
	}
}
