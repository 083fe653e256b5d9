package panel

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// aSwim keeps a swim of two blocks, a minute of samples, and a title that a page must not take for HTML.
func aSwim(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.OpenToRecord(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	pace := units.PacePer100(100, units.Metre)
	figure := func(seconds int, m float64) store.Figure {
		return store.Figure{Time: time.Duration(seconds) * time.Second, Distance: units.Metres(m)}
	}
	e := store.Entry{
		Swim: &store.Swim{
			Began: time.Date(2026, 3, 2, 18, 30, 0, 0, time.UTC), Passed: time.Minute, Title: "Over <script>&\"under\"", Swimmer: "Maren Tolliver", Unit: units.Metre,
			Simulated: true, Outcome: store.ByPerson, At: store.Place{Block: 1}, Swum: figure(60, 47), Blocks: 2,
		},
		Blocks: []store.Block{
			{Number: 0, Name: "Ease in", Kind: "warm-up", Round: 1, Of: 1, From: pace, To: pace, Asked: figure(40, 40), Planned: figure(40, 36), Swum: figure(40, 35), Left: 40 * time.Second, Was: true, Done: true},
			{Number: 1, Name: "Rest", Round: 1, Of: 1, Rest: true, Asked: figure(30, 0), Planned: figure(30, 12), Swum: figure(20, 12), Left: time.Minute, Was: true},
		},
	}
	for i := range 61 {
		at, v := time.Duration(i)*time.Second, math.Min(float64(i)/10, 1)
		if i >= 40 {
			v = 1 / (1 + float64(i-40)/2)
		}
		e.Samples = append(e.Samples, store.Sample{At: at, Block: i / 41, Wish: units.MetresPerSecond(v), Water: units.MetresPerSecond(0.97 * v)})
	}
	if err := s.Write(e); err != nil {
		t.Fatal(err)
	}
	return s
}

// Swims are listed, and each is shown with what was asked beside what was delivered, and its curve.
func TestSwims(t *testing.T) {
	r := newRig(t, options{})
	if page := r.send("GET", "/swims", ""); !strings.Contains(page.text, "Swims are not kept here") {
		t.Errorf("without a store the page says\n%s", page.text)
	}
	r = newRig(t, options{store: aSwim(t)})
	list := r.must(r.send("GET", "/swims", "")).text
	if strings.Contains(list, "<script>&") || !strings.Contains(list, "Over &lt;script&gt;&amp;") {
		t.Error("a title is taken for HTML")
	}
	for _, want := range []string{"2 Mar 2026 18:30", "Maren Tolliver", "1:00", "47 m", "2:07.7/100m", "by a person", `href="/swims/1"`} {
		if !strings.Contains(list, want) {
			t.Errorf("the list has no %q", want)
		}
	}
	one := r.must(r.send("GET", "/swims/1", "")).text
	for _, want := range []string{"Ease in", "0:40 · 40 m", "0:40 · 35 m", "1:54.3", "broken off"} {
		if !strings.Contains(one, want) {
			t.Errorf("the swim has no %q:\n%s", want, one)
		}
	}
	var c curve
	if err := json.Unmarshal([]byte(r.send("GET", "/api/v1/swims/1/curve", "").text), &c); err != nil {
		t.Fatal(err)
	}
	if len(c.Blocks) != 2 || c.TotalS != 60 || c.Speeds[points/3] != 1 || *c.Swum[points/3] != 0.97 || c.Blocks[1].Start != 41 {
		t.Errorf("the curve: %d blocks over %g s, at 20 s %g and %g", len(c.Blocks), c.TotalS, c.Speeds[points/3], *c.Swum[points/3])
	}
	for _, path := range []string{"/swims/2", "/swims/x", "/api/v1/swims/-1/curve", "/api/v1/swims/99999999999999999999/curve"} {
		if a := r.send("GET", path, ""); a.code != 404 {
			t.Errorf("%s: %d", path, a.code)
		}
	}
}

// A swim in which the motor did not turn as ordered says so on its page, with the figures; the Installation page says what the deck does.
func TestADriftIsTold(t *testing.T) {
	st := newStore(t)
	const words = "The motor turned 864 rpm on average where 900 were ordered."
	err := st.Write(store.Entry{
		Swim: &store.Swim{Title: "Tuesday", Unit: units.Metre, Outcome: store.Finished}, Happenings: []store.Happening{{Kind: "drift", What: words, Code: fault.MotorDrift}},
	})
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, options{store: st, notices: func() []fault.Fault { return []fault.Fault{fault.Of(fault.MotorDrift), fault.Of(fault.CalibrationOld)} }})
	if page := r.must(r.send("GET", "/swims/1", "")).text; !strings.Contains(page, words) || !strings.Contains(page, "[motor-drift]") {
		t.Errorf("the swim's page:\n%s", page)
	}
	page := r.must(r.send("GET", "/installation", "")).text
	for _, want := range []string{"In the latest swim the motor did not turn as ordered.", "[calibration-old]", "Have it measured again: sequencerd commission water."} {
		if !strings.Contains(page, want) {
			t.Errorf("the Installation page has no %q", want)
		}
	}
}
