package survey

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/units"
)

func straight(t testing.TB) *Calibration {
	t.Helper()
	return fit(t, read(.01, 100, .1, 500, .5, 1000, 1, 1500, 1.5, 2000, 2), motor(100, 2000))
}

// recorded makes samples of seconds and m/s at one motor speed.
func recorded(rpm float64, tv ...float64) (out []Sample) {
	for i := 0; i < len(tv); i += 2 {
		out = append(out, Sample{At: seconds(tv[i]), Motor: units.RPM(rpm), Water: speed(tv[i+1])})
	}
	return out
}

func inertia(t testing.TB, s []Sample, c *Calibration) Inertia {
	t.Helper()
	got, err := FitInertia(s, c)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// TestStartAndCoast: 6 m³ of water, 300 N and 1.5 m/s steady make k = 133.333 kg/m and t_c = 30 s, so L = M/k = 45 m. Values of v = v∞·tanh(t/t_c) and
// v = v0/(1 + v0·t/L), recomputed from the formulas (the start of a pipe's flow; Streeter and Wylie; from memory).
func TestStartAndCoast(t *testing.T) {
	c := straight(t)
	coast := inertia(t, recorded(0, 0, 1.5, 10, 1.125, 30, .75, 60, .5), c)
	near(t, "coast, L", coast.Length.Metres(), 45, 1e-6)
	near(t, "coast, v0", coast.Start.MetresPerSecond(), 1.5, 1e-7)
	start := inertia(t, recorded(1500, 0, 0, 10, .482269, 30, 1.142391, 60, 1.446041, 90, 1.5*math.Tanh(3)), c)
	near(t, "start, L", start.Length.Metres(), 45, .05) // of six decimals, and of a steady speed that is not certain
	if off := math.Abs(start.Length.Metres() - 45); off > start.CI.Metres() {
		t.Errorf("start: %v m off, interval %v m", off, start.CI.Metres())
	}
	if coast.DeadCI != 0 || start.DeadCI != 0 {
		t.Error("a motor that never changes tells no dead time")
	}
}

// TestCoastIsALine: 1/v = 1/v0 + t/L. Of a coast without noise, gonum's straight line through 1/v has our L and v0.
func TestCoastIsALine(t *testing.T) {
	c := straight(t)
	for _, want := range []float64{.5, 2, 8, 30} {
		var s []Sample
		var ts, inverse []float64
		for i := range 12 {
			at := float64(i*i) / 4
			v := 1.4 / (1 + 1.4*at/want)
			s = append(s, Sample{At: seconds(at), Water: speed(v)})
			ts, inverse = append(ts, at), append(inverse, 1/v)
		}
		alpha, beta := stat.LinearRegression(ts, inverse, nil, false)
		got := inertia(t, s, c)
		near(t, "L", got.Length.Metres()*beta, 1, 1e-9)
		near(t, "v0", got.Start.MetresPerSecond()*alpha, 1, 1e-9)
	}
}

// TestLeastSquares: with noise, gonum's QR of the closed form's own derivatives finds no better L and v0 than ours, to 1e-9 of them.
func TestLeastSquares(t *testing.T) {
	c := straight(t)
	rng := rand.New(rand.NewPCG(5, 5))
	for range 20 {
		trueL, v0 := .5+8*rng.Float64(), 1+rng.Float64()/2
		var s []Sample
		for i := range 30 {
			at := float64(i) * .7
			s = append(s, Sample{At: seconds(at), Water: speed(max(v0/(1+v0*at/trueL)+.01*rng.NormFloat64(), 0))})
		}
		got := inertia(t, s, c)
		l, v := got.Length.Metres(), got.Start.MetresPerSecond()
		a, b := mat.NewDense(len(s), 2, nil), mat.NewVecDense(len(s), nil)
		for i, x := range s {
			at := x.At.Seconds()
			d := 1 + v*at/l
			a.Set(i, 0, v*v*at/(l*l)/(d*d)) // by L
			a.Set(i, 1, 1/(d*d))            // by v0
			b.SetVec(i, x.Water.MetresPerSecond()-v/d)
		}
		var qr mat.QR
		qr.Factorize(a)
		var step mat.VecDense
		if err := qr.SolveVecTo(&step, false, b); err != nil {
			t.Fatal(err)
		}
		near(t, "step of L", step.AtVec(0)/l, 0, 1e-9)
		near(t, "step of v0", step.AtVec(1)/v, 0, 1e-9)
		// And the root mean square is that of what is left.
		near(t, "RMS", got.RMS.MetresPerSecond(), mat.Norm(b, 2)/math.Sqrt(float64(len(s))), 1e-9)
	}
}

// TestMeans: floats give means over their pass. Taken for moments, the coast of a sluggish flume comes out wrong; taken for means, right to the last digit.
func TestMeans(t *testing.T) {
	c := straight(t)
	const l, v0 = 2.0, 1.5
	way := func(t float64) float64 { return l * math.Log(1+v0*t/l) }
	var means, moments []Sample
	for _, from := range []float64{0, .5, 1, 2, 3, 5, 8} {
		to := l / v0 * (math.Exp((way(from)+2)/l) - 1) // when two metres more have flowed
		s := Sample{At: seconds((from + to) / 2), Over: seconds(to - from), Water: speed(2 / (to - from))}
		means = append(means, s)
		s.Over = 0
		moments = append(moments, s)
	}
	near(t, "of means", inertia(t, means, c).Length.Metres(), l, 1e-6)
	if wrong := inertia(t, moments, c).Length.Metres(); math.Abs(wrong-l) < .02*l {
		t.Errorf("taken for moments the coast gives %v m too: does Over say anything?", wrong)
	}
}

// TestDeadTime: a step of the motor, dense enough, tells how late the water answers.
func TestDeadTime(t *testing.T) {
	c := straight(t)
	for _, late := range []float64{0, .15, .4} {
		var s []Sample
		for i := range 300 {
			at := float64(i) / 10
			n := 0.0
			if at >= 2 {
				n = 1500
			}
			if i == 20 { // the corner
				s = append(s, Sample{At: seconds(2) - 1, MotorOnly: true})
			}
			v := 1.5 * math.Tanh(max(at-2-late, 0)*1.5/2)
			s = append(s, Sample{At: seconds(at), Motor: units.RPM(n), Water: speed(v)})
		}
		got := inertia(t, s, c)
		near(t, "L", got.Length.Metres(), 2, 1e-3)
		near(t, "dead time", got.Dead.Seconds(), late, 2e-3)
		if got.DeadCI == 0 || got.DeadCI > 50*time.Millisecond || got.Samples != 300 {
			t.Errorf("%+v", got)
		}
	}
}

func TestInertiaRefuses(t *testing.T) {
	c := straight(t)
	nan, far := recorded(0, 0, 1, 1, .9, 2, .8, 3, .7), recorded(0, 0, 1, 1, .9, 2, .8, 1e6, .7)
	nan[2].Water = speed(math.NaN())
	motors := recorded(0, 0, 1, 1, .9, 2, .8, 2, .8)
	motors[3].Motor = units.RPM(500)
	mixed := recorded(0, 0, 1, 1, .9, 2, .8, 3, .7)
	mixed[1].Over = time.Second
	still := recorded(0, 0, 1, 1, .9, 2, .8, 3, .7)
	for i := range still {
		still[i].Over, still[i].Water = time.Second, units.Speed{}
	}
	var steady, noise []Sample
	rng := rand.New(rand.NewPCG(2, 2))
	for i := range 100 {
		steady = append(steady, Sample{At: seconds(float64(i)), Motor: units.RPM(1000), Water: speed(1 + .01*rng.NormFloat64())})
		noise = append(noise, Sample{At: seconds(float64(i)), Water: speed(2 * rng.Float64())})
	}
	for want, s := range map[string][]Sample{
		"3 samples with the water measured: at least 4 are needed":                             nan[:3],
		"sample at 2 s: water NaN m/s: allowed is 0 to 5":                                      nan,
		"sample at 1e+06 s: allowed is a recording of up to a day":                             far,
		"sample at 2 s: the motor turns at 0 and at 500 rpm: allowed is one speed at one time": motors,
		"3 samples are moments and 1 are means over a while: allowed is one kind":              mixed,
		"sample at 0 s: a mean of 0 m/s: a float that passes has a speed":                      still,
		"the samples do not tell the inertia: record a coast from a fast speed until less":     steady,
		"the samples give an inertia length of 50 m or beyond: allowed is 0.02 to 50. Are":     noise,
	} {
		if want == "3 samples with the water measured: at least 4 are needed" {
			s = recorded(0, 0, 1, 1, .9, 2, .8)
		}
		if got, err := FitInertia(s, c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %+v, %v, want %q", got, err, want)
		}
	}
	if _, err := FitInertia(recorded(0, 0, 1, 1, .9, 2, .8, 3, .7), nil); err == nil {
		t.Error("without a calibration: no error")
	}
	if _, err := FitInertia(recorded(0, 0, 1.5, 1, 1.49, 2, 1.48, 3, 1.47, 60, 1.1), c); err == nil || !strings.Contains(err.Error(), "allowed is 0.02 to 50") {
		t.Errorf("a lake: %v", err)
	}
}

// TestInertiaTakesAnything: whatever is recorded, no panic, and no number that is none.
func TestInertiaTakesAnything(t *testing.T) {
	c := straight(t)
	told := 0
	rapid.Check(t, func(t *rapid.T) {
		var s []Sample
		at, wild := 0.0, rapid.Bool().Draw(t, "wild")
		for i := range rapid.IntRange(0, 30).Draw(t, "n") {
			at += rapid.SampledFrom([]float64{.1, 1, 5, 0}[:3+i%2]).Draw(t, "dt")
			x := Sample{At: seconds(at), Motor: units.RPM(rapid.SampledFrom(rpms(wild)).Draw(t, "rpm")), MotorOnly: rapid.IntRange(0, 9).Draw(t, "only") == 0}
			x.Water = speed(1.5 / (1 + at/2) * rapid.Float64Range(.9, 1.1).Draw(t, "off"))
			if wild && rapid.IntRange(0, 20).Draw(t, "odd") == 0 {
				x.Water = speed(rapid.SampledFrom([]float64{0, 5, math.NaN(), math.Inf(1), -1, 1e-300}).Draw(t, "water"))
			}
			if wild && i%7 == 6 && rapid.Bool().Draw(t, "mean") {
				x.Over = time.Duration(rapid.Int64Range(0, 1e10).Draw(t, "over"))
			}
			s = append(s, x)
		}
		got, err := FitInertia(s, c)
		if err != nil {
			if got != (Inertia{}) {
				t.Fatalf("refused, and yet %+v", got)
			}
			return
		}
		told++
		for _, v := range []float64{got.Length.Metres(), got.CI.Metres(), got.RMS.MetresPerSecond(), got.Start.MetresPerSecond()} {
			if !finite(v) || v < 0 {
				t.Fatalf("%+v", got)
			}
		}
		if got.Length.Metres() < shortestL || got.Length.Metres() > longestL || got.Dead < 0 || got.DeadCI < 0 {
			t.Fatalf("%+v", got)
		}
	})
	t.Logf("%d told", told)
	if told == 0 {
		t.Error("no recording told an inertia: does this test still say anything?")
	}
}

// rpms are what a motor does: now this and now that, or nothing.
func rpms(wild bool) []float64 {
	if wild {
		return []float64{0, 0, 0, 800, 2000, 9000}
	}
	return []float64{0}
}

func TestAlike(t *testing.T) {
	white, wandering := make([]float64, 4000), make([]float64, 4000)
	rng := rand.New(rand.NewPCG(4, 4))
	last := 0.0
	for i := range white {
		white[i] = rng.NormFloat64()
		last = .8*last + rng.NormFloat64()
		wandering[i] = last
	}
	near(t, "white", alike(white), 1, .05)
	near(t, "correlated by 0.8", alike(wandering), 3, .3) // √(1.8/0.2), arithmetic
	near(t, "few", alike(wandering[:10]), 1, 0)
}
