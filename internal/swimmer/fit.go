package swimmer

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"flume.example/sequencerd/internal/units"
)

// Fit is a threshold from timed swims: ordinary least squares of distance on time. What it says of its own error comes from how far the swims are off the
// line, so two swims, which are always on it, say nothing of it.
type Fit struct {
	Threshold units.Speed    // the slope
	Reserve   units.Distance // the intercept, D′; not reliable by itself: two-distance values scatter by 13 to 45 % (PMC10875687)
	Swims     []Swim         // that it is from, the shortest first
	R2        float64        // 1 for two swims

	n, tMean, sxx, see float64 // see: of the residuals, m; NaN for two swims
}

// FitTo fits a threshold to all these swims. The error says why they give none.
func FitTo(swims []Swim) (Fit, error) {
	if len(swims) < 2 {
		return Fit{}, errTooFew
	}
	f := Fit{Swims: slices.SortedFunc(slices.Values(swims), func(a, b Swim) int {
		return int(a.Time - b.Time)
	}), n: float64(len(swims))}
	var dMean float64
	for _, s := range f.Swims {
		if err := s.Check(); err != nil {
			return Fit{}, err
		}
		f.tMean += s.Time.Seconds() / f.n
		dMean += s.Distance.Metres() / f.n
	}
	var sxy, syy float64
	for _, s := range f.Swims {
		t, d := s.Time.Seconds()-f.tMean, s.Distance.Metres()-dMean
		f.sxx += t * t
		sxy += t * d
		syy += d * d
	}
	if f.Swims[len(swims)-1].Time < f.Swims[0].Time*6/5 {
		return Fit{}, errAlike
	}
	slope := sxy / f.sxx
	reserve := dMean - slope*f.tMean
	var ssr float64
	for _, s := range f.Swims {
		off := s.Distance.Metres() - reserve - slope*s.Time.Seconds()
		ssr += off * off
	}
	f.R2 = 1 - ssr/syy
	f.see = math.NaN()
	if f.n > 2 {
		f.see = math.Sqrt(ssr / (f.n - 2))
	}
	f.Threshold, f.Reserve = units.MetresPerSecond(slope), units.Metres(reserve)
	if err := CheckThreshold(f.Threshold.Pace(units.Metre)); err != nil {
		return Fit{}, fmt.Errorf("these swims contradict each other: they give a %w", err)
	}
	return f, nil
}

var (
	errTooFew = errors.New("a threshold needs at least two timed swims in the same place, pool or flume")
	errAlike  = errors.New("a threshold needs swims of different lengths: the longest must take at least a fifth more time than the shortest")
)

// Sure reports whether the swims tell how sure the threshold is: three or more do.
func (f *Fit) Sure() bool { return f.n > 2 }

// Where the swims were.
func (f *Fit) Where() Where { return f.Swims[0].Where }

// StandardError is that of the threshold; false for two swims, which tell none.
func (f *Fit) StandardError() (units.Speed, bool) {
	return units.MetresPerSecond(f.see / math.Sqrt(f.sxx)), f.Sure()
}

// ReserveError is the standard error of the reserve; false for two swims.
func (f *Fit) ReserveError() (units.Distance, bool) {
	return units.Metres(f.see * math.Sqrt(1/f.n+f.tMean*f.tMean/f.sxx)), f.Sure()
}

// Scatter is the standard error of estimate: how far swims are off the line; false for two swims.
func (f *Fit) Scatter() (units.Distance, bool) { return units.Metres(f.see), f.Sure() }

// Off is how much farther than the line says a swim went.
func (f *Fit) Off(s Swim) units.Distance {
	return units.Metres(s.Distance.Metres() - f.Reserve.Metres() - f.Threshold.MetresPerSecond()*s.Time.Seconds())
}

// Band is where the threshold is in 95 of 100 cases, if the swims are honest; false for two swims.
func (f *Fit) Band() (slowest, fastest units.Speed, ok bool) {
	se, ok := f.StandardError()
	if !ok {
		return f.Threshold, f.Threshold, false
	}
	w, v := quantile(f.n-2)*se.MetresPerSecond()+f.bend(), f.Threshold.MetresPerSecond()
	return units.MetresPerSecond(max(v-w, 0)), units.MetresPerSecond(v + w), true
}

// bend is by how much the slope may be bent, in m/s. In a flume the pace is given and the time has the scatter, not the distance: the scatter of a swim is
// then (v − CS) times that of its time, which goes with its time, and the slope leans by Sxx⁻¹·Σ(v − CS)·var(t) = SEE²·Σt/(D′·Sxx).
func (f *Fit) bend() float64 {
	if d := f.Reserve.Metres(); f.Where() == Flume && d > 0 {
		return f.see * f.see * f.n * f.tMean / (d * f.sxx)
	}
	return 0
}

// Error is half the width of Band as seconds per 100 of the unit, at the threshold; false for two swims.
func (f *Fit) Error(u units.Unit) (seconds float64, ok bool) {
	_, fastest, ok := f.Band()
	v := f.Threshold.MetresPerSecond()
	return f.Threshold.Pace(u).Seconds() / v * (fastest.MetresPerSecond() - v), ok
}

// student has the 0.975 quantiles of Student's t for 1 to 30 degrees of freedom (textbook table).
var student = [...]float64{
	12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.3060, 2.2622, 2.2281, 2.2010, 2.1788, 2.1604, 2.1448, 2.1314,
	2.1199, 2.1098, 2.1009, 2.0930, 2.0860, 2.0796, 2.0739, 2.0687, 2.0639, 2.0595, 2.0555, 2.0518, 2.0484, 2.0452, 2.0423,
}

// quantile is the 0.975 quantile of Student's t; beyond the table by the first two terms of its expansion about the normal.
func quantile(freedom float64) float64 {
	if i := int(freedom); i <= len(student) {
		return student[i-1]
	}
	return 1.959964 + (2.372271+2.8225/freedom)/freedom // z, (z³+z)/4, (5z⁵+16z³+3z)/96
}
