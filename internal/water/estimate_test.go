package water

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/units"
)

func at(v float64) Estimate { return Estimate{Speed: units.MetresPerSecond(v)} }

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// tunnel is the pipe-start problem of fluid mechanics (Streeter and Wylie, from memory): ρ·V·dv/dt = T − k·v², water of V = 6 m³, a thrust T of 300 N and
// v∞ = 1.5 m/s. Then k = T/v∞² = 133.333 kg/m and, divided by k, it is our equation with c = v∞ and L = ρ·V/k = 45 m; t_c = L/v∞ = 30 s.
func tunnel(t *testing.T) *Model { return model(t, points(500, .75, 1000, 1.5), 45) }

func TestStartUpAndCoastOfTheTunnel(t *testing.T) {
	m, full := tunnel(t), units.RPM(1000)
	for s, want := range map[float64]float64{10: .482269, 30: 1.142391, 60: 1.446041} { // v∞·tanh(t/t_c)
		near(t, "start-up", m.Advance(Estimate{}, full, full, seconds(s)).Speed.MetresPerSecond(), want, 5e-7)
	}
	for s, want := range map[float64]float64{10: 1.125, 30: .750, 60: .500} { // v0/(1 + t/t_c)
		near(t, "coast", m.Advance(at(1.5), units.MotorSpeed{}, units.MotorSpeed{}, seconds(s)).Speed.MetresPerSecond(), want, 1e-12)
	}
	for share, tc := range map[float64]float64{.90: 1.4722, .95: 1.8318, .99: 2.6467} { // artanh
		near(t, "share reached", m.Advance(Estimate{}, full, full, seconds(30*tc)).Speed.MetresPerSecond()/1.5, share, 2e-5)
	}
	// The coast to a tenth takes 9·L/v0 and L·ln 10 of distance, from any speed.
	for _, v := range []float64{.4, 1.5} {
		e := m.Advance(at(v), units.MotorSpeed{}, units.MotorSpeed{}, seconds(9*45/v))
		near(t, "coast to a tenth", e.Speed.MetresPerSecond(), v/10, 1e-9)
		near(t, "its distance", e.Distance.Metres(), 45*math.Ln10, 1e-7)
	}
	// Start-up distance L·ln cosh(t/t_c), from the integral of the tanh.
	near(t, "distance", m.Advance(Estimate{}, full, full, 30*time.Second).Distance.Metres(), 45*math.Log(math.Cosh(1)), 1e-12)
}

func TestWaterAtItsSteadySpeedStaysThere(t *testing.T) {
	m := model(t, pump, 2)
	for _, dt := range []time.Duration{time.Nanosecond, 50 * time.Millisecond, time.Second, time.Hour, 1000 * time.Hour} {
		n := units.RPM(35)
		v := m.Steady(n).MetresPerSecond()
		e := m.Advance(at(v), n, n, dt)
		near(t, "speed", e.Speed.MetresPerSecond(), v, 1e-15)
		near(t, "distance", e.Distance.Metres()/(v*dt.Seconds()), 1, 1e-14)
	}
}

func TestSeriesMeetsTheClosedForm(t *testing.T) {
	// Up to where the series ends, against the hyperbolic functions of the standard library.
	for _, c := range []float64{.3, 1, 1.5} {
		for _, s := range []float64{.05, .1, .2, .2449, .2450, .3, 1} {
			const v, l = .7, 2.
			got, x := follow(v, c*c, s*l/c, l)
			r := v / c
			near(t, "speed", got/(c*(r+math.Tanh(s))/(1+r*math.Tanh(s))), 1, 1e-15)
			near(t, "distance", x/(l*math.Log(math.Cosh(s)+r*math.Sinh(s))), 1, 4e-15)
		}
	}
}

func TestStillWaterStaysStill(t *testing.T) {
	m := model(t, pump, 2)
	if e := m.Advance(Estimate{}, units.MotorSpeed{}, units.MotorSpeed{}, time.Hour); e != (Estimate{}) {
		t.Errorf("still water became %v", e)
	}
	e := Estimate{units.MetresPerSecond(1), units.Metres(3)}
	for _, dt := range []time.Duration{0, -time.Second} {
		if got := m.Advance(e, units.RPM(50), units.RPM(50), dt); got != e {
			t.Errorf("after %v: %v became %v", dt, e, got)
		}
	}
}

