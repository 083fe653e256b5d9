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
