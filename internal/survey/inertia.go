package survey

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"

	"flume.example/sequencerd/internal/units"
)

// Sample is a moment of a recording: the motor, and the water where it was measured. The motor's speed goes straight from sample to sample, so a change wants a
// sample at its beginning and its end; before the first it is the first's.
type Sample struct {
	At    time.Duration
	Motor units.MotorSpeed
	Water units.Speed
	// Over says that Water is a mean over so long, At being the middle: a float's pass. 0 is a moment.
	Over time.Duration
	// MotorOnly says that the water was not measured here.
	MotorOnly bool
}

// Inertia is what a recording says of the inertia length.
type Inertia struct {
	Length, CI units.Distance // the inertia length L, and half the width of its 95 % interval
	// Dead is how much later than the motor the water answers, and DeadCI half the width of its interval; both 0 where the samples do not tell.
	Dead, DeadCI time.Duration
	Start        units.Speed // of the water, at the first moment
	RMS          units.Speed // root mean square of what is left between model and samples
	Samples      int         // with water measured
}

// What a recording may be, and what comes of it.
const (
	fewestSamples = 4
	mostRecording = 24 * 3600.0 // s
	shortestL     = 0.02        // m
	longestL      = 50          // m, as of water.New
	// mostDoubt is the share of L that its interval may have: beyond, the samples tell nothing. Our own choice.
	mostDoubt = 0.5
)

// What is thought of the dead time before the samples are looked at, s: drives answer within this. Our own choice; samples that tell it say otherwise by themselves.
const (
	deadMean = 0.1
	deadSD   = 0.2
)

// FitInertia finds the inertia length (and dead time) with which dv/dt = (c(n)² − v·|v|)/L goes nearest to the samples: least squares over L, the speed of the water at the
// first moment, the dead time, and a factor on c, which knows that the calibration has an error. Dead time and factor are held near what is thought of them
// beforehand as the samples are noisy, so that a coast, which says nothing of either, gives an L all the same.
//
// The motor's speed in the samples is the one that the drive reported. Samples are either all moments or all means; of means, as of floats, those of slow water count for
// more, as the error of a timed pass goes with the square of the speed. Several recordings of the same motor's way (coasts from one speed) may be given as one.
// Samples with the same At must have the same motor speed.
//
// The interval is by Student's t, widened where neighbouring samples are off alike. The error says which sample is wrong and what is allowed, or that the samples do
// not tell the inertia.
func FitInertia(samples []Sample, c *Calibration) (Inertia, error) {
	r, err := newRecording(samples, c)
	if err != nil {
		return Inertia{}, err
	}
	return r.fit()
}

var errNoInertia = errors.New("the samples do not tell the inertia: record a coast from a fast speed until less than a third of it is left, or a start from rest until the water is steady, " +
	"with more samples while the speed changes")

// recording is samples made ready.
type recording struct {
	c        *Calibration
	s        []Sample
	measured []int     // places of those with water
	weight   []float64 // of each measured: 1 over its deviation, relative to each other
	begin    float64   // s: the first moment of anything
	factorSD float64   // what is thought of the calibration's error, as a share
}

func newRecording(samples []Sample, c *Calibration) (*recording, error) {
	if c == nil {
		return nil, errors.New("inertia needs a calibration")
	}
	if len(samples) > mostRows {
		return nil, fmt.Errorf("%d samples: allowed are up to %d", len(samples), mostRows)
	}
	r := &recording{c: c, s: slices.Clone(samples), begin: math.Inf(1)}
	slices.SortStableFunc(r.s, func(a, b Sample) int { return cmp.Compare(a.At, b.At) })
	moments, means := 0, 0
	for i, s := range r.s {
		t, n, v := s.At.Seconds(), s.Motor.RPM(), s.Water.MetresPerSecond()
		switch {
		case math.Abs(t) > mostRecording:
			return nil, fmt.Errorf("sample at %.6g s: allowed is a recording of up to a day", t)
		case !(n >= 0 && n <= mostRPM):
			return nil, fmt.Errorf("sample at %.6g s: motor speed %g rpm: allowed is 0 to %d", t, n, mostRPM)
		case !s.MotorOnly && !(v >= 0 && v <= mostSpeed):
			return nil, fmt.Errorf("sample at %.6g s: water %g m/s: allowed is 0 to %g", t, v, mostSpeed)
		case s.Over < 0 || s.Over > 10*time.Minute:
			return nil, fmt.Errorf("sample at %.6g s: a mean over %.6g s: allowed is 0 to 600", t, s.Over.Seconds())
		case i > 0 && s.At == r.s[i-1].At && math.Abs(n-r.s[i-1].Motor.RPM()) > 1:
			return nil, fmt.Errorf("sample at %.6g s: the motor turns at %g and at %g rpm: allowed is one speed at one time", t, r.s[i-1].Motor.RPM(), n)
		}
		r.begin = min(r.begin, t-s.Over.Seconds()/2)
		if s.MotorOnly {
			continue
		}
		w := 1.0
		if s.Over > 0 {
			means++
			if v <= 0 {
				return nil, fmt.Errorf("sample at %.6g s: a mean of %g m/s: a float that passes has a speed", t, v)
			}
			w = s.Over.Seconds() / v
		} else {
			moments++
		}
		r.measured, r.weight = append(r.measured, i), append(r.weight, w)
	}
	switch {
	case len(r.measured) < fewestSamples:
		return nil, fmt.Errorf("%d samples with the water measured: at least %d are needed", len(r.measured), fewestSamples)
	case moments > 0 && means > 0:
		return nil, fmt.Errorf("%d samples are moments and %d are means over a while: allowed is one kind in a recording", moments, means)
	}
	mean := 0.0
	for _, w := range r.weight {
		mean += w / float64(len(r.weight))
	}
	for i := range r.weight {
		r.weight[i] /= mean
	}
	share, _ := c.Spread()
	r.factorSD = min(max(share/2, 0.002), 0.1)
	return r, nil
}

