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

func TestChangeAgainstReferences(t *testing.T) {
	const unlimited = 1e9 // m/s³
	for _, c := range []struct {
		name               string
		from, to           float64
		accel, jerk        float64
		duration, distance float64 // distance 0: the source has none
		tolerance          float64
	}{
		// T = Δv/a + a/j where Δv ≥ a²/j, else 2√(Δv/j). Source: Lambrechts 2005, Control Eng. Practice 13:145, from memory; recomputed. By symmetry x = T·(v0 + v1)/2.
		{"an S with a stretch of steady accel takes Δv/a + a/j", 0.8, 1.3, 0.1, 0.05, 7, 7.35, 1e-9},
		{"a short S takes 2√(Δv/j)", 0.8, 0.9, 0.1, 0.05, 2.82843, 0, 5e-6},
		// (v1² − v0²)/(2a): kinematics.
		{"without a jerk limit a ramp covers (v1² − v0²)/(2a)", 0.8, 1.3, 0.05, unlimited, 10, 10.5, 1e-6},
		// Trapezoids of height vm take vm/am up. Source: Biagiotti and Melchiorri 2008, ch. 3 (formulas seen in public implementations).
		{"a trapezoid's ramp to 1.25 at 0.1 takes 12.5 s", 0, 1.25, 0.1, unlimited, 12.5, 7.8125, 1e-6},
		// The same book's double-S: v0 1, vm 5, v1 0, am 10, jm 30 has Ta 0.7333 and Td 0.8333 s (printed values from memory). Here at half the size, which leaves the times.
		{"the book's way up takes 0.7333 s", 0.5, 2.5, 5, 15, 0.73333, 0, 5e-6},
		{"the book's way down takes 0.8333 s", 2.5, 0, 5, 15, 0.83333, 0, 5e-6},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := flume(t, limits(c.accel, c.accel, c.jerk, c.jerk), 0, 0, 0)
			m := p.Change(stateOf(c.from, 0), speed(c.to))
			near(t, "duration", m.reach(), c.duration, c.tolerance)
			if _, x := m.At(m.Duration()); c.distance > 0 {
				near(t, "distance", x.Metres(), c.distance, c.tolerance)
			}
		})
	}
}

func TestToStandstillTheMotorIsOffAndTheWaterCoasts(t *testing.T) {
	// v = v0/(1 + v0·t/L) and x = L·ln(1 + v0·t/L) solve dv/dt = −v²/L. Source: the pipe-start problem in Streeter's and White's textbooks, from memory;
	// its numbers for L = 45 m (M/k = 6000/133.333), v0 = 1.5: 1.125, 0.750, 0.500 m/s after 10, 30, 60 s.
	p := flume(t, usual, 45, 0, 0)
	m := p.Change(stateOf(1.5, -1.5*1.5/45), speed(0))
	if m.Duration() != 0 {
		t.Errorf("on the coast the motor is off already, not after %v", m.Duration())
	}
	for after, want := range map[time.Duration]float64{10 * time.Second: 1.125, 30 * time.Second: 0.75, 60 * time.Second: 0.5} {
		s, x := m.At(after)
		near(t, "speed", s.Speed.MetresPerSecond(), want, 1e-9)
		near(t, "distance", x.Metres(), 45*math.Log(1.5/want), 1e-9)
	}

	// From steady water, with what the usual limits give: decel 0.12 fully reached, off at √(0.12·2), when the hold began at 1 − 0.12²/(2·0.1).
	p = flume(t, usual, 2, 0, 0)
	m = p.Change(stateOf(1, 0), speed(0))
	off := math.Sqrt(0.12 * 2)
	near(t, "motor off after", m.reach(), 0.12/0.1+(1-0.072-off)/0.12, 1e-12)
	v, a, _ := m.at(m.reach())
	near(t, "speed then", v, off, 1e-12)
	near(t, "accel then", a, -0.12, 1e-12)
	near(t, "standstill", m.slowedTo(0.05), m.reach()+2*(1/0.05-1/off), 1e-9)

	// A slow flow: the motor is off before decel is fully reached. There the jerk piece meets the coast, v² = L·J·t with v = 0.2 − J·t²/2.
	m = p.Change(stateOf(0.2, 0), speed(0))
	at := m.reach()
	near(t, "the coast begins where a = −v²/L", math.Pow(0.2-0.1*at*at/2, 2), 2*0.1*at, 1e-12)
}

func TestWaterThatCoastsIsLeftToCoast(t *testing.T) {
	// Also where it is faster than any plan lets go of it, as after a fast stop.
	for _, l := range []float64{0.05, 0.5, 2, 30} {
		p := flume(t, usual, l, 0, 0)
		for v := 0.001; v < 3; v *= 1.003 {
			m := p.Change(stateOf(v, -v*v/l), speed(0))
			if m.Duration() != 0 || m.coast != l {
				t.Fatalf("L %g m, %g m/s: the motor is on for %v", l, v, m.Duration())
			}
		}
	}
}

