package panel

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
)

// A session is laid out, reset, started and swum to its end through the API alone, at a rate.
func TestSwimThroughTheAPI(t *testing.T) { onRealTime(t, swimSwimThroughTheAPI) }

func swimSwimThroughTheAPI(t testing.TB) {
	r := newRig(t, options{rate: 40})
	if st := r.status(); st.State != "stopped" || st.Reason != "not-reset" {
		t.Errorf("after the start of the program it is %s for %q", st.State, st.Reason)
	}
	r.must(r.do("lay-out", `"session":"first-swim","swimmer":"Maren Tolliver"`))
	st := r.until("laid out", func(s *status) bool { return s.Session == "first-swim" })
	if st.Title != "First swim" || st.Swimmer != "Maren Tolliver" || st.Blocks != 5 || st.State != "stopped" || st.Next == nil || st.Next.Name != "Ease in" {
		t.Errorf("laid out: %+v", st)
	}
	r.must(r.do("reset", ""))
	r.untilState(run.Ready)
	r.must(r.do("start", ""))
	if st := r.untilState(run.CountIn); st.CountIn <= 0 || st.CountIn > 30 || st.Swim != 1 {
		t.Errorf("counting in: %+v", st)
	}
	st = r.until("moving water", func(s *status) bool { return s.State == "running" && s.Pace != nil })
	if st.Now == nil || st.Now.Name != "Ease in" || !st.Moves || !st.Simulated || st.Place == nil {
		t.Errorf("running: %+v", st)
	}
	st = r.untilState(run.Finished)
	if st.Block != st.Blocks || st.Distance < 70 {
		t.Errorf("finished: %+v", st)
	}
	var c curve
	if err := json.Unmarshal([]byte(r.send("GET", "/api/v1/plan", "").text), &c); err != nil {
		t.Fatal(err)
	}
	swum := 0
	for _, v := range c.Swum {
		if v != nil {
			swum++
		}
	}
	if len(c.Speeds) != points+1 || len(c.Swum) != points+1 || swum < points*8/10 || len(c.Blocks) != 5 {
		t.Errorf("the curve has %d speeds, %d delivered and %d blocks", len(c.Speeds), swum, len(c.Blocks))
	}
}

