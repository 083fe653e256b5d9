package panel

import (
	"fmt"
	"testing"

	"flume.example/sequencerd/internal/run"
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

// Every page at every size, light and dark, is fit for everybody; with -shots they are kept to be looked at.
func TestPagesAreFit(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{store: aSwim(t)})
	every := func(page, path, ready string) { fit(b, r, page, path, ready) }
	every("stopped", "/", live)
	every("sessions", "/sessions", "true")
	every("editor", "/sessions/+new", `document.querySelector("#line svg") && document.querySelector(".words").textContent`)
	every("installation", "/installation", `document.getElementById("link").textContent === "answers"`)
	r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Maren Tolliver"`))
	r.until("laid out", func(s *status) bool { return s.Blocks == 17 })
	every("laid-out", "/", live+` && document.querySelector("#line svg")`)
	every("editor-steps", "/sessions/over-and-under?swimmer=Maren%20Tolliver", `document.querySelector("#line svg")`)
	every("swimmers", "/swimmers", "true")
	every("swims", "/swims", "true")
	every("swim", "/swims/1", `document.querySelector("#line svg")`)
	every("pair", "/pair", "true")
	every("problems", "/problems", "true")
}

// The deck of a swim under way is fit for everybody too.
func TestDeckUnderWayIsFit(t *testing.T) { onRealTime(t, deckUnderWayIsFit) }

func deckUnderWayIsFit(t testing.TB) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 8})
	r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Maren Tolliver"`))
	r.must(r.do("reset", ""))
	r.untilState(run.Ready)
	r.must(r.do("start", ""))
	b.look(1280, 800, "light")
	b.open(r.base)
	b.until(stateIs("Counting in"))
	b.accessible("counting in")
	b.shot("count-in-tablet-light")
	r.until("the third block", func(s *status) bool { return s.Block == 3 })
	fit(b, r, "running", "/", live+` && document.querySelector("#line svg")`)
}
