package panel

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"testing"
	"unicode/utf8"
)

// Whatever comes in, nothing answers with 500 or falls over, and no file is written outside of the folder.
func FuzzBodies(f *testing.F) {
	r := newRig(f, options{store: newStore(f)})
	h := r.panel.handler
	var calls []*http.Request
	for _, one := range allRoutes(f) {
		if one.pattern != "GET /api/v1/events" { // has no end
			calls = append(calls, one.calls()...)
		}
	}
	for i := range calls {
		f.Add(uint8(i), "application/json", "", []byte(`{"seen":{"swim_id":0,"seq":1,"at_ms":1},"session":"first-swim","swimmer":"","pace":"1:40/100m","s_per_100":-1}`))
		f.Add(uint8(i), "text/plain", "slower=3", []byte("format = 1\ntitle = \"x\"\nunit = \"m\"\nlines = \"\"\"\n4 x 50 at 2:00\n\"\"\"\n"))
		f.Add(uint8(i), "text/plain", "shorter=20", []byte("format = 1\ntitle = \"x\"\nunit = \"m\"\n[[step]]\nrepeat = 9\n[[step.step]]\ndistance = 100\npace = \"2:00\"\n"))
		f.Add(uint8(i), "application/json", "swims", []byte(`{"unit":"yd","cap_mps":1.2,"offset_s_per_100m":-2,"distance":"400m","time":"5:49","pace":"1:35","flume":true}`))
		f.Add(uint8(i), "", "unit=yd", []byte(`{"format":1,"swimmers":[{"name":"x","unit":"m","timed_swims":[{"distance_m":400,"time_s":349,"day":"","flume":false}]}]}`))
		f.Add(uint8(i), "", "swimmer=x&simulate", []byte("{\"seen\":null}"))
	}
	f.Fuzz(func(t *testing.T, which uint8, kind, query string, body []byte) {
		call := calls[int(which)%len(calls)]
		req := httptest.NewRequest(call.Method, call.URL.String(), bytes.NewReader(body))
		req.URL.RawQuery = query
		req.RemoteAddr = "127.0.0.1:1"
		if utf8.ValidString(kind) {
			req.Header.Set("Content-Type", kind)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code == http.StatusInternalServerError || w.Code == http.StatusInsufficientStorage || w.Code < 200 {
			t.Errorf("%s %s: %d %s", call.Method, call.URL.Path, w.Code, w.Body)
		}
		if w.Code >= 400 && w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %d as %s", call.Method, call.URL.Path, w.Code, w.Header().Get("Content-Type"))
		}
	})
}

// No name from outside leaves the folder.
func FuzzSessionName(f *testing.F) {
	for _, s := range []string{"first-swim", "../x", "a/b", `a\b`, ".hidden", "Übung 3", "x.toml", "", " x", "con\x00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		name, err := sessionName(s)
		if err == nil && bytes.ContainsAny([]byte(name), "./\\\x00\n") {
			t.Errorf("%q is a name: %q", s, name)
		}
	})
}
