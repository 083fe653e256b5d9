package simulated

import (
	"strconv"
	"strings"
	"testing"
	"time"
)

func TestFaultsAreRead(t *testing.T) {
	s := time.Second
	for text, want := range map[string]injected{
		"link lost at 120 s for 3 s":               {kind: linkLost, at: 120 * s, until: 123 * s},
		"motor trips at 200 s":                     {kind: motorTrips, at: 200 * s, until: 200 * s},
		"answers late by 80 ms at 30 s for 5 s":    {kind: answersLate, at: 30 * s, until: 35 * s, late: 80 * time.Millisecond},
		"feedback frozen at 60 s for 2 s":          {kind: feedbackFrozen, at: 60 * s, until: 62 * s},
		"motor ignores orders at 90 s for 4 s":     {kind: ordersIgnored, at: 90 * s, until: 94 * s},
		"  Link  lost at 1.5min for\t250ms ":       {kind: linkLost, at: 90 * s, until: 90*s + 250*time.Millisecond},
		"motor trips at 999999999 min":             {kind: motorTrips, at: 1000 * time.Hour, until: 1000 * time.Hour},
		"link lost at 0 s for 0.000000001 s":       {kind: linkLost, at: 0, until: 1},
		"answers late by 1 s at 1 s for 100000 ms": {kind: answersLate, at: s, until: 101 * s, late: s},
	} {
		if got, err := parseFault(text); err != nil || got != want {
			t.Errorf("%q: %+v, %v; want %+v", text, got, err, want)
		}
	}
}

func TestBadFaultsAreNamedWithWhatIsAllowed(t *testing.T) {
	for _, text := range []string{
		"", "link lost", "link lost at 120 s", "link lost at 120 for 3 s", "link lost at -1 s for 3 s", "motor trips at 1e3 s", "motor trips at NaN s",
		"motor trips at 200 s for 3 s", "answers late at 30 s for 5 s", "motor explodes at 3 s", "link lost at 1 h for 3 s", "motor trips at 1. s", "motor trips at T",
		"link lost at 99999999999999999999 s for 3 s",
	} {
		err := CheckFault(text)
		if err == nil {
			t.Errorf("%q is taken", text)
			continue
		}
		for _, want := range []string{`"` + text + `"`, `"link lost at T for D"`, `"motor trips at T"`, `"answers late by L at T for D"`,
			`"feedback frozen at T for D"`, `"motor ignores orders at T for D"`, "120 s, 80 ms or 2 min"} {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q: %v\ndoes not say %s", text, err, want)
			}
		}
	}
}

func FuzzFault(f *testing.F) {
	f.Add("answers late by 80 ms at 30 s for 5 s")
	f.Add("motor trips at 200.5min")
	f.Fuzz(func(t *testing.T, text string) {
		fault, err := parseFault(text)
		if err != nil && (fault != (injected{}) || !strings.Contains(err.Error(), strconv.Quote(text)) || !strings.Contains(err.Error(), "allowed are")) {
			t.Errorf("%q: %+v, %v", text, fault, err)
		}
		if err == nil && !(fault.at >= 0 && fault.until >= fault.at && fault.late >= 0) {
			t.Errorf("%q: %+v", text, fault)
		}
	})
}
