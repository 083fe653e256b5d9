package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// The JSON form of swimmers is a contract: keys are added, never changed.
type jsonSwimmers struct {
	Format   int           `json:"format"` // 1
	Swimmers []jsonSwimmer `json:"swimmers"`
}

type jsonSwimmer struct {
	Name       string          `json:"name"`
	Unit       string          `json:"unit"`
	Cap        *float64        `json:"cap_mps"`
	Offset     float64         `json:"offset_s_per_100m"`
	Timed      []jsonTimed     `json:"timed_swims"`
	Thresholds []jsonThreshold `json:"thresholds"` // the latest one last
}

type jsonTimed struct {
	Distance float64 `json:"distance_m"`
	Time     float64 `json:"time_s"`
	Day      string  `json:"day"` // "2026-05-20", or empty
	Flume    bool    `json:"flume"`
}

type jsonThreshold struct {
	Day     string   `json:"day"`
	Pace    float64  `json:"s_per_100m"`
	Error   *float64 `json:"error_s_per_100m"`
	Reserve *float64 `json:"reserve_m"`
	Flume   bool     `json:"flume"`
	ByHand  bool     `json:"by_hand"`
	Swims   string   `json:"swims"`
}

// WriteSwimmers writes swimmers as JSON.
func WriteSwimmers(out io.Writer, all []Swimmer) error {
	list := jsonSwimmers{Format: 1, Swimmers: make([]jsonSwimmer, len(all))}
	for i, w := range all {
		j := jsonSwimmer{Name: w.Name, Unit: w.Unit.String(), Cap: unlessZero(w.Cap.MetresPerSecond()), Offset: w.Offset,
			Timed: make([]jsonTimed, len(w.Timed)), Thresholds: make([]jsonThreshold, len(w.History))}
		for k, t := range w.Timed {
			j.Timed[k] = jsonTimed{t.Distance.Metres(), t.Time.Seconds(), date(t.Day), t.Flume}
		}
		for k, t := range w.History {
			j.Thresholds[k] = jsonThreshold{date(t.Day), t.Pace.In(units.Metre).Seconds(), unlessZero(t.Error), unlessZero(t.Reserve.Metres()), t.Flume, t.ByHand, t.Swims}
		}
		list.Swimmers[i] = j
	}
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(list)
}

// ReadSwimmers reads what WriteSwimmers has written. Whether somebody can be so fast is not its business.
func ReadSwimmers(text []byte) ([]Swimmer, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	var list jsonSwimmers
	if err := d.Decode(&list); err != nil {
		return nil, fmt.Errorf("this is no file of swimmers: %w", err)
	}
	if d.More() {
		return nil, errors.New("this is no file of swimmers: there is more behind its end")
	}
	if list.Format != 1 {
		return nil, fmt.Errorf("format %d: allowed is 1", list.Format)
	}
	var all []Swimmer
	for _, j := range list.Swimmers {
		w := Swimmer{Name: j.Name, Offset: j.Offset}
		var err error
		if w.Unit, err = units.ParseUnit(j.Unit); err != nil {
			return nil, fmt.Errorf("swimmer %q: %w", j.Name, err)
		}
		w.Cap = units.MetresPerSecond(orZero(j.Cap))
		for _, t := range j.Timed {
			one := Timed{Distance: units.Metres(t.Distance), Time: time.Duration(math.Round(t.Time * 1e9)), Flume: t.Flume}
			if one.Day, err = dayOf(t.Day); err != nil {
				return nil, fmt.Errorf("swimmer %q: day %q: allowed is a date as in 2026-05-20", j.Name, t.Day)
			}
			w.Timed = append(w.Timed, one)
		}
		for _, t := range j.Thresholds {
			one := Threshold{Pace: units.PacePer100(t.Pace, units.Metre), Error: orZero(t.Error), Reserve: units.Metres(orZero(t.Reserve)), Flume: t.Flume, ByHand: t.ByHand, Swims: t.Swims}
			if one.Day, err = dayOf(t.Day); err != nil {
				return nil, fmt.Errorf("swimmer %q: day %q: allowed is a date as in 2026-05-20", j.Name, t.Day)
			}
			w.History = append(w.History, one)
		}
		all = append(all, w)
	}
	return all, nil
}

func unlessZero(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func orZero(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}
