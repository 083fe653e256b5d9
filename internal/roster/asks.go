package roster

import (
	"fmt"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// Asks is what a session asks of its swimmer. Its JSON form is a contract: keys are added, never changed.
type Asks struct {
	From     string   `json:"threshold_from"` // in words
	Pool     *float64 `json:"pool_threshold_s_per_100m"`
	Offset   *float64 `json:"flume_offset_s_per_100m"`
	Error    *float64 `json:"threshold_error_s_per_100m"` // half of the band that has it in 95 of 100 cases; null where not known
	AboveS   float64  `json:"above_s"`                    // more than 3 % faster than the threshold
	AboveM   float64  `json:"above_m"`
	NearS    float64  `json:"near_s"`
	NearM    float64  `json:"near_m"`
	BelowS   float64  `json:"below_s"`
	BelowM   float64  `json:"below_m"`
	RestS    float64  `json:"rest_s"`
	UnknownS float64  `json:"unknown_s"` // paced, without a threshold
	UnknownM float64  `json:"unknown_m"`
	Hardest  *Hardest `json:"hardest"` // null where nothing is above the threshold
	Cautions []Remark `json:"cautions"`

	sum  swimmer.Asks
	held *swimmer.Prediction
	unit units.Unit
}

// Hardest is the longest stretch above the threshold.
type Hardest struct {
	First    int      `json:"first_block"`
	Last     int      `json:"last_block"`
	S        float64  `json:"s"`
	M        float64  `json:"m"`
	OverM    float64  `json:"over_threshold_m"`
	Pace     float64  `json:"pace_s_per_100m"`
	Holds    *float64 `json:"holds_s"` // what the timed swims say; null where they do not
	HoldFrom *float64 `json:"holds_from_s"`
	HoldTo   *float64 `json:"holds_to_s"`
}

// Remark is a caution.
type Remark struct {
	Code  fault.Code `json:"code"`
	Block int        `json:"block"`
	Text  string     `json:"text"`
}

// AskedOf sums up what a session asks of somebody with that threshold in the flume. k is nil for whom the store does not know; given says that the
// threshold is not their own; today is for what is out of date.
func AskedOf(session *schedule.Session, blocks []schedule.Block, threshold units.Pace, k *Known, given bool, today time.Time) *Asks {
	a := &Asks{From: "not known", sum: swimmer.Ask(blocks, threshold.Speed()), unit: session.Unit, Cautions: []Remark{}}
	var fit *swimmer.Fit
	var weeks []swimmer.Week
	var cautions []fault.Remark
	if k != nil {
		for _, w := range k.Weeks {
			weeks = append(weeks, swimmer.Week{Monday: w.Monday, Distance: w.Total.Distance})
		}
	}
	switch {
	case threshold.IsZero():
	case given:
		a.From = "given on the command line"
	case k == nil || k.Now.Pace.IsZero():
		a.From = "from the configuration"
	default:
		a.From, fit = k.Whence(), k.Fit
		if !k.Now.Flume {
			pool := k.Now.Pace.In(units.Metre).Seconds()
			a.Pool, a.Offset = &pool, &k.Offset
		}
		if k.Now.Error > 0 {
			a.Error = &k.Now.Error
		}
		cautions = k.Doubts(today)
	}
	s := a.sum
	a.AboveS, a.AboveM = s.Above.Time.Seconds(), s.Above.Distance.Metres()
	a.NearS, a.NearM = s.Near.Time.Seconds(), s.Near.Distance.Metres()
	a.BelowS, a.BelowM = s.Below.Time.Seconds(), s.Below.Distance.Metres()
	a.RestS, a.UnknownS, a.UnknownM = s.Rest.Time.Seconds(), s.Unknown.Time.Seconds(), s.Unknown.Distance.Metres()
	if h := s.Hardest; h.Time > 0 {
		a.Hardest = &Hardest{First: h.First, Last: h.Last, S: h.Time.Seconds(), M: h.Distance.Metres(), OverM: h.Over.Metres(), Pace: h.Speed().Pace(units.Metre).Seconds()}
		if p, ok := h.Holds(fit); ok {
			holds, from, to := p.Time.Seconds(), p.From.Seconds(), p.To.Seconds()
			a.held, a.Hardest.Holds = &p, &holds
			if p.Sure {
				a.Hardest.HoldFrom, a.Hardest.HoldTo = &from, &to
			}
		}
	}
	for _, r := range append(cautions, swimmer.Cautions(s, fit, session, blocks, weeks, today)...) {
		a.Cautions = append(a.Cautions, Remark(r))
	}
	return a
}

// Sentences put it into words, without the cautions; empty where nothing can be said.
func (a *Asks) Sentences() (out []string) {
	of := func(f swimmer.Figure) string {
		return fmt.Sprintf("%s (%.0f %s)", units.FormatTimeWhole(f.Time), f.Distance.In(a.unit), a.unit)
	}
	if a.From != "not known" {
		var b strings.Builder
		fmt.Fprintf(&b, "Asks, by a threshold %s", a.From)
		if a.Error != nil {
			fmt.Fprintf(&b, ", ±%.1f s", *a.Error*a.unit.Metres())
		}
		if a.Offset != nil && *a.Offset != 0 {
			fmt.Fprintf(&b, ", in the flume %+.3g s per 100 m", *a.Offset)
		}
		fmt.Fprintf(&b, ": above it %s, near it %s, below it %s.", of(a.sum.Above), of(a.sum.Near), of(a.sum.Below))
		out = append(out, b.String())
	}
	if h := a.sum.Hardest; h.Time > 0 {
		text := fmt.Sprintf("Hardest: %s without a break at %s", of(h.Figure), h.Speed().Pace(a.unit))
		if a.held != nil {
			text += fmt.Sprintf("; the timed swims say that it can be held for %s", a.held)
		}
		out = append(out, text+".")
	}
	return out
}
