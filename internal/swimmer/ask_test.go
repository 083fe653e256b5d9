package swimmer

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

func parsed(t testing.TB, lines string, threshold float64) (*schedule.Session, []schedule.Block) {
	t.Helper()
	s, err := schedule.Parse("test", []byte(lines))
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := s.Blocks(units.PacePer100(threshold, units.Metre))
	if err != nil {
		t.Fatal(err)
	}
	return s, b
}

const mixed = `format = 1
title = "Mixed"
unit = "m"
[[step]]
time = "4:00"
pace = "2:00"
[[step]]
repeat = 2
  [[step.step]]
  distance = 100
  pace = "threshold-5"
  [[step.step]]
  rest = "0:20"
[[step]]
distance = 200
pace = "threshold-4"
[[step]]
distance = 100
pace = "threshold-8"
[[step]]
time = "3:00"
pace = "threshold"
`

// TestAsk holds the sums to arithmetic: threshold 1:40, that is 1 m/s.
func TestAsk(t *testing.T) {
	_, b := parsed(t, mixed, 100)
	a := Ask(b, units.MetresPerSecond(1))
	for _, c := range []struct {
		what    string
		got     Figure
		seconds float64
		metres  float64
	}{
		{"below", a.Below, 240, 200},
		{"above", a.Above, 95 + 95 + 192 + 92, 500},
		{"near", a.Near, 180, 180},
		{"rest", a.Rest, 40, 0},
		{"total", a.Total, 240 + 190 + 40 + 192 + 92 + 180, 880},
		{"unknown", a.Unknown, 0, 0},
		{"hardest", a.Hardest.Figure, 192 + 92, 300}, // not the two 100s, which a rest parts, and without the threshold after it
	} {
		near1(t, c.what+", s", c.got.Time.Seconds(), c.seconds, 1e-6)
		near1(t, c.what+", m", c.got.Distance.Metres(), c.metres, 1e-6)
	}
	near1(t, "over", a.Hardest.Over.Metres(), 300-284, 1e-6)
	if a.Hardest.First != 5 || a.Hardest.Last != 6 {
		t.Errorf("blocks %d to %d", a.Hardest.First, a.Hardest.Last)
	}
	for i := range b { // an open block asks nobody to hold on
		b[i].Extent, b[i].Time = schedule.Open, 2*time.Minute
	}
	if a := Ask(b, units.MetresPerSecond(1)); a.Hardest.Time != 0 || a.Above.Time == 0 {
		t.Errorf("open blocks: %+v", a)
	}
	if a := Ask(b, units.Speed{}); a.Unknown.Distance != a.Total.Distance || a.Hardest.Time != 0 || a.Above.Time != 0 {
		t.Errorf("without a threshold: %+v", a)
	}
}

// TestTwoPaces: a change from 0.9 to 1.1 m/s over 100 s is half above 1 m/s, 35 s of it (1.03 to 1.1) by more than 3 %.
func TestTwoPaces(t *testing.T) {
	for what, b := range map[string][]schedule.Block{
		"up":   {{Extent: schedule.ByTime, Time: 100 * time.Second, From: units.MetresPerSecond(0.9).Pace(0), To: units.MetresPerSecond(1.1).Pace(0)}},
		"down": {{Extent: schedule.ByTime, Time: 100 * time.Second, From: units.MetresPerSecond(1.1).Pace(0), To: units.MetresPerSecond(0.9).Pace(0)}},
	} {
		a := Ask(b, units.MetresPerSecond(1))
		near1(t, what+": above", a.Above.Time.Seconds(), 35, 1e-6)
		near1(t, what+": above, m", a.Above.Distance.Metres(), 35*1.065, 1e-6)
		near1(t, what+": near", a.Near.Time.Seconds(), 30, 1e-6)
		near1(t, what+": below", a.Below.Time.Seconds(), 35, 1e-6)
		near1(t, what+": effort", a.Hardest.Time.Seconds(), 50, 1e-6)
		near1(t, what+": over", a.Hardest.Over.Metres(), 2.5, 1e-6)
	}
}

// TestNothingIsLost: the parts of any blocks make the whole, and the hardest stretch is no more than all that is above.
func TestNothingIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var blocks []schedule.Block
		for i := range rapid.IntRange(0, 12).Draw(t, "n") {
			b := schedule.Block{Index: i, Extent: schedule.ByTime, Time: time.Duration(rapid.Int64Range(1e8, 1e12).Draw(t, "time"))}
			if b.Rest = rapid.Bool().Draw(t, "rest"); !b.Rest {
				b.From = units.PacePer100(rapid.Float64Range(40, 300).Draw(t, "from"), units.Metre)
				if b.To = b.From; rapid.Bool().Draw(t, "two") {
					b.To = units.PacePer100(rapid.Float64Range(40, 300).Draw(t, "to"), units.Metre)
				}
			}
			blocks = append(blocks, b)
		}
		cs := rapid.Float64Range(0.4, 2).Draw(t, "cs")
		a := Ask(blocks, units.MetresPerSecond(cs))
		var time, metres float64
		for _, f := range []Figure{a.Above, a.Near, a.Below, a.Rest} {
			if f.Time < -1000 || f.Distance.Metres() < -1e-6 {
				t.Fatalf("%+v", a)
			}
			time, metres = time+f.Time.Seconds(), metres+f.Distance.Metres()
		}
		if math.Abs(time-a.Total.Time.Seconds()) > 1e-6 || math.Abs(metres-a.Total.Distance.Metres()) > 1e-6*(1+metres) {
			t.Fatalf("%v s and %v m of %+v", time, metres, a.Total)
		}
		if h := a.Hardest; h.Time > 0 && (h.Speed().MetresPerSecond() <= cs || h.Over.Metres() > h.Distance.Metres() || h.First > h.Last) {
			t.Fatalf("%+v", h)
		}
	})
}

