package store

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Record is a swim with everything that is kept of it. Its JSON form is a contract: keys are added, never changed.
type Record struct {
	Swim
	Blocks     []Block
	Happenings []Happening
	Samples    []Sample
}

// Record gives everything that is kept of a swim.
func (s *Store) Record(id int64) (*Record, error) {
	w, err := s.Swim(id)
	if err != nil {
		return nil, err
	}
	r := &Record{Swim: *w}
	if r.Blocks, err = s.Blocks(w); err != nil {
		return nil, err
	}
	if r.Happenings, err = s.Happenings(w); err != nil {
		return nil, err
	}
	r.Samples, err = s.Samples(w)
	return r, err
}

type jsonFigure struct {
	S float64 `json:"s"`
	M float64 `json:"m"`
}

type jsonPlace struct {
	Block int     `json:"block"`
	S     float64 `json:"s"`
	M     float64 `json:"m"`
}

type jsonBlock struct {
	Number  int         `json:"number"`
	Name    string      `json:"name"`
	Kind    string      `json:"kind"`
	Round   int         `json:"round"`
	Of      int         `json:"of"`
	Rest    bool        `json:"rest"`
	From    *float64    `json:"from_mps"`
	To      *float64    `json:"to_mps"`
	Asked   jsonFigure  `json:"asked"`
	Planned jsonFigure  `json:"planned"`
	Swum    *jsonFigure `json:"swum"` // null for a block that was never begun
	Left    *float64    `json:"left_s"`
	Done    bool        `json:"done"`
}

type jsonHappening struct {
	At    float64 `json:"at_s"`
	Kind  string  `json:"kind"`
	What  string  `json:"what"`
	By    string  `json:"by,omitempty"`
	Code  string  `json:"code,omitempty"`
	Nudge float64 `json:"nudge_s_per_100,omitempty"`
}

type jsonSamples struct {
	At       []float64 `json:"t_s"`
	Block    []int     `json:"block"`
	Wish     []float64 `json:"wish_mps"`
	Water    []float64 `json:"water_mps"`
	Motor    []float64 `json:"rpm"`
	Distance []float64 `json:"distance_m"`
}

// MarshalJSON writes times in seconds and speeds in m/s, each with its unit in its name.
func (r *Record) MarshalJSON() ([]byte, error) {
	out := struct {
		ID            int64           `json:"swim"`
		Began         time.Time       `json:"began"`
		ClockSet      bool            `json:"clock_set"`
		Passed        float64         `json:"passed_s"`
		Title         string          `json:"title"`
		Swimmer       string          `json:"swimmer"`
		Unit          string          `json:"unit"`
		Threshold     *float64        `json:"threshold_s_per_100m"`
		Simulated     bool            `json:"simulated"`
		Continues     int64           `json:"continues_swim,omitempty"`
		Outcome       string          `json:"outcome"`
		Code          string          `json:"code,omitempty"`
		At            jsonPlace       `json:"at"`
		Swum          jsonFigure      `json:"swum"`
		Missed        int             `json:"missed_events"`
		Thinned       bool            `json:"samples_dropped"`
		Calibration   string          `json:"calibration"`
		Limits        string          `json:"limits"`
		Session       string          `json:"session"`
		Configuration string          `json:"configuration"`
		Blocks        []jsonBlock     `json:"blocks"`
		Happenings    []jsonHappening `json:"happenings"`
		Samples       jsonSamples     `json:"samples"`
	}{
		ID: r.ID, Began: r.Began, ClockSet: r.ClockSet(), Passed: r.Passed.Seconds(), Title: r.Title, Swimmer: r.Swimmer, Unit: r.Unit.String(),
		Simulated: r.Simulated, Continues: r.Continues, Outcome: string(r.Outcome), Code: string(r.Code),
		At:   jsonPlace{r.At.Block, r.At.Time.Seconds(), r.At.Distance.Metres()},
		Swum: inJSON(r.Swum), Missed: r.Missed, Thinned: r.Thinned,
		Calibration: r.Calibration, Limits: r.Limits, Session: r.Session, Configuration: r.Configuration,
		Blocks: make([]jsonBlock, len(r.Blocks)), Happenings: make([]jsonHappening, len(r.Happenings)),
	}
	if !r.Threshold.IsZero() {
		s := r.Threshold.In(units.Metre).Seconds()
		out.Threshold = &s
	}
	for i, b := range r.Blocks {
		j := jsonBlock{Number: b.Number, Name: b.Name, Kind: b.Kind, Round: b.Round, Of: b.Of, Rest: b.Rest, Asked: inJSON(b.Asked), Planned: inJSON(b.Planned), Done: b.Done}
		if !b.Rest {
			from, to := b.From.Speed().MetresPerSecond(), b.To.Speed().MetresPerSecond()
			j.From, j.To = &from, &to
		}
		if b.Was {
			swum, left := inJSON(b.Swum), b.Left.Seconds()
			j.Swum, j.Left = &swum, &left
		}
		out.Blocks[i] = j
	}
	for i, h := range r.Happenings {
		out.Happenings[i] = jsonHappening{h.At.Seconds(), h.Kind, h.What, h.By, string(h.Code), h.Nudge}
	}
	for _, s := range r.Samples {
		c := &out.Samples
		c.At, c.Block = append(c.At, s.At.Seconds()), append(c.Block, s.Block)
		c.Wish, c.Water = append(c.Wish, s.Wish.MetresPerSecond()), append(c.Water, s.Water.MetresPerSecond())
		c.Motor, c.Distance = append(c.Motor, s.Motor.RPM()), append(c.Distance, s.Distance.Metres())
	}
	return json.Marshal(out)
}

