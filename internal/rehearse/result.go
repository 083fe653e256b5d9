// Package rehearse takes a session through the same tick as a real swim without waiting, and shows it as table, JSON, CSV and plot.
package rehearse

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// Result is a rehearsed session. Its JSON form is a contract: keys are added, never changed.
type Result struct {
	Title        string     `json:"title"`
	Unit         string     `json:"unit"`
	Swimmer      string     `json:"swimmer"`
	Threshold    *float64   `json:"threshold_s_per_100m"`
	Blocks       []Block    `json:"blocks"`
	TotalTime    float64    `json:"total_s"` // of the blocks, as planned
	TotalLength  float64    `json:"total_m"`
	RunoutTime   float64    `json:"runout_s"` // after the last block, until standstill
	RunoutLength float64    `json:"runout_m"`
	AskedTime    float64    `json:"asked_total_s"`
	AskedLength  float64    `json:"asked_total_m"`
	PeakAccel    float64    `json:"peak_accel_mps2"`
	PeakDecel    float64    `json:"peak_decel_mps2"`
	PeakJerk     float64    `json:"peak_jerk_mps3"`
	PeakRPM      float64    `json:"peak_rpm"`
	Simulated    Simulated  `json:"simulated"`
	AsksAt       []float64  `json:"asks_attention_at_s"` // on the simulated clock, 0 at the first block's start
	Warnings     []Warning  `json:"warnings"`
	unit         units.Unit // what the table counts in
	plan         run.Plan
	samples      []sample      // of the simulated water, one a tick, through the runout
	length       time.Duration // of the blocks, on the simulated clock
}

// Block is one block of a Result: what was asked, and what the plan gives.
type Block struct {
	Index    int      `json:"index"`
	Name     string   `json:"name"`
	Kind     string   `json:"kind"`
	Round    int      `json:"round"`
	Of       int      `json:"of"`
	Start    float64  `json:"start_s"`
	Duration float64  `json:"duration_s"`
	Distance float64  `json:"distance_m"`
	AskedS   float64  `json:"asked_s"`
	AskedM   float64  `json:"asked_m"`
	From     float64  `json:"from_mps"` // wanted
	To       float64  `json:"to_mps"`
	End      float64  `json:"end_mps"` // planned
	Pace     *float64 `json:"pace_s_per_100m"`
	PaceText *string  `json:"pace_text"`
	Reached  bool     `json:"reached"`
	RampS    float64  `json:"ramp_s"`
	RampM    float64  `json:"ramp_m"`
	AtPaceS  float64  `json:"at_pace_s"`
	AtPaceM  float64  `json:"at_pace_m"`
}

// Simulated is what came out behind the simulated drive.
type Simulated struct {
	Time       float64 `json:"total_s"` // of the blocks
	Length     float64 `json:"total_m"` // the plant's own
	WorstError float64 `json:"worst_speed_error_mps"`
	Stopped    string  `json:"stopped,omitempty"` // the guard ended it: the code
}

// Warning is something to know before the swim.
type Warning struct {
	Code  fault.Code `json:"code"`
	Block int        `json:"block"` // the first it is about; -1 for the whole session
	Text  string     `json:"text"`
}

// Describe is what the plan knows by itself, without a simulation.
func Describe(in Input) *Result { return describe(in.Plan, in.Threshold, in.Remarks) }

// describe fills in everything that the plan knows without a simulation.
func describe(plan run.Plan, threshold units.Pace, remarks []fault.Remark) *Result {
	r := &Result{Title: plan.Title, Unit: plan.Unit.String(), Swimmer: plan.Swimmer, AsksAt: []float64{}, Warnings: []Warning{}, unit: plan.Unit, plan: plan}
	if !threshold.IsZero() {
		s := threshold.In(units.Metre).Seconds()
		r.Threshold = &s
	}
	asked := schedule.Asked(plan.Blocks)
	for i := range plan.Profile.Spans() {
		b := describeBlock(&plan.Profile.Spans()[i], asked[i])
		r.AskedTime += b.AskedS
		r.AskedLength += b.AskedM
		r.Blocks = append(r.Blocks, b)
	}
	t, d := plan.Profile.Total()
	r.TotalTime, r.TotalLength = t.Seconds(), d.Metres()
	t, d = plan.Profile.Runout()
	r.RunoutTime, r.RunoutLength = t.Seconds(), d.Metres()
	accel, decel, jerk, motor := plan.Profile.Peaks()
	r.PeakAccel, r.PeakDecel = accel.MetresPerSecond2(), decel.MetresPerSecond2()
	r.PeakJerk, r.PeakRPM = jerk.MetresPerSecond3(), motor.RPM()
	for _, m := range remarks {
		r.Warnings = append(r.Warnings, Warning(m))
	}
	return r
}

func describeBlock(s *ramp.Span, asked schedule.Ask) Block {
	b := &s.Block
	rampTime, rampLength := s.Leg.RampTime(), s.Leg.RampDistance()
	out := Block{
		Index: b.Index, Name: b.Name, Kind: b.Kind, Round: b.Round, Of: b.Of,
		Start: s.Start.Seconds(), Duration: s.Duration.Seconds(), Distance: s.Distance.Metres(),
		AskedS: asked.Time.Seconds(), AskedM: asked.Distance.Metres(),
		From: b.From.Speed().MetresPerSecond(), To: b.To.Speed().MetresPerSecond(), End: s.End.Speed.MetresPerSecond(),
		Reached: s.Leg.Reached(), RampS: rampTime.Seconds(), RampM: rampLength.Metres(),
	}
	out.AtPaceS = (s.Duration - rampTime).Seconds()
	out.AtPaceM = out.Distance - out.RampM
	if !b.Rest {
		pace := b.MeanSpeed().Pace(units.Metre).Seconds()
		text := paceText(b)
		out.Pace, out.PaceText = &pace, &text
	}
	return out
}

// paceText is a block's pace as it was asked, per 100 of the session's unit.
func paceText(b *schedule.Block) string {
	switch {
	case b.Rest:
		return "rest"
	case b.TwoPace():
		return b.From.Clock() + " to " + b.To.String()
	}
	return b.To.String()
}
