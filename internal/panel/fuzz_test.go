package panel

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io/fs"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/schedule"
)

// passersBy gives each request an address of its own on this computer, as the limit on one address would refuse nearly all that comes so fast.
type passersBy struct{ last uint32 }

func (p *passersBy) next() string {
	p.last++
	return fmt.Sprintf("127.%d.%d.%d:1", 1+p.last>>16%250, p.last>>8&0xFF, p.last&0xFF)
}

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
	bodies := []struct {
		kind, query string
		body        []byte
	}{
		{"application/json", "", []byte(`{"seen":{"swim_id":0,"seq":1,"at_ms":1},"session":"first-swim","swimmer":"","pace":"1:40/100m","s_per_100":-1}`)},
		{"text/plain", "slower=3", []byte("format = 1\ntitle = \"x\"\nunit = \"m\"\nlines = \"\"\"\n4 x 50 at 2:00\n\"\"\"\n")},
		{"text/plain", "shorter=20", []byte("format = 1\ntitle = \"x\"\nunit = \"m\"\n[[step]]\nrepeat = 9\n[[step.step]]\ndistance = 100\npace = \"2:00\"\n")},
		{"application/json", "swims", []byte(`{"unit":"yd","cap_mps":1.2,"offset_s_per_100m":-2,"distance":"400m","time":"5:49","pace":"1:35","flume":true}`)},
		{"", "unit=yd", []byte(`{"format":1,"swimmers":[{"name":"x","unit":"m","timed_swims":[{"distance_m":400,"time_s":349,"day":"","flume":false}]}]}`)},
		{"", "swimmer=x&simulate", []byte(`{"seen":null}`)},
	}
	for i := range calls { // each call with two of them, so that a minute is not spent on what is the same each time
		for k := range 2 {
			b := bodies[(2*i+k)%len(bodies)]
			f.Add(uint8(i), b.kind, b.query, b.body)
		}
	}
	var who passersBy
	f.Fuzz(func(t *testing.T, which uint8, kind, query string, body []byte) {
		call := calls[int(which)%len(calls)]
		req := httptest.NewRequest(call.Method, call.URL.String(), bytes.NewReader(body))
		req.URL.RawQuery = query
		req.RemoteAddr = who.next()
		if utf8.ValidString(kind) {
			req.Header.Set("Content-Type", kind)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code == http.StatusInternalServerError || w.Code == http.StatusInsufficientStorage || w.Code == http.StatusTooManyRequests && call.URL.Path != "/api/v1/pair" || w.Code < 200 {
			t.Errorf("%s %s: %d %s", call.Method, call.URL.Path, w.Code, w.Body)
		}
		if w.Code >= 400 && w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %d as %s", call.Method, call.URL.Path, w.Code, w.Header().Get("Content-Type"))
		}
		if outside, _ := filepath.Glob(filepath.Join(filepath.Dir(r.sessions), "*.toml")); len(outside) > 0 {
			t.Errorf("%s %s writes %s", call.Method, call.URL.Path, outside)
		}
	})
}

// FuzzAfar: whatever request comes from another computer without the code, the water stays still, nothing is written, and what is closed stays closed.
func FuzzAfar(f *testing.F) {
	r := newRig(f, options{code: code, store: aSwim(f), startFrom: "paired"})
	h := r.panel.handler
	known := newCovered(f)
	open := map[string]bool{}
	for _, one := range allRoutes(f) {
		open[one.pattern] = one.open
		for _, call := range one.calls()[:1] {
			f.Add(fmt.Appendf(nil, "%s %s HTTP/1.1\r\nHost: 192.0.2.1\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n{}", call.Method, call.URL.RequestURI()))
		}
	}
	f.Add([]byte("POST /api/v1/start HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer \r\nX-Forwarded-For: 127.0.0.1\r\n\r\n"))
	f.Add([]byte("POST //api/v1/stop/../start HTTP/1.1\r\nHost: [::1]\r\nCookie: flume-device=AAAA\r\nOrigin: null\r\n\r\n"))
	f.Add([]byte("PUT /api/v1/sessions/..%2f..%2fx HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n1\r\nx\r\n0\r\n\r\n"))
	f.Add([]byte("CONNECT 127.0.0.1:80 HTTP/1.1\r\nHost: 127.0.0.1\r\nSec-Fetch-Site: same-origin\r\n\r\n"))
	before := written(f, r)
	n := uint32(0)
	f.Fuzz(func(t *testing.T, raw []byte) {
		req, err := http.ReadRequest(bufio.NewReader(bytes.NewReader(raw)))
		if err != nil || strings.HasSuffix(req.URL.Path, "/events") { // which has no end
			return
		}
		n++
		req.RemoteAddr = fmt.Sprintf("10.%d.%d.%d:9", n>>16&0xFF, n>>8&0xFF, n&0xFF)
		_, pattern := known.mux.Handler(req)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		stop := req.Method == http.MethodPost && req.URL.Path == "/api/v1/stop"
		if w.Code >= 500 || w.Code < 200 || w.Code/100 == 2 && pattern != "" && !open[pattern] && !stop {
			t.Errorf("%q is answered with %d as %s: %s", raw, w.Code, pattern, w.Body)
		}
		if snap, _ := r.seq.Snapshot(); snap.Cleared.MetresPerSecond() != 0 || snap.Motor.RPM() != 0 || snap.Profile != nil {
			t.Errorf("%q moves the water: %+v", raw, snap)
		}
		if now := written(t, r); !reflect.DeepEqual(now, before) {
			t.Errorf("%q changes what is kept from %v to %v", raw, before, now)
		}
	})
}

