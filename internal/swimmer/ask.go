package swimmer

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// near is how far from the threshold a speed still counts as near it: our own choice, a little more than what two timed swims tell of a threshold.
const near = 0.03

// Figure is a time and a distance.
type Figure struct {
	Time     time.Duration
	Distance units.Distance
}

// Asks is what a session asks of a swimmer on paper: at its paces from the first moment of each block to the last.
type Asks struct {
	Total, Rest        Figure
	Above, Near, Below Figure // more than 3 % faster than the threshold, within 3 %, slower; all empty without a threshold
	Unknown            Figure // without a threshold: everything that is paced
	Hardest            Effort // the stretch above the threshold that takes most; zero where there is none
}

// Effort is a stretch of blocks without a break that are all above the threshold. Open blocks are none: they end when somebody says so.
type Effort struct {
	First, Last int // blocks
	Figure
	Over units.Distance // how much farther than the threshold would have gone, m: what it takes of the reserve
}

// Speed is the mean speed of an effort.
func (e Effort) Speed() units.Speed {
	if e.Time <= 0 {
		return units.Speed{}
	}
	return units.MetresPerSecond(e.Distance.Metres() / e.Time.Seconds())
}

// Holds is how long the fit says that this swimmer holds the effort's mean speed above the threshold; false where it does not say.
func (e Effort) Holds(f *Fit) (Prediction, bool) {
	if f == nil || e.Time <= 0 {
		return Prediction{}, false
	}
	return f.Holds(units.MetresPerSecond(e.Over.Metres() / e.Time.Seconds()))
}

// Ask sums up what blocks ask of a swimmer with this threshold in the flume; standstill for a threshold that is not known.
func Ask(blocks []schedule.Block, threshold units.Speed) Asks {
	var a Asks
	var e Effort
	var over float64
	cs := threshold.MetresPerSecond()
	end := func() {
		if e.Over = units.Metres(over); over > a.Hardest.Over.Metres() {
			a.Hardest = e
		}
		e, over = Effort{}, 0
	}
	for i, ask := range schedule.Asked(blocks) {
		b, asked := &blocks[i], Figure{ask.Time, ask.Distance}
		a.Total.add(asked)
		from, to := b.From.Speed().MetresPerSecond(), b.To.Speed().MetresPerSecond()
		switch {
		case b.Rest:
			a.Rest.add(asked)
			end()
			continue
		case cs <= 0:
			a.Unknown.add(asked)
			continue
		}
		slow := stretch(from, to, ask.Time, 0, cs*(1-near))
		fast := stretch(from, to, ask.Time, cs*(1+near), math.Inf(1))
		a.Below.add(slow)
		a.Above.add(fast)
		a.Near.add(Figure{asked.Time - slow.Time - fast.Time, units.Metres(asked.Distance.Metres() - slow.Distance.Metres() - fast.Distance.Metres())})
		if b.Extent == schedule.Open { // ends when somebody says so: it asks nobody to hold on to its cap
			end()
			continue
		}
		// A two-pace block that crosses the threshold is an effort only where it is above; it may begin or end one.
		if to < from && min(from, to) <= cs {
			e.take(i, stretch(from, to, ask.Time, cs, math.Inf(1)), cs, &over)
			end()
			continue
		}
		if min(from, to) <= cs {
			end()
		}
		if max(from, to) > cs {
			e.take(i, stretch(from, to, ask.Time, cs, math.Inf(1)), cs, &over)
		}
	}
	end()
	return a
}

func (e *Effort) take(block int, f Figure, cs float64, over *float64) {
	if f.Time <= 0 {
		return
	}
	if e.Time == 0 {
		e.First = block
	}
	e.Last = block
	e.add(f)
	*over += max(f.Distance.Metres()-cs*f.Time.Seconds(), 0)
}

func (f *Figure) add(g Figure) {
	f.Time += g.Time
	f.Distance = units.Metres(f.Distance.Metres() + g.Distance.Metres())
}

// stretch is the part of a steady change from one speed to another in which the speed is above lo and at most hi. A change within rounding is none.
func stretch(from, to float64, t time.Duration, lo, hi float64) Figure {
	a, b := min(from, to), max(from, to)
	if b-a < 1e-9 {
		if v := (a + b) / 2; v <= lo*(1+1e-9) || v > hi*(1+1e-9) {
			return Figure{}
		}
		return Figure{t, units.Metres((a + b) / 2 * t.Seconds())}
	}
	a2, b2 := max(a, lo), min(b, hi)
	if b2 <= a2 {
		return Figure{}
	}
	part := t.Seconds() * (b2 - a2) / (b - a)
	return Figure{seconds(part), units.Metres((a2 + b2) / 2 * part)}
}
