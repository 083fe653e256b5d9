package main

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// TestServeHasTheCourse: the panel of the daemon goes through a part, the wall's stop is told to it, and the record lies where a start looks for it.
func TestServeHasTheCourse(t *testing.T) {
	dir := t.TempDir()
	try(t, func(t *trial) {
		p, wall := daemon(t, dir, "")
		base := ""
		look := time.NewTicker(50 * time.Millisecond)
		defer look.Stop()
		for base == "" {
			if m := regexp.MustCompile(`address=(http://\S+)`).FindStringSubmatch(p.output()); m != nil {
				base = m[1] + "/api/v1/installation"
			}
			<-look.C
		}
		send := func(method, path, body string) string {
			r, err := http.NewRequest(method, base+path, strings.NewReader(body))
			if err != nil {
				t.Fatalf("%v", err)
			}
			r.Header.Set("Content-Type", "application/json")
			reply, err := http.DefaultClient.Do(r)
			if err != nil {
				t.Fatalf("%v", err)
			}
			defer reply.Body.Close()
			text, err := io.ReadAll(reply.Body)
			if err != nil || reply.StatusCode/100 != 2 {
				t.Fatalf("%s %s: %d %s %v", method, path, reply.StatusCode, text, err)
			}
			return string(text)
		}
		until := func(what string) string {
			for end := time.After(patience); ; {
				if text := send("GET", "", ""); strings.Contains(text, what) {
					return text
				}
				select {
				case <-end:
					t.Fatalf("%s did not come: %s", what, send("GET", "", ""))
				case <-look.C:
				}
			}
		}
		now := func() string { // what somebody saw, who presses at once
			reply, err := http.Get(strings.TrimSuffix(base, "/installation") + "/status")
			if err != nil {
				t.Fatalf("%v", err)
			}
			defer reply.Body.Close()
			text, err := io.ReadAll(reply.Body)
			if err != nil {
				t.Fatalf("%v", err)
			}
			return `,"at_ms":` + regexp.MustCompile(`"at_ms":\s*(\d+)`).FindStringSubmatch(string(text))[1] + "}"
		}
		send("POST", "/begin", `{"part":"stop"`+now())
		id := regexp.MustCompile(`"id":"(\w+-stop-\d+)"`).FindStringSubmatch(until(`"question":{`))[1]
		send("POST", "/answer", `{"question":"`+id+`","answer":"yes"`+now())
		for _, step := range [][2]string{{"Press the stop button, and hold it.", "stop press"}, {"Release it.", "stop release"}, {"Take one of its wires off", "stop open"}, {"Put the wire back", "stop release"}} {
			until(step[0])
			wall.do(step[1])
		}
		if text := until(`"last":{"part":"stop"`); !strings.Contains(text, `"last":{"part":"stop","title":"The stop button and its wire","verdict":"passed"`) {
			t.Fatalf("%s", text)
		}
		if _, err := os.Stat(filepath.Join(dir, "store", "commissioning", "course.json")); err != nil {
			t.Errorf("%v", err)
		}
	})
}
