package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// asks is what a session asks of its swimmer. Its JSON form is a contract: keys are added, never changed.
type asks struct {
	From     string       `json:"threshold_from"` // in words
	Pool     *float64     `json:"pool_threshold_s_per_100m"`
	Offset   *float64     `json:"flume_offset_s_per_100m"`
	Error    *float64     `json:"threshold_error_s_per_100m"` // half of the band that has it in 95 of 100 cases; null where not known
	AboveS   float64      `json:"above_s"`                    // more than 3 % faster than the threshold
	AboveM   float64      `json:"above_m"`
	NearS    float64      `json:"near_s"`
	NearM    float64      `json:"near_m"`
	BelowS   float64      `json:"below_s"`
	BelowM   float64      `json:"below_m"`
	RestS    float64      `json:"rest_s"`
	UnknownS float64      `json:"unknown_s"` // paced, without a threshold
	UnknownM float64      `json:"unknown_m"`
	Hardest  *jsonHardest `json:"hardest"` // null where nothing is above the threshold
	Cautions []jsonRemark `json:"cautions"`

	sum  swimmer.Asks
	held *swimmer.Prediction
	unit units.Unit
}

type jsonHardest struct {
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

type jsonRemark struct {
	Code  fault.Code `json:"code"`
	Block int        `json:"block"`
	Text  string     `json:"text"`
}

// withAsks is a rehearsal as JSON, with what it asks of the swimmer.
type withAsks struct {
	*rehearse.Result
	Asks *asks `json:"asks"`
}

// asksOf sums up what the session asks of the swimmer; today is for what is out of date.
func (l *loaded) asksOf(today time.Time) *asks {
	a := &asks{From: "not known", sum: swimmer.Ask(l.plan.Blocks, l.threshold.Speed()), unit: l.session.Unit, Cautions: []jsonRemark{}}
	var fit *swimmer.Fit
	var weeks []swimmer.Week
	var cautions []fault.Remark
	if k := l.known; k != nil {
		for _, w := range k.Weeks {
			weeks = append(weeks, swimmer.Week{Monday: w.Monday, Distance: w.Total.Distance})
		}
	}
	switch k := l.known; {
	case l.threshold.IsZero():
	case l.given:
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
		a.Hardest = &jsonHardest{First: h.First, Last: h.Last, S: h.Time.Seconds(), M: h.Distance.Metres(), OverM: h.Over.Metres(), Pace: h.Speed().Pace(units.Metre).Seconds()}
		if p, ok := h.Holds(fit); ok {
			holds, from, to := p.Time.Seconds(), p.From.Seconds(), p.To.Seconds()
			a.held, a.Hardest.Holds = &p, &holds
			if p.Sure {
				a.Hardest.HoldFrom, a.Hardest.HoldTo = &from, &to
			}
		}
	}
	for _, r := range append(cautions, swimmer.Cautions(s, fit, l.session, l.plan.Blocks, weeks, today)...) {
		a.Cautions = append(a.Cautions, jsonRemark(r))
	}
	return a
}

// write writes it for a person.
func (a *asks) write(out io.Writer) error {
	var b strings.Builder
	of := func(f swimmer.Figure) string {
		return fmt.Sprintf("%s (%s)", units.FormatTimeWhole(f.Time), length(f.Distance, a.unit))
	}
	if a.From != "not known" {
		fmt.Fprintf(&b, "\nAsks, by a threshold %s", a.From)
		if a.Error != nil {
			fmt.Fprintf(&b, ", ±%.1f s", *a.Error*a.unit.Metres())
		}
		if a.Offset != nil && *a.Offset != 0 {
			fmt.Fprintf(&b, ", in the flume %+.3g s per 100 m", *a.Offset)
		}
		fmt.Fprintf(&b, ": above it %s, near it %s, below it %s.\n", of(a.sum.Above), of(a.sum.Near), of(a.sum.Below))
	}
	if h := a.sum.Hardest; h.Time > 0 {
		fmt.Fprintf(&b, "Hardest: %s without a break at %s", of(h.Figure), h.Speed().Pace(a.unit))
		if a.held != nil {
			fmt.Fprintf(&b, "; the timed swims say that it can be held for %s", a.held)
		}
		b.WriteString(".\n")
	}
	for _, r := range a.Cautions {
		fmt.Fprintf(&b, "Caution: %s [%s]\n", r.Text, r.Code)
	}
	_, err := io.WriteString(out, b.String())
	return err
}