func inJSON(f Figure) jsonFigure { return jsonFigure{f.Time.Seconds(), f.Distance.Metres()} }

// BlocksCSV writes a row for each block of each swim. Like all CSV of ours: RFC 4180, a header, points in decimals.
func BlocksCSV(out io.Writer, records func(yield func(*Record) error) error) error {
	return rows(out, []string{"swim", "began", "swimmer", "title", "simulated", "block", "name", "kind", "round", "of", "rest", "from_mps", "to_mps",
		"asked_s", "asked_m", "planned_s", "planned_m", "swum_s", "swum_m", "done"}, records, func(r *Record, row func(...string)) {
		for _, b := range r.Blocks {
			from, to, swumS, swumM := "", "", "", ""
			if !b.Rest {
				from, to = decimal(b.From.Speed().MetresPerSecond()), decimal(b.To.Speed().MetresPerSecond())
			}
			if b.Was {
				swumS, swumM = decimal(b.Swum.Time.Seconds()), decimal(b.Swum.Distance.Metres())
			}
			row(strconv.FormatInt(r.ID, 10), r.Began.Format(time.RFC3339), r.Swimmer, r.Title, strconv.FormatBool(r.Simulated), strconv.Itoa(b.Number), b.Name, b.Kind,
				strconv.Itoa(b.Round), strconv.Itoa(b.Of), strconv.FormatBool(b.Rest), from, to,
				decimal(b.Asked.Time.Seconds()), decimal(b.Asked.Distance.Metres()), decimal(b.Planned.Time.Seconds()), decimal(b.Planned.Distance.Metres()),
				swumS, swumM, strconv.FormatBool(b.Done))
		}
	})
}

// SamplesCSV writes a row for each sample of each swim.
func SamplesCSV(out io.Writer, records func(yield func(*Record) error) error) error {
	return rows(out, []string{"swim", "t_s", "block", "wish_mps", "water_mps", "rpm", "distance_m"}, records, func(r *Record, row func(...string)) {
		for _, s := range r.Samples {
			row(strconv.FormatInt(r.ID, 10), decimal(s.At.Seconds()), strconv.Itoa(s.Block), decimal(s.Wish.MetresPerSecond()), decimal(s.Water.MetresPerSecond()),
				decimal(s.Motor.RPM()), decimal(s.Distance.Metres()))
		}
	})
}

func rows(out io.Writer, header []string, records func(func(*Record) error) error, each func(*Record, func(...string))) error {
	w := csv.NewWriter(out)
	w.UseCRLF = true // RFC 4180, section 2, rule 1
	w.Write(header)
	err := records(func(r *Record) error {
		each(r, func(cells ...string) { w.Write(cells) })
		w.Flush()
		return w.Error()
	})
	w.Flush()
	if err != nil {
		return err
	}
	return w.Error()
}

// decimal writes at most nine significant digits.
func decimal(v float64) string { return strconv.FormatFloat(v, 'g', 9, 64) }
