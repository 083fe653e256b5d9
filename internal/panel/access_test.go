package panel

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
)

const code = "seven wet towels"

// Without the code one sees the deck without names, and can stop; with it, everything; after a device is forgotten, no more.
func TestTheCode(t *testing.T) {
	r := newRig(t, options{code: code, startFrom: "paired"})
	if a := r.send("GET", "/api/v1/status", ""); a.code != 200 {
		t.Fatalf("the status is closed: %d", a.code)
	}
	if a := r.send("GET", "/sessions", "", "Accept: text/html"); a.code != 303 || a.header.Get("Location") != "/pair" {
		t.Errorf("a browser at a closed page gets %d %s", a.code, a.header.Get("Location"))
	}
	if a := r.send("POST", "/api/v1/stop", ""); a.code != 200 {
		t.Errorf("stop asks for a code: %d", a.code)
	}
	if a := r.send("POST", "/api/v1/pair", `{"code":"wrong code"}`); a.code != 403 || a.problem().Code != string(fault.CodeWrong) {
		t.Errorf("a wrong code: %d %s", a.code, a.text)
	}
	a := r.must(r.send("POST", "/api/v1/pair", `{"code":"`+code+`","device":"Deck\u0007 tablet"}`))
	cookie := a.header.Get("Set-Cookie")
	for _, part := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(cookie, part) {
			t.Errorf("the cookie has no %s: %s", part, cookie)
		}
	}
	var got struct{ Token string }
	json.Unmarshal([]byte(a.text), &got)
	r.token = got.Token
	r.must(r.do("lay-out", `"session":"first-swim","swimmer":"Ida Quill"`))
	r.until("laid out", func(s *status) bool { return s.Swimmer == "Ida Quill" })
	r.token = ""
	if s := r.status(); s.Swimmer != "" || s.Title != "First swim" {
		t.Errorf("who is not paired is told %q for %q", s.Title, s.Swimmer)
	}
	if page := r.send("GET", "/", ""); strings.Contains(page.text, "Ida") {
		t.Error("the open deck page has names")
	}
	r.token = got.Token
	var list struct{ Devices []listed }
	json.Unmarshal([]byte(r.send("GET", "/api/v1/devices", "").text), &list)
	if len(list.Devices) != 1 || list.Devices[0].Name != "Deck tablet" || !list.Devices[0].This {
		t.Fatalf("devices: %+v", list)
	}
	kept, err := os.ReadFile(filepath.Join(r.state, accessFile))
	if err != nil || strings.Contains(string(kept), code) || strings.Contains(string(kept), got.Token) {
		t.Errorf("the file has the code or the token in it (%v):\n%s", err, kept)
	}
	if again, err := openAccess(r.state); err != nil || again.known(got.Token) == "" {
		t.Errorf("another life of the program does not know the device: %v", err)
	}
	if a := r.send("DELETE", "/api/v1/devices/"+list.Devices[0].ID, ""); a.code != 204 {
		t.Errorf("forgetting a device: %d", a.code)
	}
	if a := r.do("reset", ""); a.code != 403 {
		t.Errorf("a forgotten device may still command: %d", a.code)
	}
}

// Codes cannot be tried out: after five from one address there is a wait, and the right one does not pass either.
func TestCodesCannotBeTried(t *testing.T) {
	r := newRig(t, options{code: code})
	for range 5 {
		if a := r.send("POST", "/api/v1/pair", `{"code":"guess"}`); a.code != 403 {
			t.Fatalf("a guess: %d", a.code)
		}
	}
	a := r.send("POST", "/api/v1/pair", `{"code":"`+code+`"}`)
	if a.code != 429 || a.header.Get("Retry-After") == "" {
		t.Errorf("after five guesses: %d %s", a.code, a.text)
	}
}

