package panel

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// status is the JSON of /api/v1/status and of each status event: a contract, to which keys are added and never changed.
type status struct {
	State     string            `json:"state"`
	Reason    fault.Code        `json:"reason"` // why it is stopped or stopping; empty elsewhere
	Boot      string            `json:"boot_id"`
	Swim      uint64            `json:"swim_id"`
	Seq       uint64            `json:"seq"`
	At        int64             `json:"at_ms"`
	Simulated bool              `json:"simulated"`
	Session   string            `json:"session"` // its name in the list; its title where it is not from there
	Title     string            `json:"title"`
	Swimmer   string            `json:"swimmer"` // empty for whom is not paired
	Unit      string            `json:"unit"`
	Block     int               `json:"block"` // from 0; blocks when the last is over
	Blocks    int               `json:"blocks"`
	LeftS     *float64          `json:"block_left_s"` // null where not known
	LeftM     *float64          `json:"block_left_m"` // null but in a block by distance
	Elapsed   float64           `json:"elapsed_s"`
	Distance  float64           `json:"distance_m"`
	Wish      float64           `json:"wish_mps"`
	Cleared   float64           `json:"cleared_mps"`
	RPM       float64           `json:"rpm"`
	Water     float64           `json:"water_mps"`
	Sensed    *float64          `json:"sensed_mps"`      // the same by a flow sensor; null where there is none
	Pace      *float64          `json:"pace_s_per_100m"` // of the water; null under 0.2 m/s
	PaceText  string            `json:"pace_text"`       // the same per 100 of the session's unit, without it; empty where null
	Nudge     float64           `json:"nudge_s"`
	Now       *block            `json:"now"`
	Next      *block            `json:"next"`
	Announce  *announce         `json:"announce"`
	Faults    []told            `json:"faults"`
	Inputs    map[string]string `json:"inputs"`

	CountIn float64  `json:"count_in_s"`
	InBlock float64  `json:"block_s"` // so far
	Left    float64  `json:"left_s"`  // of the session, by the plan
	TotalS  float64  `json:"total_s"`
	TotalM  float64  `json:"total_m"`
	Plan    uint64   `json:"plan"`    // another number: another curve at /api/v1/plan
	Place   *float64 `json:"place_s"` // where on that curve the swim is
	Moves   bool     `json:"water_moves"`
	Ask     bool     `json:"ask"`
	Again   bool     `json:"again"` // start with "again" takes up where the last swim was interrupted
	Confirm bool     `json:"confirm"`
	Places  []along  `json:"places"` // along the flume, the nearest to the outlet first; empty where no stations were measured
	May     []string `json:"may"`    // the commands that would be taken now
}

// along is the water at a place along the flume now.
type along struct {
	Name     string   `json:"name"`
	Pace     *float64 `json:"pace_s_per_100m"` // null under 0.2 m/s
	PaceText string   `json:"pace_text"`       // per 100 of the session's unit, to the second; empty where null
}

// block is a block as a person is told of it. Paces are per 100 of the session's unit in the text.
type block struct {
	Index    int      `json:"index"`
	Name     string   `json:"name"`
	Kind     string   `json:"kind"`
	Note     string   `json:"note"`
	Round    int      `json:"round"`
	Of       int      `json:"of"`
	Rest     bool     `json:"rest"`
	Open     bool     `json:"open"`
	From     string   `json:"from"`
	To       string   `json:"to"`
	Pace     *float64 `json:"pace_s_per_100m"`
	Time     *float64 `json:"time_s"`     // null in a block by distance
	Distance *float64 `json:"distance_m"` // null but there
}

// announce is the latest cue: a page plays its rhythm once for each at_ms.
type announce struct {
	Cue string  `json:"cue"`
	At  int64   `json:"at_ms"`
	In  float64 `json:"in_s"` // so long before the change; 0 where the cue is of the moment
}

// told is a fault as a person reads it.
type told struct {
	Code  fault.Code `json:"code"`
	Level string     `json:"level"`
	What  string     `json:"what"`
	Water string     `json:"water,omitempty"`
	Do    string     `json:"do,omitempty"`
}

