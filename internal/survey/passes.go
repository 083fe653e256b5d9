package survey

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"flume.example/sequencerd/internal/units"
)

// Passes are float timings: how long a float took over a known length, again and again, at one steady motor speed.
type Passes struct {
	Motor  units.MotorSpeed
	Length units.Distance // 0.5 to 50 m
	Times  []time.Duration
	// Factor turns the float's speed into that of the water: 1.00, which 0 stands for too. Anything else is refused: the factors in handbooks (0.84 to 0.90, USGS)
	// are for rivers, where a float at the surface outruns the mean over the depth; a flume's jet is measured with a float at the swimmer's depth.
	Factor float64
}

// Reading is the steady water speed at one motor speed, and how sure it is.
type Reading struct {
	Motor units.MotorSpeed
	Water units.Speed
	CI    units.Speed // half the width of the 95 % interval; 0 where it is not known
	// Used and Dropped are how many passes or rows count, and how many do not; DroppedAt has the places of the latter in Passes.Times, from 0.
	// With CI, three or more used say that the interval comes from their scatter; fewer, that it was given.
	Used, Dropped int
	DroppedAt     []int
}

// What a pass may be, and how an outlier is told.
const (
	fewestPasses = 3
	mostPasses   = 1000
	// fewestToDrop is from how many passes on one may be dropped: of fewer, nobody knows which is wrong.
	fewestToDrop = 5
	// A pass is dropped when it is farther from the median than this many robust standard deviations: the modified z-score of 3.5 of Iglewicz and Hoaglin
	// (How to Detect and Handle Outliers, 1993; from memory), widened by 1 + 8/n: of few passes the deviation is itself so unsure that one honest set in three would
	// lose a pass, and its interval then be too narrow. With it, one in thirty does (computed; TestReadingCoverage shows what is left of the interval).
	outlierScore = 3.5
	outlierFew   = 8.0
	// and no deviation counts as less than this share of the median, as few passes may be alike by chance: a thirtieth of a second of the stopwatch in 3 s. Our own choice.
	leastScatter = 0.01
	// More than one in so many are no outliers but scatter, and all count; where that is more than this share of the mean, the passes tell nothing. Our own choice.
	dropOneIn   = 4
	mostScatter = 0.15
)

// normalMAD makes the median distance from the median a standard deviation, for normally scattered values: 1/0.6745.
const normalMAD = 1.482602218505602

// Reading is the mean of L/t over the passes, without outliers, with its interval by Student's t.
// At least three passes are needed; five or more for one to be dropped. The error names the value and what is allowed.
func (p Passes) Reading() (Reading, error) {
	if err := p.check(); err != nil {
		return Reading{}, err
	}
	speeds := make([]float64, len(p.Times))
	for i, t := range p.Times {
		speeds[i] = p.Length.Metres() / t.Seconds()
	}
	out := outliers(speeds)
	mean, sd := stat.MeanStdDev(speeds, nil)
	if many := len(out)*dropOneIn > len(speeds); many && sd <= mostScatter*mean {
		out = nil
	} else if many {
		return Reading{}, fmt.Errorf("%v: the passes contradict each other: %s of %d are far from the others; time them again",
			p.Motor, p.some(out), len(speeds))
	}
	r := Reading{Motor: p.Motor, Used: len(speeds) - len(out), Dropped: len(out), DroppedAt: out}
	kept := speeds[:0]
	for i, v := range speeds {
		if !slices.Contains(out, i) {
			kept = append(kept, v)
		}
	}
	mean, ci := interval(kept)
	if mean < leastSpeed || mean > mostSpeed {
		return Reading{}, fmt.Errorf("%v: the passes give %.3g m/s: allowed is %g to %g; is the length right?", p.Motor, mean, leastSpeed, mostSpeed)
	}
	r.Water, r.CI = units.MetresPerSecond(mean), units.MetresPerSecond(ci)
	return r, nil
}

func (p Passes) check() error {
	if err := checkMotor(p.Motor); err != nil {
		return err
	}
	if l := p.Length.Metres(); !(l >= 0.5 && l <= 50) {
		return fmt.Errorf("%v: length %g m: allowed is 0.5 to 50", p.Motor, l)
	}
	if f := p.Factor; f != 0 && f != 1 {
		return fmt.Errorf("%v: factor %g: allowed is 1. The factors of handbooks (0.84 to 0.90) are for rivers, where the bed brakes the water; in a flume, time a float that hangs at "+
			"the swimmer's depth", p.Motor, f)
	}
	if n := len(p.Times); n < fewestPasses || n > mostPasses {
		return fmt.Errorf("%v: %d passes: allowed are %d to %d", p.Motor, n, fewestPasses, mostPasses)
	}
	for i, t := range p.Times {
		if t < 200*time.Millisecond || t > 10*time.Minute {
			return fmt.Errorf("%v: pass %d took %.6g s: allowed is 0.2 to 600", p.Motor, i+1, t.Seconds())
		}
	}
	return nil
}

// some are the passes at these places as text: "pass 2 (3.1 s), pass 5 (0.9 s)".
func (p Passes) some(at []int) string {
	words := make([]string, len(at))
	for i, k := range at {
		words[i] = fmt.Sprintf("pass %d (%.4g s)", k+1, p.Times[k].Seconds())
	}
	return strings.Join(words, ", ")
}

// outliers are the places of the values that are too far from the median.
func outliers(v []float64) (at []int) {
	if len(v) < fewestToDrop {
		return nil
	}
	m := median(v)
	off := make([]float64, len(v))
	for i := range v {
		off[i] = math.Abs(v[i] - m)
	}
	far := outlierScore * (1 + outlierFew/float64(len(v))) * max(normalMAD*median(off), leastScatter*m)
	for i, d := range off {
		if d > far {
			at = append(at, i)
		}
	}
	return at
}

func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// interval is the mean and half the width of its 95 % interval.
func interval(v []float64) (mean, ci float64) {
	mean, sd := stat.MeanStdDev(v, nil)
	n := float64(len(v))
	return mean, student(0.975, n-1) * sd / math.Sqrt(n)
}
