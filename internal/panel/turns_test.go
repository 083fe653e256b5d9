package panel

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// newStore is an empty store of a test's own, open for recording.
func newStore(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.OpenToRecord(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// newcomer puts somebody in at the panel, with two timed swims; what the threshold must then be is on the page.
func (b *browser) newcomer(base, name, short, long, threshold string) {
	b.t.Helper()
	b.open(base + "/swimmers")
	b.write("#add-name", name)
	b.eval(`document.querySelector('form[data-method="PUT"] button').click(); ""`)
	// Complete: before its script runs, a press on a form does nothing that is meant.
	b.until(fmt.Sprintf(`document.readyState === "complete" && location.pathname.startsWith("/swimmers/") && document.querySelector("h1")?.innerText === %q && document.querySelector("main").innerText.includes("at least two timed swims")`, name))
	for i, swim := range [][2]string{{"200", short}, {"400", long}} {
		b.write("#distance", swim[0])
		b.write("#time", swim[1])
		b.eval(`document.querySelector('form[data-to$="/swims"] button').click(); ""`)
		b.until(fmt.Sprintf(`document.readyState === "complete" && document.querySelectorAll('form[data-method="DELETE"][data-to*="/swims/"]').length === %d`, i+1))
	}
	b.until(fmt.Sprintf(`document.querySelector("main strong").innerText === "Threshold: %s" && document.querySelector("main").innerText.includes("from pool swims")`, threshold))
}

// nextSwimmer gives the water to somebody else.
func (b *browser) nextSwimmer(name, session string) {
	b.t.Helper()
	for range tries {
		b.click("do-turn")
		b.until(`document.getElementById("turn").open`)
		// Where the press before this one came through after all, the name is closed.
		b.eval(fmt.Sprintf(`(() => { const e = document.querySelector('#turn button[data-name=%q]'); if (e.disabled) document.getElementById("turn").close(); else e.click(); return ""; })()`, name))
		if b.within(fmt.Sprintf(`document.getElementById("session").innerText === "%s · %s"`, session, name), 4*time.Second) {
			return
		}
	}
	b.t.Fatalf("%s does not get the water: %s", name, b.text("main"))
}

// A newcomer enters two pool swims and sees a threshold; two swimmers swim a demo by threshold from the same file, each at their own paces, one taking over
// from the other in a pause and at the end; the first does a hold-on test on the simulated flume; and all of it is found in Swims.
func TestTwoSwimmersAndAHoldOnTest(t *testing.T) { onRealTime(t, swimTwoSwimmersAndAHoldOnTest) }

func swimTwoSwimmersAndAHoldOnTest(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	st := newStore(t)
	r := newRig(t, options{rate: 15, store: st})
	b.look(1280, 800, "light")
	// The line through two swims: 200 m more in 176 s are 1:28 per 100 m, in 250 s 2:05. 25 s slower, as the warm-up is, are 1:53 and 2:30.
	b.newcomer(r.base, "Nell Brook", "2:46", "5:42", "1:28/100m")
	b.newcomer(r.base, "Ben Ford", "3:50", "8:00", "2:05/100m")
	b.open(r.base)
	b.lay("over-and-under", "Nell Brook", "Over and under · Nell Brook")
	b.start()
	pace := func(text string) string { return fmt.Sprintf(`document.getElementById("pace").innerText === %q`, text) }
	b.until(stateIs("Running") + " && " + pace("1:53"))
	r.until("40 m", func(s *status) bool { return s.Distance > 40 })
	b.press("do-pause", stateIs("Paused"))
	b.nextSwimmer("Ben Ford", "Over and under")
	b.press("do-resume", stateIs("Running"))
	b.until(pace("2:30"))
	b.press("do-skip", `document.getElementById("place").innerText !== "1 of 17"`)
	b.until(pace("2:02")) // after half a minute of rest, 3 s faster than 2:05
	r.until("40 m of Ben's", func(s *status) bool { return s.Distance > 40 })
	b.press("do-finish", stateIs("Coming to rest")+" || "+stateIs("Finished"))
	b.until(stateIs("Finished"))
	b.nextSwimmer("Nell Brook", "Over and under")
	b.start()
	b.until(pace("1:53"))
	r.until("20 m of Nell's", func(s *status) bool { return s.Distance > 20 })
	b.press("do-finish", stateIs("Coming to rest")+" || "+stateIs("Finished"))
	b.until(stateIs("Finished"))

	b.open(r.base + "/swimmers/Nell%20Brook")
	b.until(`document.querySelector('form[data-to$="/hold-on"]').innerText.includes("Never without somebody watching")`)
	b.eval(`document.querySelector('form[data-to$="/hold-on"] button').click(); ""`)
	b.until(`location.pathname === "/sessions/Hold-on%20test%20Nell%20Brook" && document.getElementById("for").value === "Nell Brook"`)
	b.until(`document.getElementById("asks").innerText.includes("Asks, by a threshold from pool swims: above it 45:00")`) // three paces faster, at their caps
	b.press("lay", `location.pathname === "/"`)
	b.until(live + ` && document.getElementById("session").innerText === "Hold-on test · Nell Brook"`)
	b.start()
	b.until(stateIs("Running"))
	b.press("do-skip", `document.getElementById("place").innerText === "2 of 14"`) // the warm-up
	// Nell's true threshold in the flume is 1:28.5, with 12 m above it: what is held at a pace is D'/(v − CS) (the two-parameter model, as in the fit).
	truth := units.PacePer100(88.5, units.Metre).Speed().MetresPerSecond()
	for i := range 4 {
		b.press("do-on", fmt.Sprintf(`document.getElementById("place").innerText !== "%d of 14"`, 3*i+2))
		s := r.until("a hold-on block", func(s *status) bool { return s.Now != nil && strings.HasPrefix(s.Now.Name, "Hold on") })
		v := 100 / *s.Now.Pace
		if v <= truth {
			t.Fatalf("a hold-on block at %g m/s never ends", v)
		}
		held := 12 / (v - truth)
		r.until("as long as it can be held", func(s *status) bool { return s.InBlock >= held })
		b.press("do-on", fmt.Sprintf(`document.getElementById("place").innerText === "%d of 14"`, 3*i+5))
	}
	b.press("do-finish", stateIs("Coming to rest")+" || "+stateIs("Finished"))
	b.until(stateIs("Finished"))
	waitFor(t, "the last swim on the disk", func() bool {
		swims, err := st.List(store.Which{})
		n := len(swims)
		return err == nil && n > 0 && swims[n-1].Title == "Hold-on test" && swims[n-1].Outcome != store.UnderWay
	})

	b.open(r.base + "/swimmers/Nell%20Brook")
	b.until(`document.querySelector("main").innerText.includes("from flume swims")`)
	if k := b.text("main"); strings.Count(k, "SIMULATED") < 4 || !strings.Contains(k, "Hold on 4") || !strings.Contains(k, "±") {
		t.Errorf("the swimmer's page after the test:\n%s", k)
	}
	w, err := st.Swimmer("Nell Brook")
	if err != nil {
		t.Fatal(err)
	}
	// A press that comes half a second late in the page is seven seconds late in the flume, at this rate.
	if now, _ := w.Threshold(); !now.Flume || math.Abs(now.Pace.Seconds()-88.5) > 1.5 {
		t.Errorf("the test says %s, and it is 1:28.5", now.Pace)
	}
	b.open(r.base + "/swims")
	b.until(`document.querySelectorAll("tbody tr").length === 4`)
	var rows []string
	for i := range 4 {
		rows = append(rows, b.text(fmt.Sprintf("tbody tr:nth-child(%d)", i+1)))
	}
	for i, want := range [][]string{{"Hold-on test", "Nell Brook"}, {"Over and under", "Nell Brook"}, {"Over and under", "Ben Ford"}, {"Over and under", "Nell Brook"}} {
		if !strings.Contains(rows[i], want[0]) || !strings.Contains(rows[i], want[1]) {
			t.Errorf("row %d of Swims is %q, want %q", i+1, rows[i], want)
		}
	}
	if st := r.status(); st.State != run.Finished.String() {
		t.Errorf("in the end it is %s", st.State)
	}
}

// Swimmers go out as a file and come in again, in the browser; one is forgotten only where their name was written out, and not while laid out.
func TestSwimmersAsFiles(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	st := newStore(t)
	r := newRig(t, options{store: st})
	b.look(1280, 800, "light")
	b.newcomer(r.base, "Nell Brook", "2:46", "5:42", "1:28/100m")
	one := b.saved(`a[href="/api/v1/swimmers/Nell%20Brook"]`, "Nell Brook.json")
	b.open(r.base + "/swimmers")
	if all := b.saved(`a[href="/api/v1/swimmers"]`, "swimmers.json"); all != one || !strings.Contains(all, `"distance_m": 400`) {
		t.Errorf("all of them are\n%s\none is\n%s", all, one)
	}
	r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Nell Brook"`))
	r.until("laid out", func(s *status) bool { return s.Swimmer == "Nell Brook" })
	forget := func(name string) {
		t.Helper()
		b.open(r.base + "/swimmers/Nell%20Brook")
		b.write("#forget-sure", name)
	}
	const button = `document.querySelector("form[data-sure] button")`
	forget("Nell")
	b.until(button + `.disabled`)
	forget("Nell Brook")
	b.until(`!` + button + `.disabled`)
	b.accessible("about to forget somebody")
	b.eval(button + `.click(); ""`)
	b.until(`document.querySelector("form[data-sure] .says").innerText.includes("laid out on the deck")`)
	r.must(r.do("lay-out", `"session":"first-swim","swimmer":""`))
	forget("Nell Brook")
	b.eval(button + `.click(); ""`)
	b.until(`location.pathname === "/swimmers" && !document.querySelector("main").innerText.includes("Nell Brook")`)
	if _, err := st.Swimmer("Nell Brook"); err == nil {
		t.Error("who was forgotten is still there")
	}
	b.give("import", keepFile(t, "bad.json", `{"format":1,"swimmers":[{"name":"A","unit":"m","cap_mps":9}]}`))
	b.until(`document.getElementById("import-says").innerText.includes("0.2 to 3")`)
	b.give("import", keepFile(t, "Nell Brook.json", one))
	b.until(`document.querySelector('main a[href="/swimmers/Nell%20Brook"]')`)
	if again := r.must(r.send("GET", "/api/v1/swimmers/Nell%20Brook", "")).text; again != one {
		t.Errorf("what came back is\n%s\nwant\n%s", again, one)
	}
}