// The parameters of the fit.
const (
	logL   = iota // ln(L/m), so that L stays above 0
	start         // of the water, m/s
	dead          // s
	factor        // on c
	parameters
)

type params [parameters]float64

// fit is Gauss and Newton's least squares, with Levenberg's damping.
func (r *recording) fit() (Inertia, error) {
	first := r.s[r.measured[0]].Water.MetresPerSecond()
	p, best, sigma := params{}, math.Inf(1), 0.0
	for l := 0.1; l < 40; l *= 1.5 { // where to begin
		q := params{math.Log(l), first, deadMean, 1}
		if sq := sumSquares(r.residuals(q, 0)); sq < best {
			best, p = sq, q
		}
	}
	if math.IsInf(best, 1) {
		return Inertia{}, errNoInertia
	}
	p, err := r.search(p, 0)
	if err != nil {
		return Inertia{}, errNoInertia
	}
	// How much what is thought beforehand counts goes with the scatter of the samples, which is known only after a fit.
	m := float64(len(r.measured))
	for range 3 {
		sigma = max(math.Sqrt(sumSquares(r.residuals(p, 0))/(m-2)), 1e-6)
		if p, err = r.search(p, sigma); err != nil {
			return Inertia{}, errNoInertia
		}
	}
	return r.verdict(p, sigma)
}

// search goes from p to the nearest least sum of squares; with sigma 0 the dead time and the factor stay as they are.
func (r *recording) search(p params, sigma float64) (params, error) {
	damping := 1e-3
	e := r.residuals(p, sigma)
	sq := sumSquares(e)
	for range 100 {
		normal, gradient := r.normal(p, sigma, e)
		size, better := 0.0, false
		for range 20 {
			step, err := solve(normal, gradient, damping)
			if err != nil {
				return p, err
			}
			q := p
			for k := range q {
				q[k] -= step[k]
			}
			q.keep()
			size = 0
			for k := range q {
				size = max(size, math.Abs(q[k]-p[k]))
			}
			qe := r.residuals(q, sigma)
			if s := sumSquares(qe); s <= sq {
				p, e, sq, better = q, qe, s, true
				damping = max(damping/100, 1e-12)
				break
			}
			if size < enough {
				break
			}
			damping *= 10
		}
		if !better || size < enough {
			break
		}
	}
	if !finite(sq) {
		return p, errNoInertia
	}
	return p, nil
}

// enough is the step of the parameters at which the search ends.
const enough = 1e-8

// keep holds the parameters where a model can be made of them.
func (p *params) keep() {
	p[logL] = min(max(p[logL], math.Log(shortestL)-1), math.Log(longestL))
	p[start] = min(max(p[start], 0), mostSpeed)
	p[dead] = min(max(p[dead], -2), 10)
	p[factor] = min(max(p[factor], 0.5), 2)
}

func sumSquares(e []float64) (s float64) {
	for _, v := range e {
		s += v * v
	}
	return s
}

