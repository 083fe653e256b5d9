package swimmer

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/units"
)

func swum(u units.Unit, pairs ...float64) (out []Swim) {
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, Swim{Distance: units.Of(pairs[i], u), Time: seconds(pairs[i+1])})
	}
	return out
}

func near1(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, within)
	}
}

// TestPublished holds the fit to what others have printed, and to what they would have printed with more digits.
func TestPublished(t *testing.T) {
	for _, c := range []struct {
		source             string
		swims              []Swim
		mps, pace, reserve float64 // reserve 0: not printed
		clock              string  // to the tenth, where the sources round to seconds, each in their own way
	}{
		// A coach's weblog, mtheads.typepad.com, October 2011; printed as 1:29 and 1:33. Faster swims, slower threshold.
		{"200 in 2:50, 400 in 5:49", swum(units.Metre, 200, 170, 400, 349), 1.117318, 89.5, 10.056, "1:29.5"},
		{"200 in 2:42, 400 in 5:48", swum(units.Metre, 200, 162, 400, 348), 1.075269, 93.0, 0, "1:33"},
		// A swimmer's weblog, blogs.marathonswimmers.org, July 2014: yards; printed as 1:39.
		{"200 yd in 3:11, 400 yd in 6:28", swum(units.Yard, 200, 191, 400, 388), 0.928325, 98.5 / 0.9144, 0, "1:47.7"},
		// A worked web page that cites Wakayoshi 1992.
		{"200 in 3:00, 400 in 6:30", swum(units.Metre, 200, 180, 400, 390), 0.952381, 105, 28.571, "1:45"},
		// Worked out by hand: exact.
		{"on a line", swum(units.Metre, 200, 160, 400, 340, 800, 700), 10.0 / 9, 90, 200.0 / 9, "1:30"},
		{"off a line", swum(units.Metre, 100, 80, 200, 170, 400, 360), 1.0685155, 93.58779, 16.06852, "1:33.6"},
	} {
		f, err := FitTo(c.swims)
		if err != nil {
			t.Fatalf("%s: %v", c.source, err)
		}
		near1(t, c.source, f.Threshold.MetresPerSecond(), c.mps, 5e-7)
		near1(t, c.source+", pace", f.Threshold.Pace(units.Metre).Seconds(), c.pace, 5e-5)
		if got := f.Threshold.Pace(units.Metre).Clock(); got != c.clock {
			t.Errorf("%s: %s, want %s", c.source, got, c.clock)
		}
		if c.reserve != 0 {
			near1(t, c.source+", reserve", f.Reserve.Metres(), c.reserve, 5e-4)
		}
		if _, ok := f.StandardError(); ok != (len(c.swims) > 2) {
			t.Errorf("%s: an error is known: %v", c.source, ok)
		}
	}
	f, _ := FitTo(swum(units.Yard, 200, 191, 400, 388))
	near1(t, "per 100 yd", f.Threshold.Pace(units.Yard).Seconds(), 98.5, 1e-9)
	f, _ = FitTo(swum(units.Metre, 200, 160, 400, 340, 800, 700))
	if s, ok := f.Scatter(); !ok || s.Metres() > 1e-9 {
		t.Errorf("swims on a line scatter by %v m, %v", s, ok)
	}
	f, _ = FitTo(swum(units.Metre, 100, 80, 200, 170, 400, 360))
	s, _ := f.Scatter()
	se, _ := f.StandardError()
	re, _ := f.ReserveError()
	near1(t, "scatter", s.Metres(), 2.8559774, 5e-8)
	near1(t, "standard error", se.MetresPerSecond(), 0.01412766, 5e-9)
	near1(t, "error of the reserve", re.Metres(), 3.312225, 5e-7)
}

// TestChampion: Ledecky's times of Rio 2016 (Olympedia) fit a line almost wholly, and predict her 1500 m of 2018 (15:20.48) to a third of a per cent.
// The digits of the fit are worked out apart.
func TestChampion(t *testing.T) {
	all := swum(units.Metre, 200, 113.73, 400, 236.46, 800, 484.79)
	f, err := FitTo(all)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := f.Scatter()
	se, _ := f.StandardError()
	re, _ := f.ReserveError()
	near1(t, "threshold", f.Threshold.MetresPerSecond(), 1.616083, 5e-7)
	near1(t, "pace", f.Threshold.Pace(units.Metre).Seconds(), 61.878, 5e-4)
	near1(t, "reserve", f.Reserve.Metres(), 16.8677, 5e-5)
	near1(t, "scatter", s.Metres(), 1.23961, 5e-6)
	near1(t, "standard error", se.MetresPerSecond(), 0.0046368, 5e-8)
	near1(t, "error of the reserve", re.Metres(), 1.47570, 5e-6)
	near1(t, "R²", f.R2, 0.9999918, 5e-8)
	for i, want := range []float64{-0.66479, 0.99334, -0.32855} {
		near1(t, "residual", f.Off(all[i]).Metres(), want, 5e-6)
	}
	p, err := f.Time(units.Metres(1500))
	if err != nil || !p.Beyond || !p.Sure {
		t.Fatalf("%+v, %v", p, err)
	}
	near1(t, "1500 m", p.Time.Seconds(), 917.73, 5e-3)
	if real := seconds(920.48); p.From > real || p.To < real {
		t.Errorf("15:20.48 is outside %v", p)
	}
	f, err = FitTo(all[:2])
	if err != nil {
		t.Fatal(err)
	}
	near1(t, "threshold of two", f.Threshold.MetresPerSecond(), 1.629593, 5e-7)
	near1(t, "reserve of two", f.Reserve.Metres(), 14.6663, 5e-5)
	if p, err = f.Time(units.Metres(800)); err != nil || p.Sure || p.From != p.Time || p.To != p.Time {
		t.Errorf("%+v, %v: two swims tell no error", p, err)
	}
	near1(t, "800 m of two", p.Time.Seconds(), 481.92, 5e-3)
}