// Every call with right and wrong input, each row a sentence. A route without a row of each kind is a failure.
func TestEveryCall(t *testing.T) {
	r := newRig(t, options{store: aSwim(t)})
	seen := newCovered(t)
	const nell = "/api/v1/swimmers/Nell%20Brook"
	good := "format = 1\ntitle = \"Mine\"\nunit = \"m\"\n[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n"
	long := strings.Repeat("#", mostText+1)
	for _, c := range []struct {
		says, method, path, body string
		want                     int
		code                     fault.Code
	}{
		{"status is open to read", "GET", "/api/v1/status", "", 200, ""},
		{"status is not written", "PUT", "/api/v1/status", "", 405, fault.WrongMethod},
		{"nothing is there", "GET", "/api/v1/nothing", "", 404, fault.NoSuchPage},
		{"no such command", "POST", "/api/v1/faster", `{}`, 404, fault.NoSuchPage},
		{"no such page", "GET", "/nothing", "", 404, fault.NoSuchPage},
		{"a command without what was seen", "POST", "/api/v1/pause", `{}`, 400, fault.NotUnderstood},
		{"a command without a body", "POST", "/api/v1/pause", ``, 400, fault.NotUnderstood},
		{"half of what was seen", "POST", "/api/v1/pause", `{"seen":{"swim_id":0}}`, 400, fault.NotUnderstood},
		{"not JSON", "POST", "/api/v1/pause", `pause!`, 400, fault.NotUnderstood},
		{"two JSON texts", "POST", "/api/v1/pause", `{} {}`, 400, fault.NotUnderstood},
		{"a key that is none", "POST", "/api/v1/pause", `{"sean":{}}`, 400, fault.NotUnderstood},
		{"a number that is text", "POST", "/api/v1/pause", `{"seen":{"swim_id":"0","seq":1,"at_ms":1}}`, 400, fault.NotUnderstood},
		{"a body too large", "POST", "/api/v1/pause", `{"pace":"` + strings.Repeat("1", mostBody) + `"}`, 413, fault.TooLarge},
		{"a pause while stopped", "POST", "/api/v1/pause", "SEEN", 409, fault.NotNowCode},
		{"a start while stopped", "POST", "/api/v1/start", "SEEN", 409, fault.NotNowCode},
		{"a lay-out without a session", "POST", "/api/v1/lay-out", "SEEN", 400, fault.NotUnderstood},
		{"a lay-out of what is not there", "POST", "/api/v1/lay-out", `SEEN "session":"nope"`, 404, fault.NoSuchSession},
		{"a lay-out of a path", "POST", "/api/v1/lay-out", `SEEN "session":"../access"`, 400, fault.SessionName},
		{"a lay-out for nobody we know", "POST", "/api/v1/lay-out", `SEEN "session":"first-swim","swimmer":"Nobody"`, 404, fault.NoSuchSwimmer},
		{"a session that needs a threshold", "POST", "/api/v1/lay-out", `SEEN "session":"over-and-under"`, 422, fault.BadSession},
		{"a lay-out with the file's ending", "POST", "/api/v1/lay-out", `SEEN "session":"first-swim.toml"`, 200, ""},
		{"a swimmer without a name", "POST", "/api/v1/swimmer", "SEEN", 400, fault.NotUnderstood},
		{"another swimmer", "POST", "/api/v1/swimmer", `SEEN "swimmer":"Ida Quill"`, 200, ""},
		{"steady without a pace", "POST", "/api/v1/steady", "SEEN", 400, fault.NotUnderstood},
		{"steady at no pace", "POST", "/api/v1/steady", `SEEN "pace":"fast"`, 400, fault.NotUnderstood},
		{"steady while stopped", "POST", "/api/v1/steady", `SEEN "pace":"2:00/100m"`, 409, fault.NotNowCode},
		{"a nudge by nothing", "POST", "/api/v1/nudge", `SEEN "s_per_100":0`, 400, fault.NotUnderstood},
		{"a nudge too far", "POST", "/api/v1/nudge", `SEEN "s_per_100":1e300`, 400, fault.NotUnderstood},
		{"a nudge while stopped", "POST", "/api/v1/nudge", `SEEN "s_per_100":-1`, 409, fault.NotNowCode},
		{"stop needs nothing", "POST", "/api/v1/stop", "", 200, ""},
		{"stop minds no nonsense", "POST", "/api/v1/stop", "}{", 200, ""},
		{"stop is not read", "GET", "/api/v1/stop", "", 405, fault.WrongMethod},
		{"the list", "GET", "/api/v1/sessions", "", 200, ""},
		{"a demo", "GET", "/api/v1/sessions/first-swim", "", 200, ""},
		{"a session that is not there", "GET", "/api/v1/sessions/nope", "", 404, fault.NoSuchSession},
		{"a name with a dot", "GET", "/api/v1/sessions/..%2fx", "", 400, fault.SessionName},
		{"a session is kept", "PUT", "/api/v1/sessions/mine", good, 201, ""},
		{"and kept again", "PUT", "/api/v1/sessions/mine", good, 204, ""},
		{"and read", "GET", "/api/v1/sessions/mine", "", 200, ""},
		{"a demo is not written over", "PUT", "/api/v1/sessions/first-swim", good, 403, fault.DemoSession},
		{"a demo is not deleted", "DELETE", "/api/v1/sessions/first-swim", "", 403, fault.DemoSession},
		{"a session with mistakes", "PUT", "/api/v1/sessions/bad", "format = 1\ntitel = \"x\"\n", 422, fault.BadSession},
		{"a session that is no text", "PUT", "/api/v1/sessions/bad", "\xff\xfe", 422, fault.BadSession},
		{"a session too large", "PUT", "/api/v1/sessions/bad", long, 413, fault.TooLarge},
		{"what was refused was not kept", "GET", "/api/v1/sessions/bad", "", 404, fault.NoSuchSession},
		{"a rehearsal", "POST", "/api/v1/sessions/mine/rehearse?simulate", "", 200, ""},
		{"a rehearsal for nobody we know", "POST", "/api/v1/sessions/mine/rehearse?swimmer=Nobody", "", 404, fault.NoSuchSwimmer},
		{"a session is deleted", "DELETE", "/api/v1/sessions/mine", "", 204, ""},
		{"once", "DELETE", "/api/v1/sessions/mine", "", 404, fault.NoSuchSession},
		{"a code where there is none", "POST", "/api/v1/pair", `{"code":"123456"}`, 409, fault.NoCode},
		{"devices", "GET", "/api/v1/devices", "", 200, ""},
		{"nobody's device is forgotten", "DELETE", "/api/v1/devices/x", "", 204, ""},
		{"devices are not written", "PUT", "/api/v1/devices", "", 405, fault.WrongMethod},
		{"the list is not deleted", "DELETE", "/api/v1/sessions", "", 405, fault.WrongMethod},
		{"what is laid out, as a curve", "GET", "/api/v1/plan", "", 200, ""},
		{"the curve is not written", "PUT", "/api/v1/plan", "", 405, fault.WrongMethod},
		{"events are not written", "PUT", "/api/v1/events", "", 405, fault.WrongMethod},
		{"a rehearsal of a text", "POST", "/api/v1/rehearse", good, 200, ""},
		{"a rehearsal of mistakes", "POST", "/api/v1/rehearse", "format = 1\n", 422, fault.BadSession},
		{"a rehearsal of nothing", "POST", "/api/v1/rehearse", "", 422, fault.BadSession},
		{"a rehearsal of JSON", "POST", "/api/v1/rehearse", "{}", 415, fault.WrongType},
		{"shorter", "POST", "/api/v1/scale?shorter=50", good, 200, ""},
		{"slower", "POST", "/api/v1/scale?slower=2.5", good, 200, ""},
		{"faster", "POST", "/api/v1/scale?slower=-2.5", good, 200, ""},
		{"in yards", "POST", "/api/v1/scale?unit=yd", good, 200, ""},
		{"changed in no way", "POST", "/api/v1/scale", good, 400, fault.NotUnderstood},
		{"changed in two ways", "POST", "/api/v1/scale?slower=1&unit=yd", good, 400, fault.NotUnderstood},
		{"shorter by all of it", "POST", "/api/v1/scale?shorter=100", good, 400, fault.NotUnderstood},
		{"shorter by no number", "POST", "/api/v1/scale?shorter=NaN", good, 400, fault.NotUnderstood},
		{"slower by nothing", "POST", "/api/v1/scale?slower=0", good, 400, fault.NotUnderstood},
		{"slower by too much", "POST", "/api/v1/scale?slower=61", good, 400, fault.NotUnderstood},
		{"faster than can be written", "POST", "/api/v1/scale?slower=-60", strings.Replace(good, "2:00", "0:50", 1), 422, fault.BadSession},
		{"in furlongs", "POST", "/api/v1/scale?unit=furlong", good, 400, fault.NotUnderstood},
		{"mistakes are not changed", "POST", "/api/v1/scale?slower=1", "format = 1\n", 422, fault.BadSession},
		{"somebody new", "PUT", nell, `{"unit":"m"}`, 204, ""},
		{"somebody without a name", "PUT", "/api/v1/swimmers/%20", `{"unit":"m"}`, 400, fault.NotUnderstood},
		{"somebody in furlongs", "PUT", nell, `{"unit":"furlong"}`, 400, fault.NotUnderstood},
		{"a timed swim", "POST", nell + "/swims", `{"distance":"400m","time":"5:49"}`, 204, ""},
		{"a timed swim that cannot be", "POST", nell + "/swims", `{"distance":"400m","time":"0:20"}`, 400, fault.NotUnderstood},
		{"a timed swim is taken back", "DELETE", nell + "/swims/1", "", 204, ""},
		{"once", "DELETE", nell + "/swims/1", "", 400, fault.NotUnderstood},
		{"a hold-on test without a threshold", "POST", nell + "/hold-on", `{}`, 400, fault.NotUnderstood},
		{"a threshold by hand", "POST", nell + "/threshold", `{"pace":"1:35"}`, 204, ""},
		{"a threshold that cannot be", "POST", nell + "/threshold", `{"pace":"0:10"}`, 400, fault.NotUnderstood},
		{"a hold-on test", "POST", nell + "/hold-on", `{}`, 200, ""},
		{"swimmers go out", "GET", "/api/v1/swimmers", "", 200, ""},
		{"swimmers are not deleted together", "DELETE", "/api/v1/swimmers", "", 405, fault.WrongMethod},
		{"one goes out", "GET", nell, "", 200, ""},
		{"nobody goes out", "GET", "/api/v1/swimmers/Nobody", "", 404, fault.NoSuchSwimmer},
		{"swimmers come in", "POST", "/api/v1/swimmers", `{"format":1,"swimmers":[{"name":"Ben Ford","unit":"yd","cap_mps":null,"offset_s_per_100m":0,"timed_swims":[],"thresholds":[]}]}`, 200, ""},
		{"who is here already does not come in", "POST", "/api/v1/swimmers", `{"format":1,"swimmers":[{"name":"Ben Ford","unit":"yd"}]}`, 400, fault.NotUnderstood},
		{"what is no file of swimmers does not come in", "POST", "/api/v1/swimmers", `{"swimmers":7}`, 400, fault.NotUnderstood},
		{"somebody's page", "GET", "/swimmers/Nell%20Brook", "", 200, ""},
		{"somebody is forgotten", "DELETE", nell + "?swims", "", 204, ""},
		{"once", "DELETE", nell, "", 404, fault.NoSuchSwimmer},
		{"nobody's page", "GET", "/swimmers/Nell%20Brook", "", 404, fault.NoSuchSwimmer},
		{"the deck", "GET", "/", "", 200, ""},
		{"the deck is not written", "PUT", "/", "", 405, fault.WrongMethod},
		{"pairing", "GET", "/pair", "", 200, ""},
		{"pairing is not at that address", "POST", "/pair", "", 405, fault.WrongMethod},
		{"what may be said", "GET", "/problems", "", 200, ""},
		{"that is not written", "PUT", "/problems", "", 405, fault.WrongMethod},
		{"a file of a page", "GET", "/static/page.css", "", 200, ""},
		{"no file", "GET", "/static/page.scss", "", 404, fault.NoSuchPage},
		{"the sessions", "GET", "/sessions", "", 200, ""},
		{"they are not written there", "PUT", "/sessions", "", 405, fault.WrongMethod},
		{"the editor", "GET", "/sessions/first-swim", "", 200, ""},
		{"the editor for what is not there", "GET", "/sessions/nope", "", 404, fault.NoSuchSession},
		{"the swimmers", "GET", "/swimmers", "", 200, ""},
		{"they are not written there", "PUT", "/swimmers", "", 405, fault.WrongMethod},
		{"the swims", "GET", "/swims", "", 200, ""},
		{"they are not written", "PUT", "/swims", "", 405, fault.WrongMethod},
		{"a swim", "GET", "/swims/1", "", 200, ""},
		{"a swim that was not", "GET", "/swims/99", "", 404, fault.NoSuchPage},
		{"its curve", "GET", "/api/v1/swims/1/curve", "", 200, ""},
		{"no curve", "GET", "/api/v1/swims/one/curve", "", 404, fault.NoSuchPage},
		{"the installation", "GET", "/installation", "", 200, ""},
		{"it is not written", "PUT", "/installation", "", 405, fault.WrongMethod},
		{"figures are not written", "PUT", "/metrics", "", 405, fault.WrongMethod},
		{"life is not written", "PUT", "/healthz", "", 405, fault.WrongMethod},
		{"nor readiness", "PUT", "/readyz", "", 405, fault.WrongMethod},
		{"figures", "GET", "/metrics", "", 200, ""},
		{"alive", "GET", "/healthz", "", 200, ""},
		{"ready", "GET", "/readyz", "", 200, ""},
	} {
		var a reply
		if rest, ok := strings.CutPrefix(c.body, "SEEN"); ok {
			a = r.do(strings.TrimPrefix(c.path, "/api/v1/"), strings.TrimSpace(rest))
		} else {
			var kind []string
			if strings.HasPrefix(c.body, "format") {
				kind = []string{"Content-Type: text/plain"}
			}
			a = r.send(c.method, c.path, c.body, kind...)
		}
		seen.saw(c.method, c.path, a.code)
		p := a.problem()
		if a.code != c.want || fault.Code(p.Code) != c.code {
			t.Errorf("%s: %s %s gives %d %q, want %d %q\n%s", c.says, c.method, c.path, a.code, p.Code, c.want, c.code, a.text)
		}
		if a.code >= 400 && (a.header.Get("Content-Type") != "application/problem+json" || p.Status != a.code || p.Title == "" || p.Type == "") {
			t.Errorf("%s: not problem details (RFC 9457, section 3): %s %s", c.says, a.header.Get("Content-Type"), a.text)
		}
	}
	seen.missing(t)
}