// A panel that others can reach is refused without a code.
func TestNoCodeNoNetwork(t *testing.T) {
	idle := sequencer.New(sequencer.Config{}, 1)
	for listen, ok := range map[string]bool{
		"127.0.0.1:8080": true, "[::1]:8080": true, "localhost:8080": true, ":8080": false, "0.0.0.0:8080": false, "192.0.2.7:8080": false, "[::]:8080": false, "flume.local:80": false,
	} {
		s, err := settings.Parse("", nil, config.Default())
		if err != nil {
			t.Fatal(err)
		}
		s.Listen = listen
		_, err = New(Config{Sequencer: idle, Settings: s, Demos: config.Sessions})
		if (err == nil) != ok {
			t.Errorf("listening on %s without a code: %v", listen, err)
		}
		folder := t.TempDir()
		if err := SetCode(folder, code); err != nil {
			t.Fatal(err)
		}
		if _, err := New(Config{Sequencer: idle, Settings: s, Demos: config.Sessions, State: folder}); err != nil {
			t.Errorf("listening on %s with a code: %v", listen, err)
		}
	}
	for _, bad := range []string{"12345", " 123456", strings.Repeat("1", 65), "12345\n6"} {
		if err := SetCode(t.TempDir(), bad); err == nil {
			t.Errorf("code %q was taken", bad)
		}
	}
}

// From where the panel may start water.
func TestStartFrom(t *testing.T) {
	for _, c := range []struct {
		says, from, header string
		want               int
	}{
		{"this computer may, by default", "loopback", "", 200},
		{"through something that passes on requests of others it may not", "loopback", "X-Forwarded-For: 192.0.2.9", 403},
		{"paired devices may, where the configuration allows it", "paired", "X-Forwarded-For: 192.0.2.9", 200},
		{"nobody may", "nowhere", "", 403},
	} {
		r := newRig(t, options{code: code, startFrom: c.from})
		var got struct{ Token string }
		json.Unmarshal([]byte(r.must(r.send("POST", "/api/v1/pair", `{"code":"`+code+`"}`)).text), &got)
		r.token = got.Token
		r.must(r.do("lay-out", `"session":"first-swim"`))
		r.must(r.do("reset", ""))
		st := r.untilState(run.Ready)
		seen, _ := json.Marshal(map[string]any{"seen": map[string]any{"swim_id": st.Swim, "seq": st.Seq, "at_ms": st.At}})
		headers := []string{}
		if c.header != "" {
			headers = append(headers, c.header)
		}
		if a := r.send("POST", "/api/v1/start", string(seen), headers...); a.code != c.want {
			t.Errorf("%s: %d %s", c.says, a.code, a.text)
		}
	}
}

// Pages of other sites, and names that were pointed here, get nothing but the stop.
func TestOtherSites(t *testing.T) {
	r := newRig(t, options{})
	for _, c := range []struct {
		says, method, path, header string
		want                       int
	}{
		{"a page of another site", "POST", "/api/v1/reset", "Sec-Fetch-Site: cross-site", 403},
		{"another origin", "POST", "/api/v1/reset", "Origin: http://evil.example", 403},
		{"a name pointed here", "GET", "/api/v1/status", "Host: evil.example", 403},
		{"a name pointed here, with a port", "GET", "/", "Host: evil.example:8080", 403},
		{"this computer's address", "GET", "/", "Host: 192.0.2.7:8080", 200},
		{"localhost", "GET", "/", "Host: localhost:8080", 200},
		{"an address of the newer kind", "GET", "/", "Host: [2001:db8::7]:8080", 200},
		{"stop from anywhere", "POST", "/api/v1/stop", "Origin: http://evil.example", 200},
	} {
		if a := r.send(c.method, c.path, "", c.header); a.code != c.want {
			t.Errorf("%s: %d %s", c.says, a.code, a.text)
		}
	}
	h := r.send("GET", "/", "").header
	for name, part := range map[string]string{
		"Content-Security-Policy": "script-src 'self'", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "X-Frame-Options": "DENY",
	} {
		if !strings.Contains(h.Get(name), part) {
			t.Errorf("%s: %q", name, h.Get(name))
		}
	}
	if strings.Contains(h.Get("Content-Security-Policy"), "unsafe") {
		t.Error("the policy allows script or style in the page")
	}
}
