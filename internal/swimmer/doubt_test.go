package swimmer

import (
	"math"
	"slices"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

var today = time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)

func dated(swims []Swim, daysAgo ...int) []Swim {
	for i := range swims {
		swims[i].Date = today.AddDate(0, 0, -daysAgo[i%len(daysAgo)])
	}
	return swims
}

// TestDoubts: each row has swims and all that is said of them. 2 to 15 minutes: PMC10875687; the ages are common practice, no source.
func TestDoubts(t *testing.T) {
	good := []float64{200, 160, 400, 342, 800, 700}
	for what, c := range map[string]struct {
		swims []Swim
		want  []fault.Code
	}{
		"three good ones":           {dated(swum(units.Metre, good...), 3), nil},
		"two good ones":             {dated(swum(units.Metre, good[:4]...), 3), []fault.Code{TwoSwims}},
		"one of 80 s":               {dated(swum(units.Metre, 100, 80, 400, 343, 800, 700), 3), []fault.Code{TooShort}},
		"one of 20 min":             {dated(swum(units.Metre, 400, 340, 800, 701, 1355, 1200), 3), []fault.Code{TooLong}},
		"4:00 and 5:00":             {dated(swum(units.Metre, 290, 240, 356, 300), 3), []fault.Code{TwoSwims, TooAlike}},
		"old ones":                  {dated(swum(units.Metre, good...), 70), []fault.Code{OutOfDate}},
		"on the day":                {dated(swum(units.Metre, good...), 56), nil},
		"far apart":                 {dated(swum(units.Metre, good...), 3, 90, 3), []fault.Code{TooFarApart}},
		"without a date":            {swum(units.Metre, good...), []fault.Code{Undated}},
		"the longer one was faster": {dated(swum(units.Metre, 200, 180, 400, 345), 3), []fault.Code{TwoSwims, Contradicting}},
		"the longer one was lazy":   {dated(swum(units.Metre, 200, 160, 400, 460), 3), []fault.Code{TwoSwims, Contradicting}},
		"one does not fit":          {dated(swum(units.Metre, 200, 160, 400, 380, 800, 700), 3), []fault.Code{Contradicting}},
	} {
		f, err := FitTo(c.swims)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		var got []fault.Code
		for _, r := range f.Doubts(today) {
			got = append(got, r.Code)
			if r.Block != -1 || r.Text == "" {
				t.Errorf("%s: %+v", what, r)
			}
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", what, got, c.want)
		}
	}
	sim := dated(swum(units.Metre, good...), 3)
	sim[1].Simulated = true
	f, _ := FitTo(sim)
	if d := f.Doubts(today); len(d) != 1 || d[0].Code != OnSimulated {
		t.Errorf("a simulated swim: %v", d)
	}
}

// TestBest: which swims count now.
func TestBest(t *testing.T) {
	pool := dated(swum(units.Metre, 200, 170, 400, 349), 5)
	flume := func(daysAgo int, simulated bool) []Swim {
		s := dated(swum(units.Metre, 200, 160, 400, 340, 800, 700), daysAgo)
		for i := range s {
			s[i].Where, s[i].Simulated = Flume, simulated
		}
		return s
	}
	for what, c := range map[string]struct {
		swims     []Swim
		simulated bool
		n         int
		where     Where
	}{
		"pool only":                                {pool, false, 2, Pool},
		"flume before pool":                        {slices.Concat(pool, flume(20, false)), false, 3, Flume},
		"an old flume test gives way":              {slices.Concat(pool, flume(100, false)), false, 2, Pool},
		"an old flume test is better than none":    {slices.Concat(pool[:1], flume(100, false)), false, 3, Flume},
		"one flume swim is no threshold":           {slices.Concat(pool, flume(1, false)[:1]), false, 2, Pool},
		"simulated swims say nothing of a flume":   {slices.Concat(pool, flume(1, true)), false, 2, Pool},
		"but all of a simulated one":               {slices.Concat(pool, flume(1, true)), true, 3, Flume},
		"of a year of pool swims the new ones":     {slices.Concat(pool, dated(swum(units.Metre, 200, 190, 400, 400), 200)), false, 2, Pool},
		"a new one alone takes an old one with it": {slices.Concat(pool[1:], dated(swum(units.Metre, 200, 190), 200)), false, 2, Pool},
	} {
		f, err := Best(c.swims, c.simulated)
		if err != nil || len(f.Swims) != c.n || f.Where() != c.where {
			t.Errorf("%s: %+v, %v", what, f, err)
		}
	}
	f, err := Best(slices.Concat(pool, dated(swum(units.Metre, 200, 190, 400, 400), 200)), false)
	if err != nil || f.Threshold.Pace(units.Metre).Clock() != "1:29.5" {
		t.Errorf("the new swims give %v, %v", f.Threshold, err)
	}
	if _, err := Best(pool[:1], false); err == nil {
		t.Error("one swim gives a threshold")
	}
	if _, err := Best(nil, false); err == nil {
		t.Error("no swim gives a threshold")
	}
}

// TestOffset: a pool threshold of 1:40 counts 2 s faster; no threshold stays none; yards are no trouble.
func TestOffset(t *testing.T) {
	if p := InFlume(units.PacePer100(100, units.Metre), -2); p.String() != "1:38/100m" {
		t.Error(p)
	}
	if p := InFlume(units.PacePer100(91.44, units.Yard), -2); abs(p.Seconds()-0.9144*98) > 1e-9 || p.Unit() != units.Yard {
		t.Error(p)
	}
	if p := InFlume(units.Pace{}, -2); !p.IsZero() {
		t.Error(p)
	}
	for _, bad := range []float64{-15.5, 16, math.NaN()} {
		if CheckOffset(bad) == nil {
			t.Errorf("%v is taken", bad)
		}
	}
	if err := CheckOffset(-15); err != nil {
		t.Error(err)
	}
}
