package panel

import (
	"encoding/json"
	"testing"

	"flume.example/sequencerd/internal/run"
)

// Late, replayed and foreign commands do nothing.
func TestLateAndReplayed(t *testing.T) { onRealTime(t, swimLateAndReplayed) }

func swimLateAndReplayed(t testing.TB) {
	r := newRig(t, options{})
	r.must(r.do("lay-out", `"session":"first-swim"`))
	r.must(r.do("reset", ""))
	st := r.untilState(run.Ready)
	post := func(what string, seen map[string]any) reply {
		t.Helper()
		text, _ := json.Marshal(map[string]any{"seen": seen})
		return r.send("POST", "/api/v1/"+what, string(text))
	}
	now := func(change func(map[string]any)) map[string]any {
		s := r.status()
		m := map[string]any{"boot_id": s.Boot, "swim_id": s.Swim, "seq": s.Seq, "at_ms": s.At}
		change(m)
		return m
	}
	for says, change := range map[string]func(map[string]any){
		"of another swim":                func(m map[string]any) { m["swim_id"] = 7 },
		"of another life of the program": func(m map[string]any) { m["boot_id"] = "ANOTHER" },
		"from the future":                func(m map[string]any) { m["at_ms"] = m["at_ms"].(int64) + 60_000 },
		"before the beginning":           func(m map[string]any) { m["at_ms"] = -1 },
		"of a picture yet to come":       func(m map[string]any) { m["seq"] = m["seq"].(uint64) + 1000 },
		"of before the last change":      func(m map[string]any) { m["seq"] = 1 },
	} {
		if a := post("start", now(change)); a.code != 409 || a.problem().Code != "stale" {
			t.Errorf("a start %s: %d %s", says, a.code, a.text)
		}
	}
	if s := r.status(); s.State != "ready" {
		t.Fatalf("one of them did something: %s", s.State)
	}
	seen := now(func(map[string]any) {})
	r.must(post("start", seen))
	if a := post("start", seen); a.code != 409 {
		t.Errorf("the same start again: %d, which would take it back", a.code)
	}
	if s := r.untilState(run.CountIn); s.Swim != st.Swim+1 {
		t.Errorf("swim %d after %d", s.Swim, st.Swim)
	}
	was := now(func(map[string]any) {})
	r.until("three seconds on", func(s *status) bool { return s.At > was["at_ms"].(int64)+3100 })
	if a := post("finish", was); a.code != 409 || a.problem().Code != "stale" {
		t.Errorf("a finish three seconds late: %d %s", a.code, a.text)
	}
	r.must(r.send("POST", "/api/v1/stop", ""))
	if s := r.untilState(run.Stopped); s.Reason != "stop-pressed" {
		t.Errorf("stopped for %s", s.Reason)
	}
}
