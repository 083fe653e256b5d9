package survey

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"flume.example/sequencerd/internal/units"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.10g, want %.10g within %g", what, got, want, within)
	}
}

func passes(rpm, metres float64, times ...float64) Passes {
	p := Passes{Motor: units.RPM(rpm), Length: units.Metres(metres)}
	for _, s := range times {
		p.Times = append(p.Times, seconds(s))
	}
	return p
}

// TestFloat: v = L/t, 3.00 m in 2.40 s are 1.2500 m/s (arithmetic).
func TestFloat(t *testing.T) {
	r, err := passes(900, 3, 2.4, 2.4, 2.4).Reading()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "speed", r.Water.MetresPerSecond(), 1.25, 1e-12)
	near(t, "interval of passes all alike", r.CI.MetresPerSecond(), 0, 1e-12)
	// Speeds 1.2, 1.25 and 1.3: the mean is 1.25, the deviation 0.05, t(0.975, 2) = 4.3027 (textbook table), so ± 4.3027·0.05/√3.
	r, err = passes(900, 3, 2.5, 2.4, 3/1.3).Reading()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "speed", r.Water.MetresPerSecond(), 1.25, 1e-9)
	near(t, "interval", r.CI.MetresPerSecond(), 4.3027*0.05/math.Sqrt(3), 1e-5)
	if r.Used != 3 || r.Dropped != 0 {
		t.Errorf("%+v", r)
	}
}

// TestPitot: h = v²/2g with g = 9.80665 m/s²: 0.5, 1, 1.5 and 2 m/s lift water by 12.75, 50.99, 114.72 and 203.94 mm (recomputed from the formula).
func TestPitot(t *testing.T) {
	for mm, v := range map[float64]float64{12.75: 0.5, 50.99: 1, 114.72: 1.5, 203.94: 2, 0: 0, -3: 0} {
		near(t, fmt.Sprint(mm, " mm"), PitotSpeed(units.Metres(mm/1000)).MetresPerSecond(), v, 1e-4)
	}
	for _, mm := range []float64{math.NaN(), math.Inf(1)} {
		if v := PitotSpeed(units.Metres(mm)); v != (units.Speed{}) {
			t.Errorf("%v mm are %v", mm, v)
		}
	}
}

// TestStudent holds the quantiles to a textbook table of Student's t, 0.975, and to the tails of gonum's distribution function.
func TestStudent(t *testing.T) {
	for n, want := range map[float64]float64{1: 12.7062, 2: 4.3027, 3: 3.1824, 4: 2.7764, 5: 2.5706, 9: 2.2622, 20: 2.0860, 30: 2.0423, math.Inf(1): 1.959964} {
		near(t, fmt.Sprint("t(0.975, ", n, ")"), student(0.975, n), want, 6e-5)
	}
	for _, n := range []float64{1, 2, 5, 17, 400, 1e7} {
		for _, p := range []float64{0.9, 0.975, 0.999} {
			near(t, fmt.Sprint("freedom ", n), distuv.StudentsT{Sigma: 1, Nu: n}.CDF(student(p, n)), p, 1e-7)
		}
	}
}

func TestOutliers(t *testing.T) {
	for _, c := range []struct {
		what  string
		times []float64
		drop  []int
	}{
		{"one that was started late", []float64{2.4, 2.5, 2.45, 1.6, 2.42, 2.48}, []int{3}},
		{"one where the float was caught", []float64{9.1, 2.4, 2.5, 2.45, 2.42}, []int{0}},
		{"two of eight", []float64{2.4, 4.9, 2.5, 2.45, 2.42, 1.2, 2.47, 2.44}, []int{1, 5}},
		{"all alike but one, which is not far", []float64{2.4, 2.4, 2.4, 2.4, 2.5}, nil},
		{"more than one in four, which is scatter", []float64{2.4, 2.41, 2.4, 2.4, 2.41, 2.4, 2.9, 2.0, 2.1}, nil},
		{"of four, nobody knows", []float64{2.4, 2.41, 2.42, 3.9}, nil},
	} {
		r, err := passes(900, 3, c.times...).Reading()
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
			continue
		}
		if fmt.Sprint(r.DroppedAt) != fmt.Sprint(c.drop) || r.Dropped != len(c.drop) || r.Used != len(c.times)-len(c.drop) {
			t.Errorf("%s: %+v, want %v dropped", c.what, r, c.drop)
		}
		if c.drop != nil {
			near(t, c.what, r.Water.MetresPerSecond(), 3/2.45, 0.02)
		}
	}
}