var levels = [...]string{"fine", "notice", "caution", "slow", "soft", "fast"}

// showPace is the water speed below which a pace says nothing.
const showPace = 0.2

// describe makes the status of a snapshot.
func (p *Panel) describe(s *sequencer.Snapshot) *status {
	st := &status{
		State: s.State.String(), Boot: p.boot, Swim: s.Swim, Seq: s.Seq, At: s.At.Milliseconds(), Simulated: s.Simulated,
		Session: s.Title, Title: s.Title, Swimmer: s.Swimmer, Unit: s.Unit.String(), Block: s.Block, Blocks: s.Blocks,
		Elapsed: figure(s.Elapsed.Seconds()), Distance: figure(s.Distance.Metres()), Wish: figure(s.Wish.Speed.MetresPerSecond()),
		Cleared: figure(s.Cleared.MetresPerSecond()), RPM: figure(s.Motor.RPM()), Water: figure(s.Water.MetresPerSecond()), Nudge: s.Nudge,
		CountIn: figure(s.CountIn.Seconds()), InBlock: figure(s.InBlock.Seconds()), Left: figure(s.ForecastLeft.Seconds()), Ask: s.Ask, Again: s.Again,
		Moves: s.Drive.Silent || s.Water.MetresPerSecond() >= water.Standstill.MetresPerSecond(), Faults: p.faults(s), Inputs: inputs(&s.Wall), May: may(s),
	}
	if s.State == run.Stopped || s.State == run.Stopping {
		if st.Reason = s.Reason; st.Reason == "" { // nothing was swum yet: the guard's reason
			st.Reason = s.Why
		}
	}
	if r := s.Drive.Sensed; r.Known {
		st.Sensed = number(r.Speed.MetresPerSecond())
	}
	if v := s.Water; v.MetresPerSecond() >= showPace {
		st.Pace, st.PaceText = number(v.Pace(units.Metre).Seconds()), clockOf(v.Pace(s.Unit))
	}
	if l := p.laid.Load(); l != nil && l.profile == s.Profile {
		st.Session, st.Confirm = l.name, l.confirm
	}
	st.Places = p.along(s)
	p.blocks(st, s)
	if s.Cue != cue.None {
		a := announce{Cue: s.Cue.String(), At: s.CueAt.Milliseconds()}
		if s.Cue == s.Spoken.Cue {
			a.In = math.Round(s.Spoken.In.Seconds())
		}
		st.Announce = &a
	}
	return st
}

func (p *Panel) along(s *sequencer.Snapshot) []along {
	out := []along{}
	for _, o := range p.cfg.Settings.Calibration.Stations {
		one := along{Name: o.Name}
		if v := o.Speed(s.Water); v.MetresPerSecond() >= showPace {
			pace := v.Pace(s.Unit)
			one.Pace, one.PaceText = number(v.Pace(units.Metre).Seconds()), units.FormatTimeWhole(time.Duration(pace.Seconds()*float64(time.Second)))
		}
		out = append(out, one)
	}
	return out
}

// blocks tells what is swum now and next, and where on the plan that is.
func (p *Panel) blocks(st *status, s *sequencer.Snapshot) {
	if s.Profile == nil {
		return
	}
	spans := s.Profile.Spans()
	total, length := s.Profile.Total()
	st.TotalS, st.TotalM, st.Plan = figure(total.Seconds()), figure(length.Metres()), p.hub.plan(s)
	if !s.State.Under() {
		if s.Block < len(spans) && s.State != run.Finished {
			st.Next = blockOf(&spans[s.Block].Block)
		}
		return
	}
	if s.Block >= len(spans) {
		return
	}
	st.Now = blockOf(&s.Now)
	if s.Block+1 < len(spans) {
		st.Next = blockOf(&s.Next)
	}
	if s.LeftKnown {
		st.LeftS = number(s.Left.Seconds())
	}
	if s.Now.Extent == schedule.ByDistance {
		st.LeftM = number(s.LeftDistance.Metres())
	}
	span := &spans[s.Block]
	share := 0.0
	if whole := s.InBlock + s.Left; s.LeftKnown && whole > 0 {
		share = s.InBlock.Seconds() / whole.Seconds()
	} else if span.Duration > 0 {
		share = s.InBlock.Seconds() / span.Duration.Seconds()
	}
	st.Place = number(span.Start.Seconds() + min(share, 1)*span.Duration.Seconds())
}

