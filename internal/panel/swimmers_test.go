package panel

import (
	"encoding/json"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/store"
)

// A newcomer is put in at the panel with two timed swims, has a threshold, gets a hold-on test as a session, and can be chosen on the deck; what cannot be
// is refused in words, and changes nothing.
func TestSwimmers(t *testing.T) {
	s, err := store.OpenToRecord(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	r := newRig(t, options{store: s})
	page := func(path string, wants ...string) string {
		t.Helper()
		text := r.must(r.send("GET", path, "", "Accept: text/html")).text
		for _, w := range wants {
			if !strings.Contains(text, w) {
				t.Errorf("%s has no %q:\n%s", path, w, text)
			}
		}
		return text
	}
	const nell = "/api/v1/swimmers/Nell%20Brook"
	if a := r.send("GET", "/swimmers/Nell%20Brook", ""); a.code != 404 || a.problem().Code != string(fault.NoSuchSwimmer) {
		t.Errorf("nobody's page: %d %s", a.code, a.text)
	}
	r.must(r.send("PUT", nell, `{"unit":"m"}`))
	page("/swimmers", `href="/swimmers/Nell%20Brook"`, "Maren Tolliver", "not known")
	if text := page("/swimmers/Nell%20Brook", "at least two timed swims"); strings.Contains(text, "hold-on\"") {
		t.Error("a test is offered without a threshold")
	}
	// 200 m in 2:50 and 400 m in 5:49 are 1:29.5: a coach's weblog, mtheads.typepad.com, October 2011.
	r.must(r.send("POST", nell+"/swims", `{"distance":"200m","time":"2:50","day":""}`))
	r.must(r.send("POST", nell+"/swims", `{"distance":"400","time":"5:49","day":"","flume":false}`))
	r.must(r.send("PUT", nell, `{"cap_mps":1.5,"offset_s_per_100m":-1.5}`))
	page("/swimmers/Nell%20Brook", "1:29.5/100m", "from pool swims", "In the flume: 1:28/100m", "a third one tells", "11:47", "1.5", "Never without somebody watching")
	page("/", "Nell Brook")

	for _, bad := range []struct{ method, path, body, want string }{
		{"POST", nell + "/swims", `{"distance":"400m","time":"0:20"}`, "0:40 to 10:00"},
		{"POST", nell + "/swims", `{"distance":"far","time":"5:49"}`, "m or yd"},
		{"POST", nell + "/swims", `{"distanz":"400m"}`, "not the JSON"},
		{"POST", nell + "/threshold", `{"pace":"0:12"}`, "0:40 to 6:00"},
		{"PUT", nell, `{"cap_mps":9}`, "0.2 to 3"},
		{"PUT", nell, `{"offset_s_per_100m":-99}`, "-15 to +15"},
		{"PUT", "/api/v1/swimmers/%0a", `{}`, "1 to 60 characters"},
		{"DELETE", nell + "/swims/99", ``, "none with that number"},
	} {
		if a := r.send(bad.method, bad.path, bad.body); a.code < 400 || !strings.Contains(a.text, bad.want) {
			t.Errorf("%s %s %s: %d %s", bad.method, bad.path, bad.body, a.code, a.text)
		}
	}
	w, err := s.Swimmer("Nell Brook")
	if err != nil || len(w.Timed) != 2 || len(w.History) != 1 || w.Offset != -1.5 {
		t.Fatalf("%+v, %v", w, err)
	}

	var test struct{ Session, Says string }
	if err := json.Unmarshal([]byte(r.must(r.send("POST", nell+"/hold-on", `{}`)).text), &test); err != nil || !strings.Contains(test.Says, "95 of 100") {
		t.Errorf("%+v, %v", test, err)
	}
	if text := r.must(r.send("GET", "/api/v1/sessions/"+strings.ReplaceAll(test.Session, " ", "%20"), "")).text; !strings.Contains(text, "Hold on 4") || !strings.Contains(text, "Nell Brook") {
		t.Error(text)
	}
	r.must(r.send("POST", nell+"/threshold", `{"pace":"1:33","flume":true}`))
	page("/swimmers/Nell%20Brook", "1:33/100m", "set by hand")
	r.must(r.send("DELETE", nell+"/swims/1", ""))
	if w, err = s.Swimmer("Nell Brook"); err != nil || len(w.Timed) != 1 {
		t.Errorf("%+v, %v", w, err)
	}
}
