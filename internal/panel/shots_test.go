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
	every := func(t testing.TB, r *rig, page, path, ready string) { fit(b, r, page, path, ready) }
	every(t, r, "stopped", "/", live)
	every(t, r, "sessions", "/sessions", "true")
	every(t, r, "editor", "/sessions/+new", `document.querySelector("#line svg") && document.querySelector(".words").textContent`)
	every(t, r, "installation", "/installation", `document.getElementById("link").textContent === "answers"`)
	onRealTime(t, func(t testing.TB) {
		r := newRig(t, options{rate: 8})
		r.must(r.do("lay-out", `"session":"over-and-under","swimmer":"Maren Tolliver"`))
		r.must(r.do("reset", ""))
		r.untilState(run.Ready)
		every(t, r, "ready", "/", live)
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
		every(t, r, "running", "/", live)
	})
}