func TestPassesRefused(t *testing.T) {
	ok := []float64{2.4, 2.5, 2.45}
	river := passes(900, 3, ok...)
	river.Factor = 0.85
	for want, p := range map[string]Passes{
		"900 rpm: 2 passes: allowed are 3 to 1000":                          passes(900, 3, 2.4, 2.5),
		"motor speed 0 rpm: allowed is more than 0 to 20000":                passes(0, 3, ok...),
		"motor speed NaN rpm":                                               passes(math.NaN(), 3, ok...),
		"900 rpm: length 0 m: allowed is 0.5 to 50":                         passes(900, 0, ok...),
		"length +Inf m":                                                     passes(900, math.Inf(1), ok...),
		"900 rpm: pass 2 took 0 s: allowed is 0.2 to 600":                   passes(900, 3, 2.4, 0, 2.5),
		"900 rpm: factor 0.85: allowed is 1. The factors of handbooks":      river,
		"900 rpm: the passes give 10.9 m/s: allowed is 0.01 to 5":           passes(900, 30, 2.7, 2.75, 2.8),
		"pass 5 (1.2 s), pass 6 (6 s) of 6 are far from the others; time":   passes(900, 3, 2.4, 2.42, 2.44, 2.41, 1.2, 6),
		"900 rpm: the passes contradict each other: pass 5 (1.2 s), pass 6": passes(900, 3, 2.4, 2.42, 2.44, 2.41, 1.2, 6),
	} {
		if r, err := p.Reading(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %+v, %v; want %q", r, err, want)
		}
	}
	river.Factor = 1
	if _, err := river.Reading(); err != nil {
		t.Errorf("a factor of 1: %v", err)
	}
}

// TestReadingCoverage: how often the interval holds the truth, and how wide it is, for a stopwatch that scatters by so much. The figures are in docs/calibration.md.
func TestReadingCoverage(t *testing.T) {
	const trials = 4000
	rng := rand.New(rand.NewPCG(7, 9))
	for k, scatter := range []float64{0.02, 0.05} {
		for _, n := range []int{3, 4, 5, 6, 8, 10, 12} {
			held, dropped, width := 0, 0, 0.0
			for range trials {
				times := make([]float64, n)
				for i := range times {
					times[i] = 2.4 * (1 + scatter*rng.NormFloat64())
				}
				r, err := passes(900, 3, times...).Reading()
				if err != nil {
					dropped++
					continue
				}
				if math.Abs(r.Water.MetresPerSecond()-1.25) <= r.CI.MetresPerSecond() {
					held++
				}
				dropped += r.Dropped
				width += r.CI.MetresPerSecond() / 1.25 / trials
			}
			share := float64(held) / trials
			t.Logf("scatter %.0f %%, %2d passes: interval ± %4.1f %%, holds the truth in %.1f of 100, %.2f %% of honest passes dropped",
				100*scatter, n, 100*width, 100*share, 100*float64(dropped)/trials/float64(n))
			documented(t, fmt.Sprint(n), k, 100*width, 0.06)
			if share < 0.93 {
				t.Errorf("scatter %g, %d passes: the interval holds the truth in only %.1f of 100", scatter, n, 100*share)
			}
		}
	}
}

// documented holds a figure of docs/calibration.md, the k-th in the table's row that begins so, to what was measured.
func documented(t *testing.T, row string, k int, measured, within float64) {
	t.Helper()
	text, err := os.ReadFile("../../docs/calibration.md")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(line, " | ")
		if cells[0] != "| "+row {
			continue
		}
		said, err := strconv.ParseFloat(strings.Trim(cells[k+1], " ±%|\n"), 64)
		if err != nil {
			t.Fatalf("docs/calibration.md, %q: %v", row, err)
		}
		if math.Abs(said-measured) > within {
			t.Errorf("docs/calibration.md says %g of %q, and it is %.3g", said, row, measured)
		}
		return
	}
	t.Errorf("docs/calibration.md has no row %q", row)
}

func TestReadingKeepsOrderOfTimes(t *testing.T) {
	p := passes(900, 3, 9.1, 2.4, 2.5, 2.45, 2.42)
	before := fmt.Sprint(p.Times)
	if _, err := p.Reading(); err != nil || fmt.Sprint(p.Times) != before {
		t.Errorf("%v, times now %v", err, p.Times)
	}
	if p.Times[0] != 9100*time.Millisecond {
		t.Errorf("%v", p.Times)
	}
}