// written is what is in the folders of a rig, but for the store's own files.
func written(t testing.TB, r *rig) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, dir := range []string{r.sessions, r.state} {
		names, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range names {
			text, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			all[e.Name()] = string(text)
		}
	}
	return all
}

// FuzzAccess: whatever stands in the file of the code, it is refused by name, or kept as it is; and a token is known where its hash is in there alone.
func FuzzAccess(f *testing.F) {
	sum := sha256.Sum256(make([]byte, 32))
	hash := base64.StdEncoding.EncodeToString(sum[:])
	token := base64.RawURLEncoding.EncodeToString(make([]byte, 32))
	f.Add([]byte(`{"code":{"salt":"AAAA","rounds":600000,"hash":"`+hash+`"},"devices":[{"id":"ABCDE","name":"phone","paired":"2026-11-25T14:30:00Z","seen":"2026-11-25T14:00:00Z","token":"`+hash+`"}]}`), token)
	f.Add([]byte(`{"code":{"salt":"","rounds":9223372036854775807,"hash":"`+hash+`"},"devices":[{"id":"","token":""},{"id":"x","token":null}]}`), "")
	f.Add([]byte(`{"code":null,"devices":[{"id":"ABCDE","token":"`+hash+`"}]}`), base64.RawURLEncoding.EncodeToString(sum[:])) // the hash is no token
	f.Add([]byte(`{"code":null}`), token+"=")
	f.Add([]byte(`{"code":{"hash":""}}`), "-_")
	f.Fuzz(func(t *testing.T, text []byte, token string) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, accessFile), text, 0o600); err != nil {
			t.Fatal(err)
		}
		a, err := openAccess(dir)
		if err != nil {
			if !strings.Contains(err.Error(), accessFile) || !strings.Contains(err.Error(), "set a new code") {
				t.Error(err)
			}
			return
		}
		defer a.folder.Close()
		if h := a.kept.Code; h != nil && (h.Rounds < 1 || h.Rounds > mostRounds) || a.hasCode() != HasCode(dir) {
			t.Errorf("code %+v; there is one: %v and %v", h, a.hasCode(), HasCode(dir))
		}
		secret, bad := base64.RawURLEncoding.DecodeString(token)
		sum, is := sha256.Sum256(secret), ""
		for _, d := range a.kept.Devices {
			if is == "" && bad == nil && len(secret) == 32 && bytes.Equal(d.Token, sum[:]) {
				is = d.ID
			}
		}
		if got := a.known(token); got != is {
			t.Errorf("%q is known as %q, want %q", token, got, is)
		}
		for _, d := range a.devices() {
			if d.Token != nil {
				t.Errorf("a token is told of: %+v", d)
			}
		}
		if a.dirty = true; a.save() != nil {
			t.Fatal("what was read cannot be kept")
		}
		again, err := openAccess(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer again.folder.Close()
		if again.known(token) != is || again.hasCode() != a.hasCode() || len(again.devices()) != len(a.devices()) {
			t.Errorf("kept, %s is %+v", text, again.kept)
		}
	})
}

// FuzzChange: a query that asks for a change to a whole session is one within its limits, which a demo takes or says why not; else it is told what is allowed.
func FuzzChange(f *testing.F) {
	for _, q := range []string{"shorter=20", "slower=3", "slower=-60", "unit=yd", "unit=km", "shorter=NaN", "shorter=-5", "shorter=1e-320", "slower=0x1p-3", "shorter=20&slower=3", "shorter=20&shorter=30", "%zz", ""} {
		f.Add(q)
	}
	text, err := fs.ReadFile(config.Sessions, "lines/first-swim.toml")
	if err != nil {
		f.Fatal(err)
	}
	s, err := schedule.Parse("first-swim", text)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, query string) {
		r := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/scale", nil)
		r.URL = &url.URL{Path: r.URL.Path, RawQuery: query}
		do, err := change(r.URL.Query())
		if err != nil {
			if do != nil || !strings.Contains(err.Error(), "allowed") && !strings.Contains(err.Error(), "changed by one of") {
				t.Errorf("%q: %v", query, err)
			}
			return
		}
		q := r.URL.Query()
		shorter, errShorter := strconv.ParseFloat(q.Get("shorter"), 64)
		slower, errSlower := strconv.ParseFloat(q.Get("slower"), 64)
		if len(q) != 1 || errShorter == nil && !(shorter > 0 && shorter < 100) || errSlower == nil && !(math.Abs(slower) >= 0.1 && math.Abs(slower) <= 60) {
			t.Errorf("%q is taken", query)
		}
		changed, err := do(s)
		if err != nil {
			if err.Error() == "" {
				t.Errorf("%q: no reason", query)
			}
			return
		}
		if _, err := schedule.Parse("changed", []byte(changed)); err != nil {
			t.Errorf("%q: %v", query, err)
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
