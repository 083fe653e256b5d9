package panel

import (
	"fmt"
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

var sizes = []struct {
	name          string
	width, height int64
}{{"phone", 390, 844}, {"tablet", 1280, 800}, {"wide", 1920, 1080}}

// fit looks at a page at every size, light and dark.
func fit(b *browser, r *rig, page, path, ready string) {
	b.t.Helper()
	for _, s := range sizes {
		for _, scheme := range []string{"light", "dark"} {
			b.look(s.width, s.height, scheme)
			b.open(r.base + path)
			b.until(ready)
			name := fmt.Sprintf("%s-%s-%s", page, s.name, scheme)
			b.accessible(name)
			b.shot(name)
			if wide := b.eval(`String(document.documentElement.scrollWidth > document.documentElement.clientWidth)`); wide == "true" {
				b.t.Errorf("%s: the page is wider than the screen", name)
			}
		}
	}
}

// someSwimmers are put into a store: one of whom all is known that can be, a newcomer, and a child.
func someSwimmers(t testing.TB, s *store.Store) {
	t.Helper()
	ago := func(days int) time.Time { return time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -days) }
	timed := func(metres float64, took time.Duration, on time.Time) store.Timed {
		return store.Timed{Distance: units.Metres(metres), Time: took, Day: on}
	}
	for _, w := range []store.Swimmer{
		{Name: "Nell Brook", Cap: units.MetresPerSecond(1.5), Offset: -1.5, Timed: []store.Timed{
			timed(200, 167500*time.Millisecond, ago(30)), timed(400, 350*time.Second, ago(29)), timed(800, 716*time.Second, ago(22)),
		}, History: []store.Threshold{{Day: ago(120), Pace: units.PacePer100(95, units.Metre), ByHand: true}}},
		{Name: "Tom Newman"},
		{Name: "Ida Quill", Unit: units.Yard, Cap: units.MetresPerSecond(0.9)},
	} {
		if err := s.AddSwimmer(&w); err != nil {
			t.Fatal(err)
		}
	}
}

// Every page at every size, light and dark, is fit for everybody; with -shots they are kept to be looked at.
func TestPagesAreFit(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	s := aSwim(t)
	someSwimmers(t, s)
	r := newRig(t, options{store: s})
	every := func(t testing.TB, r *rig, page, path, ready string) { fit(b, r, page, path, ready) }
	every(t, r, "stopped", "/", live)
	every(t, r, "sessions", "/sessions", "true")
	every(t, r, "editor", "/sessions/+new", `document.querySelector("#line svg") && document.querySelector(".words").textContent`)
	every(t, r, "editor-asks", "/sessions/over-and-under?swimmer=Nell%20Brook", `document.querySelector("#line svg") && document.getElementById("asks").innerText.includes("Hardest")`)
	every(t, r, "swimmers", "/swimmers", "true")
	every(t, r, "swimmer", "/swimmers/Nell%20Brook", `document.querySelector("table")`)
	every(t, r, "newcomer", "/swimmers/Tom%20Newman", "true")
	every(t, r, "swims", "/swims", `document.querySelector("table")`)
	every(t, r, "swim", "/swims/1", `document.querySelector("#line svg")`)
	every(t, r, "problems", "/problems", "true")
	every(t, r, "installation", "/installation", `document.getElementById("link").textContent === "answers"`)
	closed := newRig(t, options{code: code})
	every(t, closed, "open-deck", "/", live)
	every(t, closed, "pair", "/pair", "true")
}

// The deck under way, likewise.
func TestTheDeckIsFit(t *testing.T) {
	onRealTime(t, func(t testing.TB) {
		b := newBrowser(t)
		if b == nil {
			return
		}
		r := newRig(t, options{rate: 8, people: "[[water.station]]\nname = \"here\"\nfrom_outlet_m = 1.5\nshare = 1\n[[water.station]]\nname = \"a metre back\"\nfrom_outlet_m = 2.5\nshare = 0.943\n"})
		every := func(page, ready string) { fit(b, r, page, "/", ready) }
		r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Maren Tolliver"`))
		r.must(r.do("reset", ""))
		r.untilState(run.Ready)
		every("ready", live)
		r.must(r.do("start", ""))
		r.untilState(run.CountIn)
		b.look(1280, 800, "light")
		b.open(r.base)
		b.until(live)
		b.shot("count-in-tablet-light")
		st := r.until("the third block", func(s *status) bool { return s.Block == 3 || s.State == run.Stopped.String() })
		if st.State != run.Running.String() {
			t.Fatalf("the third block did not come: %s for %s", st.State, st.Reason)
		}
		places := r.until("water at both places", func(s *status) bool { return len(s.Places) == 2 && s.Places[0].Pace != nil && s.Places[1].Pace != nil }).Places
		// The pace is the longer by as much as the water is slower; both are told to a thousandth of a second.
		if here, back := places[0], places[1]; here.Name != "here" || back.Name != "a metre back" || math.Abs(*back.Pace*0.943-*here.Pace) > 0.002 || here.PaceText == "" {
			t.Errorf("along the flume %+v", places)
		}
		every("running", live+` && /^here \d:\d\d, a metre back \d:\d\d$/.test(document.getElementById("places").innerText)`)
		for r.do("pause", "").code != 200 { // what was seen grows old eight times as fast here
			if st := r.status(); st.State != run.Running.String() {
				t.Fatalf("in place of a pause it is %s for %s", st.State, st.Reason)
			}
		}
		r.untilState(run.Paused)
		every("paused", live+` && !document.getElementById("do-turn").hidden`)
		b.look(390, 844, "light")
		b.open(r.base)
		b.click("do-turn")
		b.until(`document.getElementById("turn").open`)
		b.accessible("turn")
		b.shot("turn-phone-light")
	})
}
