package swimmer

import (
	"errors"
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Prediction is a time that a fit predicts, and between which times it should be in 95 of 100 cases.
type Prediction struct {
	Time     time.Duration
	From, To time.Duration // equal to Time where Sure is false
	Sure     bool          // the fit knows its error
	Beyond   bool          // outside 2 to 15 minutes, where the relation is known to hold: taken with care
}

// What the relation holds for: trials of 2 to 15 minutes (PMC10875687).
const (
	Shortest = 2 * time.Minute
	Longest  = 15 * time.Minute
)

var errNoTime = errors.New("the timed swims predict no time for so short a distance")

// Time predicts how long a distance takes: t = (D − D′)/CS.
func (f *Fit) Time(d units.Distance) (Prediction, error) {
	v := f.Threshold.MetresPerSecond()
	t := (d.Metres() - f.Reserve.Metres()) / v
	if !(t >= 1 && t <= 24*3600) {
		return Prediction{}, errNoTime
	}
	return f.predict(t, v), nil
}

// Holds predicts how long a speed so much above the threshold can be held: t = D′/(v − CS). False where the fit predicts none: at or below the threshold,
// or with no reserve.
func (f *Fit) Holds(over units.Speed) (Prediction, bool) {
	v := over.MetresPerSecond()
	t := f.Reserve.Metres() / v
	if !(v > 0 && t > 0 && t <= 24*3600) {
		return Prediction{}, false
	}
	return f.predict(t, v), true
}

// predict puts a band round a time where the line and the swim's own are so far apart in speed, in m/s: the error of a new swim about the line
// (textbook prediction interval), taken across to time.
func (f *Fit) predict(t, speed float64) Prediction {
	p := Prediction{Time: seconds(t), From: seconds(t), To: seconds(t), Sure: f.Sure(), Beyond: seconds(t) < Shortest || seconds(t) > Longest}
	if p.Sure {
		off := t - f.tMean
		w := quantile(f.n-2) * f.see * math.Sqrt(1+1/f.n+off*off/f.sxx) / speed
		p.From, p.To = seconds(max(t-w, 0)), seconds(min(t+w, 48*3600))
	}
	return p
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