func blockOf(b *schedule.Block) *block {
	out := &block{Index: b.Index, Name: b.Name, Kind: b.Kind, Note: b.Note, Round: b.Round, Of: b.Of, Rest: b.Rest, Open: b.Extent == schedule.Open}
	if b.Extent == schedule.ByDistance {
		out.Distance = number(b.Distance.Metres())
	} else {
		out.Time = number(b.Time.Seconds())
	}
	if !b.Rest {
		out.From, out.To = clockOf(b.From), clockOf(b.To)
		out.Pace = number(b.MeanSpeed().Pace(units.Metre).Seconds())
	}
	return out
}

// clockOf is a pace to the tenth of a second, without its unit.
func clockOf(p units.Pace) string {
	return units.FormatTime(time.Duration(p.Seconds() * float64(time.Second)))
}

// faults are what a person should be told now, the weightiest first.
func (p *Panel) faults(s *sequencer.Snapshot) []told {
	out := []told{}
	add := func(c fault.Code, level safety.Level) {
		if c == "" {
			return
		}
		for _, o := range out {
			if o.Code == c {
				return
			}
		}
		f := fault.Of(c)
		out = append(out, told{Code: c, Level: levels[level], What: f.What, Water: f.Water, Do: f.Do})
	}
	switch s.State {
	case run.Stopped:
		if add(s.Reason, safety.Fast); s.Reason == "" {
			add(s.Why, safety.Fast)
		}
	case run.Stopping:
		add(s.Reason, safety.Soft)
	}
	if s.Level > safety.Fine {
		add(s.Why, s.Level)
	}
	if s.Drive.Link != nil {
		add(fault.LinkLost, safety.Caution)
	}
	if s.Drive.Fault != "" {
		add(fault.DriveFault, safety.Caution)
	}
	if s.State.Under() {
		add(s.Notice, safety.Notice)
	}
	add(s.LeftBy, safety.Notice)
	if s.ClockSet {
		add(fault.ClockSet, safety.Notice)
	}
	if p.cfg.Notices != nil {
		for _, f := range p.cfg.Notices() {
			out = append(out, told{Code: f.Code, Level: levels[safety.Notice], What: f.What, Water: f.Water, Do: f.Do})
		}
	}
	return out
}

var signals = [...]string{safety.Unknown: "unknown", safety.Absent: "absent", safety.Bad: "bad", safety.Good: "good"}

// inputs are the wall's wires: absent, unknown, good or bad; and whether a stop press was seen.
func inputs(w *safety.WallFacts) map[string]string {
	tried := "absent"
	if w.Stop != safety.Absent {
		tried = "bad"
		if w.StopSeen {
			tried = "good"
		}
	}
	return map[string]string{
		"stop": signals[w.Stop], "stop_tried": tried, "occupancy": signals[w.Occupancy], "cover": signals[w.Cover], "water_level": signals[w.Level],
	}
}

// may lists the commands that the swim would take now.
func may(s *sequencer.Snapshot) []string {
	out := make([]string, 0, run.Commands)
	open := s.State == run.Running && s.Now.Extent == schedule.Open
	for c := range run.Commands {
		if run.Allows(s.State, c, open) && (c != run.Start || s.Blocks > 0) {
			out = append(out, c.String())
		}
	}
	return out
}

// figure rounds to a thousandth; a number that is none is 0.
func figure(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return math.Round(v*1000) / 1000
}

func number(v float64) *float64 {
	v = figure(v)
	return &v
}
