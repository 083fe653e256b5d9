package panel

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"flume.example/sequencerd/internal/run"
)

const live = `document.body.dataset.live === "yes"`

func stateIs(s string) string {
	return fmt.Sprintf(`document.getElementById("state").innerText === %q`, s)
}

// tries is how often that may happen in a row on a machine that is busy.
const tries = 25

// press presses a button until something is so. At a rate what was seen grows old as much faster, and a press may come too late; then, as the page
// asks, one looks again and presses again.
func (b *browser) press(id, until string) {
	b.t.Helper()
	for range tries {
		b.click(id)
		if b.within(until, 2*time.Second) {
			return
		}
	}
	b.t.Fatalf("#%s was pressed again and again, and %s did not come\nthe page says: %s", id, until, b.text("main"))
}

// strike is press for a key.
func (b *browser) strike(key, until string) {
	b.t.Helper()
	for range tries {
		b.key(key)
		if b.within(until, 4*time.Second) {
			return
		}
	}
	b.t.Fatalf("key %q was struck again and again, and %s did not come\nthe page says: %s", key, until, b.text("main"))
}

// lay lays out a session in the page and makes ready.
func (b *browser) lay(session, swimmer, title string) {
	b.t.Helper()
	b.until(live)
	b.eval(fmt.Sprintf(`document.getElementById("lay-session").value = %q; document.getElementById("lay-swimmer").value = %q; ""`, session, swimmer))
	b.press("lay-out", fmt.Sprintf(`document.getElementById("session").innerText === %q`, title))
	b.press("do-reset", stateIs("Ready"))
}

// start answers what must be true before water starts.
func (b *browser) start() { b.t.Helper(); b.startBy("do-start") }

func (b *browser) startBy(button string) {
	b.t.Helper()
	for range tries {
		b.click(button)
		b.until(`document.getElementById("check").open && document.getElementById("check-do").disabled`)
		for _, id := range []string{"check.outlet", "check.earshot"} {
			b.eval(fmt.Sprintf(`document.getElementById(%q).click(); ""`, id))
		}
		b.click("check-do")
		if b.within(stateIs("Counting in")+" || "+stateIs("Running"), 2*time.Second) {
			return
		}
	}
	b.t.Fatal("it does not start: " + b.text("main"))
}

// A newcomer swims a demo with the browser only, from a program that nobody has configured, to its end.
func TestNewcomerSwims(t *testing.T) { onRealTime(t, swimNewcomerSwims) }

func swimNewcomerSwims(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 6})
	b.look(1280, 800, "light")
	b.open(r.base)
	b.lay("first-swim", "Maren Tolliver", "First swim · Maren Tolliver")
	b.start()
	b.until(`document.getElementById("pace").innerText === "2:10" && document.getElementById("next").innerText === "Rest"`)
	b.until(`document.getElementById("pace").innerText === "Rest" && /still moves: 0\.\d\d m/.test(document.getElementById("moves").innerText)`)
	b.until(stateIs("Finished"))
	if end := r.untilState(run.Finished); end.Block != 5 || math.Abs(end.Distance-90) > 25 {
		t.Errorf("the swim ended at block %d after %.0f m", end.Block, end.Distance)
	}
	b.until(`document.getElementById("swum-distance").innerText.match(/^\d+ m$/)`)
}

// Every command works by touch, and those of the wet hand by key; what the page shows is what the sequencer says.
func TestEveryCommandInThePage(t *testing.T) { onRealTime(t, swimEveryCommandInThePage) }

func swimEveryCommandInThePage(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 3})
	b.look(1280, 800, "light")
	b.open(r.base)
	b.lay("pyramid", "", "Pyramid")
	b.start()
	b.press("do-cancel", stateIs("Ready"))
	b.start()
	b.until(stateIs("Running"))
	block := func(n int) string { return fmt.Sprintf(`document.getElementById("place").innerText === "%d of 16"`, n) }
	b.press("do-skip", block(2))
	b.press("do-skip", block(3))
	b.press("do-slower", `document.getElementById("nudge").innerText === "+1 s" && document.getElementById("pace").innerText === "2:01"`)
	b.press("do-faster", `document.getElementById("nudged").hidden`)
	b.until(`parseFloat(document.getElementById("water").innerText) > 0.6`)
	b.press("do-pause", stateIs("Pausing"))
	b.until(`document.getElementById("moves").innerText.includes("still moves")`)
	b.press("do-resume", stateIs("Running"))
	b.strike(" ", stateIs("Paused"))
	b.strike(" ", stateIs("Running"))
	b.strike("n", block(4))
	b.strike("b", block(3))
	b.strike("+", `document.getElementById("nudge").innerText === "+1 s"`)
	b.key("h")
	b.press("do-finish", stateIs("Coming to rest")+" || "+stateIs("Finished"))
	b.until(stateIs("Finished"))
	b.startBy("do-again")
	b.until(stateIs("Running"))
	if s := r.status(); s.Block == 0 {
		t.Error("going on where it stopped began anew")
	}
	b.key(kb.Escape)
	b.until(stateIs("Stopped"))
	b.until(`document.getElementById("faults").innerText.includes("somebody pressed stop")`)
	r.until("still water", func(s *status) bool { return !s.Moves && s.RPM == 0 })
	b.press("do-reset", stateIs("Ready"))
	b.eval(`document.getElementById("steady-pace").value = "2:10/100m"; ""`)
	b.startBy("do-steady")
	b.until(stateIs("Running"))
	b.until(`document.getElementById("pace").innerText === "2:10" && document.getElementById("left-unit").innerText === "until On"`)
	b.click("stop")
	b.until(stateIs("Stopped"))
}

