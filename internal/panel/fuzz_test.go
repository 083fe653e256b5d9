package panel

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode/utf8"
)

// Whatever comes in, nothing answers with 500 or falls over, and no file is written outside of the folder.
func FuzzBodies(f *testing.F) {
	r := newRig(f, options{})
	h := r.panel.handler
	paths := []string{"lay-out", "swimmer", "start", "steady", "pause", "resume", "on", "skip", "back", "nudge", "here", "finish", "stop", "reset", "pair", "rehearse", "sessions/x", "sessions/%2e%2e%2fx"}
	for i := range paths {
		f.Add(uint8(i), "application/json", []byte(`{"seen":{"swim_id":0,"seq":1,"at_ms":1},"session":"first-swim","swimmer":"","pace":"1:40/100m","s_per_100":-1}`))
		f.Add(uint8(i), "text/plain", []byte("format = 1\ntitle = \"x\"\nlines = \"\"\"\n4 x 50 at 2:00\n\"\"\"\n"))
		f.Add(uint8(i), "", []byte("{\"seen\":null}"))
	}
	f.Fuzz(func(t *testing.T, which uint8, kind string, body []byte) {
		path := paths[int(which)%len(paths)]
		method := "POST"
		if strings.HasPrefix(path, "sessions/") {
			method = "PUT"
		}
		req := httptest.NewRequest(method, "http://127.0.0.1/api/v1/"+path, bytes.NewReader(body))
		req.RemoteAddr = "127.0.0.1:1"
		if utf8.ValidString(kind) {
			req.Header.Set("Content-Type", kind)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code == http.StatusInternalServerError || w.Code == 507 || w.Code < 200 {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
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