// TestDownToTheCoastAgainstIntegration follows the rule by small steps: decel rises by the jerk limit to the limit for standstill, until water would slow no faster by itself.
func TestDownToTheCoastAgainstIntegration(t *testing.T) {
	for _, c := range []struct{ v, a, l float64 }{
		{1.4, 0, 2}, {1.4, 0.08, 2}, {0.5, 0, 2}, {0.3, 0.05, 5}, {0.8, -0.05, 2}, {0.8, -0.11, 10}, {1.2, 0, 0.05}, {0.6, -0.12, 0.3},
	} {
		p := flume(t, usual, c.l, 0, 0)
		m := p.Change(stateOf(c.v, c.a), speed(0))
		const dt = 1e-5
		v, a, x, off := c.v, c.a, 0., -1.
		deepest := math.Min(0.12, math.Cbrt(math.Pow(0.1*c.l*c.l/2, 2))/c.l)
		for s := 0.; s < 30; s += dt {
			switch {
			case off >= 0:
			case a > 0:
				a = math.Max(a-1*dt, 0)
			case a > -deepest:
				a = math.Max(a-0.1*dt, -deepest)
			default:
				a = math.Min(a+0.1*dt, -deepest)
			}
			if off < 0 && a <= -v*v/c.l {
				off = s
			}
			if off >= 0 {
				a = -v * v / c.l
			}
			x += v*dt + a*dt*dt/2
			v += a * dt
		}
		near(t, "motor off", m.reach(), off, 1e-3)
		gv, ga, gx := m.at(30)
		near(t, "speed", gv, v, 1e-4)
		near(t, "accel", ga, a, 1e-4)
		near(t, "distance", gx, x, 1e-3)
	}
}

func TestSpeedThatMustComeDownNeverRisesByMoreThanRelief(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	for _, to := range []float64{0, 0.5, 0.9, 1} {
		m := p.Change(stateOf(1, 0.1), speed(to))
		top := 0.
		for s := 0.; s < 20; s += 0.001 {
			v, _, _ := m.at(s)
			top = max(top, v)
		}
		near(t, "highest speed", top, 1+0.1*0.1/(2*1), 1e-9)
	}
	// In between, one piece with as much jerk as it takes: 1.02 lies between 1.005 (relief jerk) and 1.05 (jerk limit).
	m := p.Change(stateOf(1, 0.1), speed(1.02))
	near(t, "duration", m.reach(), 2*0.02/0.1, 1e-9)
	near(t, "jerk", m.pieces[0].j, -0.1*0.1/(2*0.02), 1e-9)
}

func TestAccelIsLoweredByWhatTheMotorHasInReserve(t *testing.T) {
	// With a cap of 1.4 m/s the motor may lead up to 1.54 m/s; at 1.4 m/s with L = 5 m that leaves (1.54² − 1.4²)/5 m/s².
	p := flume(t, usual, 5, 0, 1.4)
	m := p.Change(State{}, speed(1.4))
	near(t, "accel", m.pieces[1].a, (1.54*1.54-1.4*1.4)/5, 1e-12)
	// Without a cap it is the motor's 3 m/s.
	p = flume(t, usual, 20, 0, 0)
	m = p.Change(stateOf(2, 0), speed(2.9))
	near(t, "accel", m.pieces[1].a, (9-2.9*2.9)/20, 1e-12)
	// On the way down to v water slows by v²/L at most.
	p = flume(t, usual, 5, 0, 0)
	m = p.Change(stateOf(1.2, 0), speed(0.6))
	near(t, "decel", m.pieces[1].a, -0.6*0.6/5, 1e-12)
}

func TestAccelIsLoweredByTheMotorsOwnRamp(t *testing.T) {
	motor := func(rpmPerSecond float64) *Planner {
		return flumeWith(t, usual, 2, water.Motor{Min: units.RPM(100), Max: units.RPM(3000), RPMPerSecond: rpmPerSecond}, 0)
	}
	// The curve rises by 0.001 m/s for each rpm: 60 rpm/s are 0.06 m/s².
	p := motor(60)
	m := p.Change(State{}, speed(2))
	hold := m.pieces[1]
	if !(hold.a > 0.06 && hold.a < 0.07) {
		t.Errorf("accel %g, want a little more than 0.06: the motor leads, so it speeds up less than the water", hold.a)
	}
	for s := m.pieces[1].t; s <= m.pieces[2].t; s += 0.01 {
		v, a, _ := m.at(s)
		if rate := v * a / p.set(v, a); rate > 0.06*(1+1e-9) {
			t.Fatalf("after %g s the motor must change by %g m/s²", s, rate)
		}
	}
	if m := motor(200).Change(State{}, speed(2)); m.pieces[1].a != 0.1 {
		t.Errorf("accel %g with a quick motor, want the limit 0.1", m.pieces[1].a)
	}
	if m := motor(0).Change(State{}, speed(2)); m.pieces[1].a != 0.1 {
		t.Errorf("accel %g with a motor without a ramp, want the limit 0.1", m.pieces[1].a)
	}
}

func TestStatesThatWaterCannotBeInAreTakenAsTheNearest(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	for _, s := range []State{stateOf(-1, 0), stateOf(0, -1), stateOf(math.NaN(), math.NaN()), stateOf(0.5, -3), stateOf(0.02, -0.3)} {
		for _, to := range []float64{0, 1e-12, 0.05, 1, 2.9, 5, math.NaN()} {
			m := p.Change(s, speed(to))
			for _, at := range []time.Duration{0, time.Second, time.Minute, time.Hour, 1000 * time.Hour} {
				got, x := m.At(at)
				if v, a := got.Speed.MetresPerSecond(), got.Accel.MetresPerSecond2(); !(v >= 0 && v <= 5.001 && a >= -v*v/2-1e-9 && a <= 0.1+1e-9 && x.Metres() >= 0) {
					t.Errorf("from %v to %g, after %v: %v, %v", s, to, at, got, x)
				}
			}
		}
	}
	var zero Move
	if s, x := zero.At(time.Hour); s != (State{}) || x.Metres() != 0 || zero.Duration() != 0 {
		t.Error("the zero Move is not standstill")
	}
}