func TestWithoutInertiaTheWaterFollowsAtOnce(t *testing.T) {
	for _, l := range []float64{0, .0005} {
		m := model(t, points(500, .6, 1000, 1.2), l)
		e := m.Advance(at(0), units.RPM(500), units.RPM(1000), 2*time.Second)
		near(t, "speed", e.Speed.MetresPerSecond(), 1.2, 1e-15)
		near(t, "distance", e.Distance.Metres(), 1.8, 1e-15)
		if got := m.MotorFor(units.MetresPerSecond(.6), units.MetresPerSecond2(.3)); math.Abs(got.RPM()-500) > 1e-9 {
			t.Errorf("motor for 0.6 m/s and rising: %v, want 500 rpm", got)
		}
	}
}

func TestMotorForLeadsTheWater(t *testing.T) {
	m := model(t, pump, 2)
	v, a := units.MetresPerSecond(.8), units.MetresPerSecond2(.1)
	n := m.MotorFor(v, a)
	near(t, "c of the lead", m.Steady(n).MetresPerSecond(), math.Sqrt(.64+.2), 1e-12)
	e := m.Advance(at(.8), n, n, time.Millisecond) // the water then has just that acceleration
	near(t, "acceleration", (e.Speed.MetresPerSecond()-.8)/.001, .1, 1e-4)
	for _, c := range []struct{ v, a, want float64 }{{.8, -.32, 0}, {.8, -1, 0}, {0, 0, 0}, {1.5, .1, 50}, {9, 0, 50}, {math.NaN(), 0, 0}} {
		if got := m.MotorFor(units.MetresPerSecond(c.v), units.MetresPerSecond2(c.a)).RPM(); got != c.want {
			t.Errorf("motor for (%g, %g): %g rpm, want %g", c.v, c.a, got, c.want)
		}
	}
}

func TestMotorRateIsTheSlopeOfMotorFor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := someModel(t)
		v := rapid.Float64Range(.05, .9).Draw(t, "v") * m.curve.last.y
		a := rapid.Float64Range(-.1, .1).Draw(t, "a")
		j := rapid.Float64Range(-1, 1).Draw(t, "j")
		got := m.MotorRate(units.MetresPerSecond(v), units.MetresPerSecond2(a), units.MetresPerSecond3(j))
		rpm := func(dt float64) float64 {
			return m.MotorFor(units.MetresPerSecond(v+a*dt+j*dt*dt/2), units.MetresPerSecond2(a+j*dt)).RPM()
		}
		const h = 1e-6
		lo, mid, hi := rpm(-h), rpm(0), rpm(h)
		if lo <= 0 || hi >= m.curve.last.x {
			return
		}
		left, right := (mid-lo)/h, (hi-mid)/h // one-sided: they differ where the curve bends sharply
		if slack := 1e-2 + 1e-2*math.Abs(got) + math.Abs(right-left); math.Abs(got-(left+right)/2) > slack {
			t.Fatalf("rate %g rpm/s, difference quotients %g and %g", got, left, right)
		}
	})
}

func TestMotorRateAtTheEdges(t *testing.T) {
	m := model(t, points(500, .6, 1000, 1.2), 2)
	for _, c := range []struct {
		name             string
		v, a, j, atLeast float64
		atMost           float64
	}{
		{"coasting", 1, -.6, .1, 0, 0},
		{"beyond the last point", 1.2, .1, .1, 0, 0},
		{"at rest and staying", 0, 0, 0, 0, 0},
		{"on the coast and going on slowing", 1, -.5, 0, 0, 0},
		{"off the start", 0, 0, .1, math.Inf(1), math.Inf(1)},
		{"steady speed, no jerk", 1, 0, 0, 0, 0},
		{"straight curve: 2·v·a/(2·w)·1000/1.2", .8, .1, 0, 72.73, 72.75},
	} {
		got := m.MotorRate(units.MetresPerSecond(c.v), units.MetresPerSecond2(c.a), units.MetresPerSecond3(c.j))
		if !(got >= c.atLeast && got <= c.atMost) {
			t.Errorf("%s: %g rpm/s, want %g to %g", c.name, got, c.atLeast, c.atMost)
		}
	}
}

// someWay draws a model, the water's speed, motor speeds and a time.
func someWay(t *rapid.T) (m *Model, v, n float64, dt time.Duration) {
	m = someModel(t)
	v = rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, 3)).Draw(t, "v")
	n = rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0, m.curve.last.x)).Draw(t, "n")
	dt = time.Duration(rapid.OneOf(rapid.Int64Range(1, 1e8), rapid.Int64Range(1, 1e12)).Draw(t, "dt"))
	return m, v, n, dt
}

func TestTwoStepsAreOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, v, n, dt := someWay(t)
		part := time.Duration(rapid.Float64Range(0, 1).Draw(t, "part") * float64(dt))
		r := units.RPM(n)
		one := m.Advance(at(v), r, r, dt)
		two := m.Advance(m.Advance(at(v), r, r, part), r, r, dt-part)
		if d := math.Abs(one.Speed.MetresPerSecond() - two.Speed.MetresPerSecond()); d > 1e-12 {
			t.Fatalf("speeds differ by %g", d)
		}
		if d := math.Abs(one.Distance.Metres() - two.Distance.Metres()); d > 1e-12*(1+one.Distance.Metres()) {
			t.Fatalf("distances differ by %g of %v", d, one.Distance)
		}
	})
}

func TestAdvanceSolvesTheEquation(t *testing.T) {
	// Against the classical Runge-Kutta method, for the steady speed whose square is the mean of the two ends'.
	rapid.Check(t, func(t *rapid.T) {
		m, v, n, dt := someWay(t)
		n1 := rapid.Float64Range(0, m.curve.last.x).Draw(t, "n1")
		c0, c1 := m.steady(n), m.steady(n1)
		c2, fastest := (c0*c0+c1*c1)/2, math.Max(v, math.Max(c0, c1))
		dt = min(dt, seconds(20*m.l/(fastest+.01)))
		const steps = 4000
		h, y, x := dt.Seconds()/steps, v, 0.0
		f := func(y float64) float64 { return (c2 - y*math.Abs(y)) / m.l }
		for range steps {
			k1 := f(y)
			k2 := f(y + h/2*k1)
			k3 := f(y + h/2*k2)
			k4 := f(y + h*k3)
			x += h * (y + h/6*(k1+k2+k3)) // the same method's sum for the distance
			y += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
		}
		e := m.Advance(at(v), units.RPM(n), units.RPM(n1), dt)
		if d := math.Abs(e.Speed.MetresPerSecond() - y); d > 1e-8 {
			t.Fatalf("speed %v, integrated %.12g", e.Speed.MetresPerSecond(), y)
		}
		if d := math.Abs(e.Distance.Metres() - x); d > 1e-8*(1+x) {
			t.Fatalf("distance %.12g, integrated %.12g", e.Distance.Metres(), x)
		}
	})
}

func TestWaterNeverRunsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, v, n, dt := someWay(t)
		n1 := rapid.Float64Range(0, m.curve.last.x).Draw(t, "n1")
		e := m.Advance(at(v), units.RPM(n), units.RPM(n1), dt)
		w := e.Speed.MetresPerSecond()
		lo, hi := math.Min(v, m.steady(math.Min(n, n1))), math.Max(v, m.steady(math.Max(n, n1)))
		if !(w >= lo-1e-12 && w <= hi+1e-12) || !(e.Distance.Metres() >= 0) {
			t.Fatalf("from %g m/s: %v", v, e)
		}
		if d := e.Distance.Metres() / dt.Seconds(); !(d >= lo-1e-9 && d <= hi+1e-9) {
			t.Fatalf("mean speed %g outside %g to %g", d, lo, hi)
		}
	})
}

func TestTicksAllocateNothing(t *testing.T) {
	m := model(t, pump, 2)
	var e Estimate
	if n := testing.AllocsPerRun(100, func() {
		r := m.MotorFor(e.Speed, units.MetresPerSecond2(.1))
		e = m.Advance(e, r, units.RPM(45), 50*time.Millisecond)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

var (
	sinkSpeed units.Speed
	sinkMotor units.MotorSpeed
	sinkWater Estimate
)

func BenchmarkSteady(b *testing.B) {
	m, n := model(b, pump, 2), 0.0
	for b.Loop() {
		if n += .13; n > 50 {
			n = 0
		}
		sinkSpeed = m.Steady(units.RPM(n))
	}
}

func BenchmarkMotorFor(b *testing.B) {
	m, v := model(b, pump, 2), 0.0
	for b.Loop() {
		if v += .003; v > 1.4 {
			v = 0
		}
		sinkMotor = m.MotorFor(units.MetresPerSecond(v), units.MetresPerSecond2(.05))
	}
}

func BenchmarkAdvance(b *testing.B) {
	m := model(b, pump, 2)
	for _, c := range []struct {
		name string
		to   float64
	}{{"steady", 40}, {"ramp", 40.5}} {
		b.Run(c.name, func(b *testing.B) {
			e := Estimate{}
			for b.Loop() {
				e = m.Advance(e, units.RPM(40), units.RPM(c.to), 50*time.Millisecond)
			}
			sinkWater = e
		})
	}
}