// TestEqualToAnotherRegression holds the fit to gonum's, and the quantiles to gonum's Student t.
func TestEqualToAnotherRegression(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "n")
		cs, reserve := rapid.Float64Range(0.7, 1.8).Draw(t, "cs"), rapid.Float64Range(3, 40).Draw(t, "reserve")
		var x, y []float64
		var swims []Swim
		for i := range n {
			tt := 100 + 800*float64(i)/float64(n-1) + rapid.Float64Range(-20, 20).Draw(t, "t")
			s := Swim{Time: seconds(tt), Distance: units.Metres(reserve + cs*tt + rapid.Float64Range(-5, 5).Draw(t, "off"))}
			swims, x, y = append(swims, s), append(x, s.Time.Seconds()), append(y, s.Distance.Metres())
		}
		rand.New(rand.NewPCG(1, uint64(n))).Shuffle(n, func(i, j int) { swims[i], swims[j] = swims[j], swims[i] })
		f, err := FitTo(swims)
		if err != nil {
			t.Fatal(err)
		}
		a, b := stat.LinearRegression(x, y, nil, false)
		if math.Abs(f.Threshold.MetresPerSecond()-b) > 1e-9 || math.Abs(f.Reserve.Metres()-a) > 1e-9*max(1, math.Abs(a)) {
			t.Fatalf("%v %v, want %v %v", f.Threshold.MetresPerSecond(), f.Reserve.Metres(), b, a)
		}
		if r2 := stat.RSquared(x, y, nil, a, b); math.Abs(f.R2-r2) > 1e-9 {
			t.Fatalf("R² %v, want %v", f.R2, r2)
		}
		if n < 3 {
			return
		}
		se, _ := f.StandardError()
		slow, fast, _ := f.Band()
		q := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 2)}.Quantile(0.975)
		if w := (fast.MetresPerSecond() - slow.MetresPerSecond()) / 2; math.Abs(w-q*se.MetresPerSecond()) > 1e-4*q*se.MetresPerSecond()+1e-12 {
			t.Fatalf("half a band %v, want %v", w, q*se.MetresPerSecond())
		}
		scatter, _ := f.Scatter()
		if ssr := scatter.Metres() * scatter.Metres() * float64(n-2); math.Abs(ssr-(1-f.R2)*stat.Variance(y, nil)*float64(n-1)) > 1e-6*(1+ssr) {
			t.Fatalf("scatter %v does not go with R² %v", scatter, f.R2)
		}
	})
	for _, nu := range []float64{1, 2, 5, 30, 31, 60, 500} {
		want := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(0.975)
		near1(t, "quantile", quantile(nu), want, 2e-3)
	}
}

// TestPredictedBack: what a fit predicts for a distance is what it holds above the threshold at that mean speed.
func TestPredictedBack(t *testing.T) {
	f, err := FitTo(swum(units.Metre, 200, 160, 400, 340, 800, 700))
	if err != nil {
		t.Fatal(err)
	}
	p, _ := f.Time(units.Metres(600))
	if p.Time != 520*time.Second { // (600 − 200/9)·9/10
		t.Errorf("600 m in %v, want 8:40", p.Time)
	}
	h, ok := f.Holds(units.MetresPerSecond(600.0/520 - 10.0/9))
	if !ok || h.Time != p.Time {
		t.Errorf("held for %v, %v", h.Time, ok)
	}
	for _, none := range []float64{0, -0.1, math.NaN(), 1e-9} {
		if p, ok := f.Holds(units.MetresPerSecond(none)); ok {
			t.Errorf("%g m/s above the threshold: held for %v", none, p)
		}
	}
	if p, err := f.Time(units.Metres(22)); err == nil {
		t.Errorf("22 m, less than the reserve, in %v", p)
	}
}

// TestNoThreshold: what gives none says why.
func TestNoThreshold(t *testing.T) {
	for what, swims := range map[string][]Swim{
		"nothing":              nil,
		"one":                  swum(units.Metre, 400, 349),
		"the same twice":       swum(units.Metre, 400, 349, 400, 351),
		"longer in less time":  swum(units.Metre, 400, 300, 200, 390),
		"a slip of the pen":    swum(units.Metre, 400, 349, 200, 17),
		"no distance":          swum(units.Metre, 0, 100, 400, 349),
		"not a number":         swum(units.Metre, math.NaN(), 100, 400, 349),
		"a threshold too slow": swum(units.Metre, 200, 200, 220, 1300),
	} {
		if f, err := FitTo(swims); err == nil || err.Error() == "" {
			t.Errorf("%s: %+v", what, f)
		}
	}
}

// FuzzFit: whatever is put in, no panic, and a threshold within what is allowed.
func FuzzFit(f *testing.F) {
	f.Add(200.0, 170.0, 400.0, 349.0, 800.0, 730.0)
	f.Add(200.0, 170.0, 400.0, 170.0, math.Inf(1), math.NaN())
	f.Fuzz(func(t *testing.T, d1, t1, d2, t2, d3, t3 float64) {
		fit, err := FitTo(swum(units.Metre, d1, t1, d2, t2, d3, t3))
		if err != nil {
			return
		}
		if p := fit.Threshold.Pace(units.Metre).Seconds(); !(p >= 40 && p <= 360) {
			t.Errorf("threshold %v", p)
		}
		if p, err := fit.Time(units.Metres(d1)); err == nil && (p.From > p.Time || p.To < p.Time || p.From < 0) {
			t.Errorf("%+v", p)
		}
		fit.Doubts(time.Unix(0, 0))
	})
}
