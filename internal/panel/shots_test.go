package panel

import (
	"fmt"
	"testing"

	"flume.example/sequencerd/internal/run"
)

// Every page at every size, light and dark, is fit for everybody; with -shots they are kept to be looked at.
func TestPagesAreFit(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	r := newRig(t, options{rate: 8})
	sizes := []struct {
		name          string
		width, height int64
	}{{"phone", 390, 844}, {"tablet", 1280, 800}, {"wide", 1920, 1080}}
	every := func(page, path, ready string) {
		for _, s := range sizes {
			for _, scheme := range []string{"light", "dark"} {
				b.look(s.width, s.height, scheme)
				b.open(r.base + path)
				b.until(ready)
				name := fmt.Sprintf("%s-%s-%s", page, s.name, scheme)
				b.accessible(name)
				b.shot(name)
				if wide := b.eval(`String(document.documentElement.scrollWidth > document.documentElement.clientWidth)`); wide == "true" {
					t.Errorf("%s: the page is wider than the screen", name)
				}
			}
		}
	}
	every("stopped", "/", live)
	every("sessions", "/sessions", "true")
	every("editor", "/sessions/+new", `document.querySelector("#line svg") && document.querySelector(".words").textContent`)
	every("editor-steps", "/sessions/over-and-under?swimmer=Maren%20Tolliver", `document.querySelector("#line svg")`)
	every("swimmers", "/swimmers", "true")
	every("swims", "/swims", "true")
	every("installation", "/installation", `document.getElementById("link").textContent === "answers"`)
	every("pair", "/pair", "true")
	every("problems", "/problems", "true")
	r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Maren Tolliver"`))
	r.must(r.do("reset", ""))
	r.untilState(run.Ready)
	every("ready", "/", live)
	r.must(r.do("start", ""))
	r.untilState(run.CountIn)
	b.look(1280, 800, "light")
	b.open(r.base)
	b.until(live)
	b.shot("count-in-tablet-light")
	r.until("the third block", func(s *status) bool { return s.Block == 3 })
	every("running", "/", live)
}