// The characters of the deck on a 10-inch tablet can be read from 5 m: at least 16 minutes of arc, 20 for the pace (ISO 9241-3 as quoted; the
// height is 6.283·D·MA/21600, NUREG-0700). 10 inches at 16:10 are 215.4 mm across.
func TestCharacterHeights(t *testing.T) { onRealTime(t, swimCharacterHeights) }

func swimCharacterHeights(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 3})
	b.look(1280, 800, "light")
	b.open(r.base)
	b.lay("first-swim", "", "First swim")
	b.start()
	b.until(stateIs("Running"))
	b.press("do-skip", `document.getElementById("place").innerText === "2 of 5"`)
	b.until(`document.getElementById("pace").innerText === "2:10" && document.getElementById("left").innerText.length === 4`)
	for _, c := range []struct {
		id   string
		arc  float64
		from float64
	}{{"pace", 20, 5}, {"left", 20, 5}, {"next", 16, 5}} {
		if c.id == "next" { // after the rest that is next now
			b.press("do-skip", `document.getElementById("next").innerText === "2:00"`)
		}
		px, err := strconv.ParseFloat(b.eval(fmt.Sprintf(`(() => { const e = document.getElementById(%q), c = document.createElement("canvas").getContext("2d"), f = getComputedStyle(e);
			c.font = f.fontWeight + " " + f.fontSize + " " + f.fontFamily; return String(c.measureText("1").actualBoundingBoxAscent); })()`, c.id)), 64)
		if err != nil {
			t.Fatal(err)
		}
		if mm, want := px/(1280/215.4), 6.283*c.from*1000*c.arc/21600; mm < want {
			t.Errorf("%s is %.1f mm high, want %.1f mm: %g minutes of arc from %g m", c.id, mm, want, c.arc, c.from)
		}
	}
	if fits := b.eval(`String(document.querySelector(".deck-line").getBoundingClientRect().bottom <= document.querySelector(".controls").getBoundingClientRect().top && document.getElementById("stop").getBoundingClientRect().bottom <= innerHeight)`); fits != "true" {
		t.Error("not all of the deck is on the screen of a tablet")
	}
	size := strings.Split(b.eval(`[...document.querySelectorAll("button")].filter((e) => e.getClientRects().length).map((e) => e.offsetWidth * e.offsetHeight * (e.id === "stop" ? 1 : -1)).sort((a, b) => a - b).join(" ")`), " ")
	stop, _ := strconv.ParseFloat(size[len(size)-1], 64)
	biggest, _ := strconv.ParseFloat(size[0], 64)
	if stop <= -biggest {
		t.Errorf("stop has %g px², another button %g", stop, -biggest)
	}
}

// A page that hears nothing says so at once, and shows no number; it comes back by itself.
func TestStalePage(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{})
	b.look(1280, 800, "light")
	gate := newGate(t, r.base)
	b.open(gate.base)
	b.until(live)
	b.until(`document.getElementById("water").innerText.includes("m/s")`)
	gate.close()
	b.until(`document.body.dataset.live === "no" && !document.getElementById("stale").hidden`)
	b.shot("stale-tablet-light")
	b.accessible("stale")
	if shown := b.text("main"); strings.Contains(shown, "m/s") || !strings.Contains(shown, "No contact with the flume since") {
		t.Errorf("a stale page shows:\n%s", shown)
	}
	gate.open()
	b.until(live)
}

// Two pages on one swim: what one does the other shows; the second of two presses of the same thing does nothing.
func TestTwoPages(t *testing.T) { onRealTime(t, swimTwoPages) }

func swimTwoPages(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 3})
	other := b.tab()
	b.look(1280, 800, "light")
	b.open(r.base)
	other.open(r.base)
	b.lay("pyramid", "", "Pyramid")
	other.until(stateIs("Ready"))
	b.start()
	other.until(stateIs("Running"))
	before := r.status()
	first, second := r.as(before, "skip", ""), r.as(before, "skip", "")
	if first.code != 200 || second.code != 409 || second.problem().Code != "stale" {
		t.Errorf("two skips of the same sight: %d and %d %s", first.code, second.code, second.text)
	}
	other.press("do-pause", stateIs("Pausing")+" || "+stateIs("Paused"))
	b.until(stateIs("Paused"))
	if s := r.status(); s.Block != before.Block+1 {
		t.Errorf("from block %d to block %d", before.Block, s.Block)
	}
}
