package ramp

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// flume is a planner over a straight curve, c = rpm/1000 m/s up to 3 m/s, without a motor's ramp.
func flume(t testing.TB, l Limits, inertia, lowest, ceiling float64) *Planner {
	t.Helper()
	return flumeWith(t, l, inertia, water.Motor{Min: units.RPM(lowest), Max: units.RPM(3000)}, ceiling)
}

func flumeWith(t testing.TB, l Limits, inertia float64, motor water.Motor, ceiling float64) *Planner {
	t.Helper()
	m, err := water.New([]water.Point{
		{Motor: units.RPM(1000), Water: units.MetresPerSecond(1)}, {Motor: units.RPM(3000), Water: units.MetresPerSecond(3)},
	}, units.Metres(inertia), motor)
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPlanner(l, m, units.MetresPerSecond(ceiling))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func limits(accel, decel, jerk, relief float64) Limits {
	return Limits{units.MetresPerSecond2(accel), units.MetresPerSecond2(decel), units.MetresPerSecond3(jerk), units.MetresPerSecond3(relief)}
}

// usual are the limits that a flume has where nothing else is configured.
var usual = limits(0.10, 0.12, 0.10, 1)

func speed(v float64) units.Speed { return units.MetresPerSecond(v) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

func TestChangeAgainstComputedTransitions(t *testing.T) {
	// Source: testdata/README.md (Ruckig 0.17.3, velocity interface; checked against a 40-digit solution).
	file, err := os.Open("testdata/velocity_transitions.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	if len(rows) != 801 {
		t.Fatalf("%d rows, want 800 and a head", len(rows))
	}
	dips := 0
	for _, row := range rows[1:] {
		num := func(name string) float64 {
			x, err := strconv.ParseFloat(row[column[name]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		a, j, to := num("accel_limit_mps2"), num("jerk_limit_mps3"), num("v1_mps")
		p := flume(t, limits(a, a, j, j), 0, 0, 0)
		m := p.Change(stateOf(num("v0_mps"), num("a0_mps2")), speed(to))
		end, _, x := m.at(m.reach())
		t.Run("row "+row[column["id"]], func(t *testing.T) {
			near(t, "final speed", end, to, 1e-12)
			if row[column["dips_below_zero"]] == "yes" {
				dips++
				for s := 0.; s < m.reach(); s += m.reach() / 1000 {
					// Unclamped: the pieces themselves must not run backwards.
					i := m.last
					for i > 0 && s < m.pieces[i].t {
						i--
					}
					if v, _, _ := m.pieces[i].at(s - m.pieces[i].t); v < -1e-12 {
						t.Fatalf("speed %g at %g s", v, s)
					}
				}
				return
			}
			close := func(what string, got, want float64) { near(t, what, got, want, 1e-9+1e-6*math.Abs(want)) }
			close("duration", m.reach(), num("duration_s"))
			close("distance", x, num("distance_m"))
			v, a, x := m.at(num("mid_time_s"))
			close("mid distance", x, num("mid_distance_m"))
			close("mid speed", v, num("mid_speed_mps"))
			close("mid accel", a, num("mid_accel_mps2"))
			if want := time.Duration(math.Round(m.reach() * 1e9)); m.Duration() != want {
				t.Errorf("Duration %v, want %v", m.Duration(), want)
			}
		})
	}
	if dips != 9 {
		t.Errorf("%d rows dip below zero, want 9", dips)
	}
}