// A session with mistakes is told all of them, each at its place.
func TestMistakesInASession(t *testing.T) {
	r := newRig(t, options{})
	a := r.send("PUT", "/api/v1/sessions/bad", "format = 1\ntitle = \"Bad\"\n\n[[step]]\ntime = \"0:99\"\npace = \"2:00\"\n\n[[step]]\ndistance = -5\npace = \"x\"\n")
	var at []string
	for _, p := range a.problem().Problems {
		at = append(at, fmt.Sprintf("%d:%d", p.Line, p.Col))
	}
	if a.code != 422 || strings.Join(at, " ") != "5:1 9:1 10:1" {
		t.Errorf("got %d with mistakes at %v, want 422 with 5:1 9:1 10:1\n%s", a.code, at, a.text)
	}
}

// TestTheFlowSensorIsInTheStatus: what it shows at the reference; null without one.
func TestTheFlowSensorIsInTheStatus(t *testing.T) {
	r := newRig(t, options{})
	if text := r.must(r.send("GET", "/api/v1/status", "")).text; !strings.Contains(text, `"sensed_mps":null`) {
		t.Errorf("without a sensor: %s", text)
	}
	r = newRig(t, options{people: "[drive.simulated]\nflow_sensor = 1\n"})
	if text := r.must(r.send("GET", "/api/v1/status", "")).text; !strings.Contains(text, `"sensed_mps":0,`) {
		t.Errorf("with one, in still water: %s", text)
	}
}