func codes(rs []fault.Remark) (out []fault.Code) {
	for _, r := range rs {
		out = append(out, r.Code)
	}
	return out
}

// TestLongerThanHeld: with a threshold of 1 m/s and 16 m of reserve, 16 m above it are just what is held, however fast: D′ = (v − CS)·t
// (Abe and others 2006).
func TestLongerThanHeld(t *testing.T) {
	f, err := FitTo(swum(units.Metre, 216, 200, 616, 600))
	if err != nil {
		t.Fatal(err)
	}
	s, b := parsed(t, mixed, 100)
	a := Ask(b, f.Threshold)
	p, ok := a.Hardest.Holds(&f)
	if !ok {
		t.Fatal("nothing is predicted")
	}
	near1(t, "held", p.Time.Seconds(), 284, 1e-3)
	a.Hardest.Time += time.Second
	a.Hardest.Over = units.Metres(16 + 16.0/284)
	if c := Cautions(a, &f, s, b, nil, today); len(c) != 1 || c[0].Code != Holding || c[0].Block != 5 {
		t.Errorf("%v", c)
	}
	if c := Cautions(a, nil, s, b, nil, today); c != nil {
		t.Errorf("without a fit: %v", c)
	}
	a.Hardest = Effort{First: 1, Last: 1, Figure: Figure{95 * time.Second, units.Metres(100)}, Over: units.Metres(5)}
	if c := Cautions(a, &f, s, b, nil, today); c != nil {
		t.Errorf("95 s at 1:35: %v", c)
	}
}

// TestJump: common practice, no source.
func TestJump(t *testing.T) {
	week := func(back int, m float64) Week {
		return Week{Monday: mondayOf(today).AddDate(0, 0, -7*back), Distance: units.Metres(m)}
	}
	for what, c := range map[string]struct {
		session float64
		swum    []Week
		caution bool
	}{
		"nothing is known":                {5000, nil, false},
		"one week is too little":          {5000, []Week{week(1, 2000)}, false},
		"as always":                       {2000, []Week{week(4, 2000), week(3, 2000), week(2, 2000), week(1, 2000)}, false},
		"just one and a half":             {3000, []Week{week(4, 2000), week(3, 2000), week(2, 2000), week(1, 2000)}, false},
		"more than that":                  {3001, []Week{week(4, 2000), week(3, 2000), week(2, 2000), week(1, 2000)}, true},
		"with what this week has already": {1500, []Week{week(4, 2000), week(3, 2000), week(2, 2000), week(1, 2000), week(0, 1501)}, true},
		"weeks off count as nothing":      {2000, []Week{week(4, 2000), week(1, 2000)}, true},
		"five weeks ago is long ago":      {5000, []Week{week(5, 2000), week(6, 2000)}, false},
		"a beginner's small steps":        {500, []Week{week(2, 200), week(1, 200)}, false},
	} {
		if got := Jump(units.Metres(c.session), c.swum, today) != nil; got != c.caution {
			t.Errorf("%s: %v", what, got)
		}
	}
}

// TestBreath: words that ask for swimming under water or without breathing, and words that only look like it.
func TestBreath(t *testing.T) {
	for text, want := range map[string]bool{
		"25 m underwater": true, "Under water kick": true, "hold your breath": true, "Breath-hold 25s": true, "hypoxic set": true, "apnea ladder": true,
		"apnoea": true, "no breath last 5 m": true, "breathe every 9": true, "on one breath": true, "without breathing": true, "breath control": true,
		"breathe every 3": false, "breathe both sides": false, "hold the pace": false, "Hold on 1": false, "catch your breath": false, "water running under": false,
	} {
		s, b := parsed(t, "format = 1\ntitle = \"T\"\nunit = \"m\"\n[[step]]\nname = \"A\"\nnote = \""+text+"\"\ntime = \"1:00\"\npace = \"2:00\"\n", 100)
		if c := Breath(s, b); (len(c) == 1 && c[0].Code == UnderCurrent && c[0].Block == 0) != want {
			t.Errorf("%q: %v", text, c)
		}
	}
	s, b := parsed(t, "format = 1\ntitle = \"Underwater\"\nunit = \"m\"\n[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n", 100)
	if c := codes(Breath(s, b)); len(c) != 1 {
		t.Errorf("in the title: %v", c)
	}
}
