package roster

import (
	"math"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/store"
)

const asking = "format = 1\ntitle = \"Asking\"\nunit = \"m\"\n[[step]]\ntime = \"10:00\"\npace = \"threshold+20\"\n[[step]]\ndistance = 400\npace = \"threshold-5\"\n[[step]]\nrest = \"1:00\"\n"

// TestAskedOf: where a threshold is from decides what is said of it: of the command line's and the configuration's no error and no pool pace are known.
func TestAskedOf(t *testing.T) {
	session, err := schedule.Parse("a.toml", []byte(asking))
	must(t, err)
	st := newStore(t)
	must(t, st.AddSwimmer(&store.Swimmer{Name: "Nell Brook", Offset: -1.5}))
	must(t, st.AddSwimmer(&store.Swimmer{Name: "Ben Ford"}))
	swam(t, st, "Nell Brook", 200, "2:50", on(5, 1), false)
	swam(t, st, "Nell Brook", 400, "5:49", on(5, 2), false)
	nell, err := Look(st, "Nell Brook", false)
	must(t, err)
	ben, err := Look(st, "Ben Ford", false)
	must(t, err)
	for _, c := range []struct {
		name      string
		threshold string
		k         *Known
		given     bool
		from      string
		pool      bool
		held      bool
	}{
		{"by the store", "1:28", nell, false, "from pool swims", true, true},
		{"given, whoever swims", "1:40", nell, true, "given on the command line", false, false},
		{"of the configuration alone", "1:40", nil, false, "from the configuration", false, false},
		{"of the configuration, for somebody whom the store knows without one", "1:40", ben, false, "from the configuration", false, false},
	} {
		blocks, _, err := session.Blocks(pace(c.threshold))
		must(t, err)
		a := AskedOf(session, blocks, pace(c.threshold), c.k, c.given, on(5, 3))
		if a.From != c.from || (a.Pool != nil) != c.pool || (a.Offset != nil) != c.pool || a.Error != nil || (a.Hardest.Holds != nil) != c.held || a.Hardest.HoldFrom != nil {
			t.Errorf("%s: %+v, hardest %+v", c.name, a, a.Hardest)
		}
		if c.pool && (math.Abs(*a.Pool-89.5) > 0.005 || *a.Offset != -1.5) {
			t.Errorf("%s: in the pool %g, offset %g", c.name, *a.Pool, *a.Offset)
		}
		// By hand: 10 min below; 400 m at 5 s under the threshold's pace above it; a minute of rest.
		seconds := 4 * (pace(c.threshold).Seconds() - 5)
		if a.BelowS != 600 || math.Abs(a.AboveS-seconds) > 0.01 || math.Abs(a.AboveM-400) > 0.01 || a.RestS != 60 || a.NearS != 0 || a.UnknownS != 0 {
			t.Errorf("%s: %+v", c.name, a)
		}
		if text := strings.Join(a.Sentences(), " "); !strings.Contains(text, c.from) || strings.Contains(text, "can be held") != c.held || strings.Contains(text, "±") {
			t.Errorf("%s says %q", c.name, text)
		}
	}
	plain, err := schedule.Parse("p.toml", []byte("format = 1\ntitle = \"Plain\"\nunit = \"m\"\n[[step]]\ntime = \"10:00\"\npace = \"2:00\"\n"))
	must(t, err)
	blocks, _, err := plain.Blocks(ben.Flume())
	must(t, err)
	if a := AskedOf(plain, blocks, ben.Flume(), ben, false, on(5, 3)); a.From != "not known" || a.UnknownS != 600 || a.Hardest != nil || len(a.Sentences()) != 0 {
		t.Errorf("without a threshold: %+v, %q", a, a.Sentences())
	}
}

// TestCheckRefuses: what may not be of a swimmer, wherever they come from.
func TestCheckRefuses(t *testing.T) {
	for name, w := range map[string]store.Swimmer{
		"no name":                    {},
		"blanks around it":           {Name: " Nell"},
		"two lines":                  {Name: "Nell\nBrook"},
		"not text":                   {Name: "Nell\xff"},
		"61 characters":              {Name: strings.Repeat("é", 61)},
		"an offset too far":          {Name: "Nell", Offset: 16},
		"a threshold that cannot be": {Name: "Nell", History: []store.Threshold{{Pace: pace("0:30")}}},
		"an error that is none":      {Name: "Nell", History: []store.Threshold{{Pace: pace("1:30"), Error: math.NaN()}}},
	} {
		if err := Check(&w); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	if err := Check(&store.Swimmer{Name: strings.Repeat("é", 60), Offset: -15, History: []store.Threshold{{Pace: pace("1:30"), Error: 2}}}); err != nil {
		t.Errorf("what is allowed: %v", err)
	}
	today := on(5, 20)
	if _, err := ParseDay("2026-05-21", today); err == nil {
		t.Error("tomorrow is taken")
	}
	if d, err := ParseDay("", today); err != nil || !d.Equal(today) {
		t.Errorf("today: %v, %v", d, err)
	}
	if _, err := ParseDay("", on(5, 20).AddDate(-56, 0, 0)); err == nil {
		t.Error("a clock of 1970 gives a day")
	}
}