// solve is the damped step; a parameter of which nothing is said stays.
func solve(normal [parameters][parameters]float64, gradient params, damping float64) (params, error) {
	a, b := mat.NewSymDense(parameters, nil), mat.NewVecDense(parameters, nil)
	for i := range parameters {
		for j := i; j < parameters; j++ {
			a.SetSym(i, j, normal[i][j])
		}
		d := normal[i][i]
		if d == 0 {
			a.SetSym(i, i, 1)
		} else {
			a.SetSym(i, i, d*(1+damping))
		}
		b.SetVec(i, gradient[i])
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(a) {
		return params{}, errNoInertia
	}
	if err := chol.SolveVecTo(&x, b); err != nil {
		var ill mat.Condition
		if !errors.As(err, &ill) {
			return params{}, err
		}
	}
	var out params
	for i := range out {
		if out[i] = x.AtVec(i); !finite(out[i]) {
			return params{}, errNoInertia
		}
	}
	return out, nil
}

// steps are how far each parameter is moved to see what it does.
var steps = params{1e-4, 1e-4, 1e-3, 1e-4}

// slopes are the derivatives of all residuals by each parameter, by central differences; none for the parameters that are held.
func (r *recording) slopes(p params, sigma float64) [parameters][]float64 {
	var out [parameters][]float64
	for k := range out {
		if sigma == 0 && k >= dead {
			continue
		}
		hi, lo := p, p
		hi[k] += steps[k]
		lo[k] -= steps[k]
		up, down := r.residuals(hi, sigma), r.residuals(lo, sigma)
		for i := range up {
			up[i] = (up[i] - down[i]) / (2 * steps[k])
		}
		out[k] = up
	}
	return out
}

func (r *recording) normal(p params, sigma float64, e []float64) (n [parameters][parameters]float64, g params) {
	j := r.slopes(p, sigma)
	for a := range j {
		for i := range j[a] {
			g[a] += j[a][i] * e[i]
		}
		for b := range j {
			if j[a] == nil || j[b] == nil {
				continue
			}
			for i := range e {
				n[a][b] += j[a][i] * j[b][i]
			}
		}
	}
	return n, g
}

// residuals are model less sample, weighted; with sigma above 0 two more say how far dead time and factor are from what is thought of them.
func (r *recording) residuals(p params, sigma float64) []float64 {
	e := r.follow(p)
	for i, k := range r.measured {
		e[i] = r.weight[i] * (e[i] - r.s[k].Water.MetresPerSecond())
	}
	if sigma > 0 {
		e = append(e, sigma*(p[dead]-deadMean)/deadSD, sigma*(p[factor]-1)/r.factorSD)
	}
	return e
}

// verdict is what the fitted parameters are worth.
func (r *recording) verdict(p params, sigma float64) (Inertia, error) {
	e := r.residuals(p, sigma)
	m := len(r.measured)
	freedom := float64(m - 2) // two parameters; the other two have brought what is thought of them
	l := math.Exp(p[logL])
	if l < shortestL || l > 0.999*longestL {
		return Inertia{}, fmt.Errorf("the samples give an inertia length of %.3g m or beyond: allowed is %g to %d. Are times in seconds and speeds in m/s, and does the water follow the motor in it at all?", l, shortestL, longestL)
	}
	cov, ok := covariance(r.slopes(p, sigma), e, max(sumSquares(e)/freedom, sigma*sigma))
	if !ok {
		return Inertia{}, errNoInertia
	}
	rms := sumSquares(e[:m]) / float64(m)
	q := student(0.975, freedom) * alike(e[:m])
	ci := l * q * math.Sqrt(cov[logL])
	if !finite(ci) || ci > mostDoubt*l {
		return Inertia{}, errNoInertia
	}
	out := Inertia{Length: units.Metres(l), CI: units.Metres(ci), Start: speed(p[start]), RMS: speed(math.Sqrt(rms)), Samples: m}
	if d := q * math.Sqrt(cov[dead]); d < deadSD && p[dead] > -d {
		out.Dead, out.DeadCI = seconds(max(p[dead], 0)), seconds(d)
	}
	return out, nil
}

// covariance is the variance of each parameter: the greater of that of least squares, for which all samples scatter alike, and that for which each scatters as it does
// (scatter is the square of their deviation; White 1980, with the residuals over 1 − leverage of MacKinnon and White 1985, "HC3"; from memory).
func covariance(j [parameters][]float64, e []float64, scatter float64) (variance params, ok bool) {
	row := func(i int) params {
		var x params
		for k := range j {
			x[k] = j[k][i]
		}
		return x
	}
	a := mat.NewSymDense(parameters, nil)
	for i := range e {
		x := row(i)
		a.SymRankOne(a, 1, mat.NewVecDense(parameters, x[:]))
	}
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(a) || chol.InverseTo(&inverse) != nil {
		return params{}, false
	}
	each := params{}
	for i := range e {
		x := row(i)
		var y mat.VecDense
		y.MulVec(&inverse, mat.NewVecDense(parameters, x[:]))
		leverage := mat.Dot(mat.NewVecDense(parameters, x[:]), &y)
		off := e[i] / max(1-leverage, 0.05)
		for k := range each {
			each[k] += off * off * y.AtVec(k) * y.AtVec(k)
		}
	}
	for k := range variance {
		variance[k] = max(each[k], scatter*inverse.At(k, k))
	}
	return variance, true
}

// alike is by how much neighbours that are off alike widen an interval: √((1+ρ)/(1−ρ)), ρ being the correlation of neighbours. Of few samples nobody knows it.
func alike(e []float64) float64 {
	if len(e) < 20 {
		return 1
	}
	var own, next float64
	for i, v := range e {
		own += v * v
		if i > 0 {
			next += v * e[i-1]
		}
	}
	if !(own > 0) {
		return 1
	}
	rho := min(max(next/own, 0), 0.99)
	return math.Sqrt((1 + rho) / (1 - rho))
}
