package swimmer

import (
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// What may be doubted of a threshold.
const (
	TwoSwims      fault.Code = "two-swims"            // the error of two swims cannot be known
	TooShort      fault.Code = "swim-too-short"       // a timed swim under 2 minutes
	TooLong       fault.Code = "swim-too-long"        // one over 15
	TooAlike      fault.Code = "swims-alike"          // lengths too near each other
	TooFarApart   fault.Code = "swims-far-apart"      // too much time between the swims
	OutOfDate     fault.Code = "threshold-old"        // the swims are too old
	Contradicting fault.Code = "swims-contradict"     // the swims do not fit each other
	OnSimulated   fault.Code = "simulated-swims"      // swims in a flume that is not there
	OtherWater    fault.Code = "pool-threshold"       // a pool threshold without an offset
	SetByHand     fault.Code = "threshold-by-hand"    // nobody knows what it is from
	SwimsGone     fault.Code = "swims-gone"           // the swims that it was found from are not those that are here
	Undated       fault.Code = "threshold-undated"    // without a date
	Holding       fault.Code = "longer-than-you-hold" // see Ask
)

// Fresh is how long swims say something about a swimmer: common practice is to test every six to eight weeks; no source.
const Fresh = 8 * 7 * 24 * time.Hour

const (
	alike       = 1.5  // the longest time over the shortest: 200 and 400 m are about 2.1. Our own choice
	mostReserve = 60.0 // m; published values go to about 36 (23.3 with an SD of 6.2, IJSPP 2018). Our own choice
	mostError   = 0.03 // standard error of the threshold over itself; two-distance values have about that (CV < 4 %, PMC10875687)
)

// Doubts are plain warnings about a fit, as of a day.
func (f *Fit) Doubts(today time.Time) (out []fault.Remark) {
	u := units.Metre
	var short, long []string
	newest, oldest, simulated := f.Swims[0].Date, f.Swims[0].Date, 0
	for _, s := range f.Swims {
		switch {
		case s.Time < Shortest:
			short = append(short, units.FormatTime(s.Time))
		case s.Time > Longest:
			long = append(long, units.FormatTime(s.Time))
		}
		if s.Date.After(newest) {
			newest = s.Date
		}
		if s.Date.Before(oldest) {
			oldest = s.Date
		}
		if s.Simulated {
			simulated++
		}
	}
	first, last := f.Swims[0], f.Swims[len(f.Swims)-1]
	if !f.Sure() {
		out = append(out, remark(TwoSwims, "Two swims give a threshold, but not how sure it is: a third one tells."))
	}
	if short != nil {
		out = append(out, remark(TooShort, "Too short, under 2 minutes: %s. Short swims make the threshold look faster.", strings.Join(short, ", ")))
	}
	if long != nil {
		out = append(out, remark(TooLong, "Too long, over 15 minutes: %s. Long swims make the threshold look slower.", strings.Join(long, ", ")))
	}
	if last.Time.Seconds() < alike*first.Time.Seconds() {
		out = append(out, remark(TooAlike, "The swims are too alike, %s and %s: a small slip makes a large error. Better is one at least twice as long as the other.",
			units.FormatTime(first.Time), units.FormatTime(last.Time)))
	}
	se, sure := f.StandardError()
	switch {
	case f.Reserve.Metres() <= 0:
		out = append(out, remark(Contradicting, "The swims contradict each other: the longer ones were swum no slower than the short ones."))
	case f.Reserve.Metres() > mostReserve:
		out = append(out, remark(Contradicting, "The swims contradict each other: the longest is too slow for the shortest. Was it swum as fast as it could be?"))
	case sure && se.MetresPerSecond() > mostError*f.Threshold.MetresPerSecond():
		worst := slices.MaxFunc(f.Swims, func(a, b Swim) int {
			return sign(abs(f.Off(a).Metres()) - abs(f.Off(b).Metres()))
		})
		out = append(out, remark(Contradicting, "The swims contradict each other: %.0f m in %s is %.1f m off what the others say.",
			worst.Distance.In(u), units.FormatTime(worst.Time), abs(f.Off(worst).Metres())))
	}
	switch {
	case oldest.IsZero():
		out = append(out, remark(Undated, "Not every swim has a date, so nobody knows how old the threshold is."))
	case newest.Sub(oldest) > Fresh:
		out = append(out, remark(TooFarApart, "There are %d weeks between the swims: a swimmer changes in that time.", weeks(newest.Sub(oldest))))
	}
	if simulated > 0 {
		out = append(out, remark(OnSimulated, "SIMULATED: %d of the %d swims were in no real water.", simulated, len(f.Swims)))
	}
	return append(out, Age(newest, today)...)
}

// Age warns of a threshold that is out of date; one without a date (zero) has no age.
func Age(of, today time.Time) []fault.Remark {
	if of.IsZero() || today.Sub(of) <= Fresh {
		return nil
	}
	return []fault.Remark{remark(OutOfDate, "The threshold is out of date: it is %d weeks old. Every six to eight weeks is common practice.", weeks(today.Sub(of)))}
}

func weeks(d time.Duration) int { return int(d / (7 * 24 * time.Hour)) }

func abs(v float64) float64 { return max(v, -v) }

func sign(v float64) int {
	switch {
	case v < 0:
		return -1
	case v > 0:
		return 1
	}
	return 0
}
