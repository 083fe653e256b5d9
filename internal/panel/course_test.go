package panel

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
)

const simulatedWall = "[wall]\nsimulated = true\n"

// courseState is what the page is told.
func (r *rig) courseState() (st struct {
	Mark  string
	Going *struct {
		Part     string
		Question *struct{ ID, Text string }
	}
	Last    *struct{ Part, Verdict, Why string }
	Reports []string
}) {
	r.t.Helper()
	a := r.must(r.send("GET", "/api/v1/installation", ""))
	if err := json.Unmarshal([]byte(a.text), &st); err != nil {
		r.t.Fatal(err)
	}
	return st
}

func (r *rig) asks(begin string) (id string) {
	r.t.Helper()
	patiently(r.t, begin, func() bool {
		g := r.courseState().Going
		if g == nil || g.Question == nil || !strings.HasPrefix(g.Question.Text, begin) {
			return false
		}
		id = g.Question.ID
		return true
	})
	return id
}

// ago is a moment so long ago, as the status has it.
func (r *rig) ago(d time.Duration) string {
	snap, _ := r.seq.Snapshot()
	return strconv.FormatInt((snap.At - d).Milliseconds(), 10)
}

// TestTheCourseByHand: what is refused, with which code, and what is taken.
func TestTheCourseByHand(t *testing.T) {
	r := newRig(t, options{course: true, people: simulatedWall})
	post := func(what, body string, headers ...string) reply {
		return r.send("POST", "/api/v1/installation/"+what, strings.Replace(body, `{"`, `{"at_ms":`+r.ago(0)+`,"`, 1), headers...)
	}
	for _, c := range []struct {
		name, what, body string
		headers          []string
		status           int
		code             fault.Code
	}{
		{"a part that is none", "begin", `{"part":"relais"}`, nil, 404, fault.NoSuchPage},
		{"no part", "begin", `{"part":""}`, nil, 404, fault.NoSuchPage},
		{"something else", "jog", `{}`, nil, 404, fault.NoSuchPage},
		{"no JSON", "begin", `part=stop`, nil, 400, fault.NotUnderstood},
		{"another kind of text", "begin", `{"part":"stop"}`, []string{"Content-Type: text/plain"}, 415, fault.WrongType},
		{"an unknown key", "begin", `{"part":"board","rpm":900}`, nil, 400, fault.NotUnderstood},
		{"two objects", "begin", `{"part":"board"}{}`, nil, 400, fault.NotUnderstood},
		{"a number for a name", "begin", `{"part":7}`, nil, 400, fault.NotUnderstood},
		{"too much text", "begin", `{"part":"` + strings.Repeat("x", 20<<10) + `"}`, nil, 413, fault.TooLarge},
		{"a page of another site", "begin", `{"part":"board"}`, []string{"Sec-Fetch-Site: cross-site"}, 403, fault.OtherSite},
		{"an answer to nothing", "answer", `{"question":"x","answer":"yes"}`, nil, 409, fault.Stale},
		{"a record of nothing", "record", ``, nil, 409, fault.NoCourse},
		{"leaving nothing", "leave", ``, nil, 200, ""},
		{"a long answer", "answer", `{"question":"x","answer":"` + strings.Repeat("x", 1001) + `"}`, nil, 400, fault.NotUnderstood},
	} {
		if a := post(c.what, c.body, c.headers...); a.code != c.status || a.problem().Code != string(c.code) {
			t.Errorf("%s: %d %s", c.name, a.code, a.text)
		}
	}
	patiently(t, "five seconds", func() bool { snap, _ := r.seq.Snapshot(); return snap.At > 5*time.Second })
	for name, body := range map[string]string{"seen 4 s ago": `{"part":"board","at_ms":` + r.ago(4*time.Second) + `}`, "seen in another life": `{"part":"board","at_ms":` + r.ago(-time.Hour) + `}`} {
		if a := r.send("POST", "/api/v1/installation/begin", body); a.code != 409 || a.problem().Code != string(fault.Stale) {
			t.Errorf("%s: %d %s", name, a.code, a.text)
		}
	}
	if a := r.send("POST", "/api/v1/installation/begin", `{"part":"board"}`); a.code != 400 {
		t.Errorf("nothing seen: %d %s", a.code, a.text)
	}
	if r.courseState().Going != nil {
		t.Fatal("a part is under way that nobody began")
	}
	r.must(post("begin", `{"part":"board"}`))
	if a := post("begin", `{"part":"stop"}`); a.code != 409 || a.problem().Code != string(fault.PartUnderWay) {
		t.Errorf("a second part: %d %s", a.code, a.text)
	}
	for _, c := range [][2]string{{"Your name", "<b>Odile</b>\u0000 Farrow"}, {"The licensed", "Bram Hesketh"}} {
		r.must(post("answer", `{"question":"`+r.asks(c[0])+`","answer":`+string(must(json.Marshal(c[1])))+`}`))
	}
	late := `{"question":"` + r.asks("Is") + `","answer":"yes","at_ms":` + r.ago(4*time.Second) + `}`
	if a := r.send("POST", "/api/v1/installation/answer", late); a.code != 409 || a.problem().Code != string(fault.Stale) {
		t.Errorf("an answer that comes late: %d %s", a.code, a.text)
	}
	last := ""
	patiently(t, "the end", func() bool {
		g := r.courseState().Going
		if g != nil && g.Question != nil && g.Question.ID != last {
			last = g.Question.ID
			r.must(post("answer", `{"question":"`+last+`","answer":"yes"}`))
		}
		return g == nil
	})
	st := r.courseState()
	if st.Last.Part != "board" || st.Last.Verdict == "left" {
		t.Fatalf("it ended so: %+v", st.Last)
	}
	if a := r.send("GET", "/api/v1/installation?mark="+st.Mark, ""); a.code != http.StatusNoContent {
		t.Errorf("the same again: %d", a.code)
	}
	a := r.must(post("record", ""))
	name := r.courseState().Reports[0]
	if !strings.Contains(a.text, name) {
		t.Errorf("the record is called %s, and listed as %s", a.text, name)
	}
	page := r.must(r.send("GET", "/installation/records/"+name+".html", ""))
	if csp := page.header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "script") {
		t.Errorf("the record may do %s", csp)
	}
	if !strings.Contains(page.text, "&lt;b&gt;Odile&lt;/b&gt;  Farrow") || !strings.Contains(page.text, "SIMULATED") {
		t.Error("what was typed is not in the record as text, or it does not say that it is simulated")
	}
	if data := r.must(r.send("GET", "/installation/records/"+name+".json", "")); data.header.Get("Content-Type") != "application/json" {
		t.Errorf("the JSON is %v", data.header)
	}
	for _, other := range []string{"course.json", "access.json", "..%2faccess.json", name, ".html", "x.html"} {
		if a := r.send("GET", "/installation/records/"+other, ""); a.code != 404 {
			t.Errorf("%s: %d", other, a.code)
		}
	}
}

// patiently is waitFor, no more often than the panel lets one ask.
func patiently(t testing.TB, what string, so func() bool) {
	t.Helper()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	waitFor(t, what, func() bool { <-again.C; return so() })
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// TestTheCourseOnlyFromWhereAStartIs: who is not paired sees nothing; who may not start water begins and answers nothing, but may look, leave and stop.
func TestTheCourseOnlyFromWhereAStartIs(t *testing.T) {
	const code = "otter-42"
	r := newRig(t, options{course: true, people: simulatedWall, code: code})
	for _, c := range [][2]string{{"GET", "/api/v1/installation"}, {"GET", "/installation/course"}, {"GET", "/installation/records/x.html"}, {"POST", "/api/v1/installation/begin"}, {"POST", "/api/v1/installation/answer"}, {"POST", "/api/v1/installation/leave"}, {"POST", "/api/v1/installation/record"}} {
		if a := r.send(c[0], c[1], ""); a.code != 403 || a.problem().Code != string(fault.CodeNeeded) {
			t.Errorf("%s %s without a code: %d", c[0], c[1], a.code)
		}
	}
	var paired struct{ Token string }
	if err := json.Unmarshal([]byte(r.must(r.send("POST", "/api/v1/pair", `{"code":"`+code+`","device":"Phone"}`)).text), &paired); err != nil {
		t.Fatal(err)
	}
	r.token = paired.Token
	const far = "X-Forwarded-For: 192.0.2.7" // as through something that passes on
	for _, from := range []struct {
		start string
		near  bool
		may   bool
	}{{"loopback", true, true}, {"loopback", false, false}, {"paired", false, true}, {"nowhere", true, false}} {
		r.settings.StartFrom = from.start
		var headers []string
		if !from.near {
			headers = []string{far}
		}
		begin := r.send("POST", "/api/v1/installation/begin", `{"part":"board","at_ms":`+r.ago(0)+`}`, headers...)
		answer := r.send("POST", "/api/v1/installation/answer", `{"question":"x","answer":"yes","at_ms":`+r.ago(0)+`}`, headers...)
		if may := begin.code == 200 && answer.code == 409; may != from.may {
			t.Errorf("%+v: begin %d %s, answer %d", from, begin.code, begin.text, answer.code)
		}
		if !from.may && (begin.problem().Code != string(fault.CourseNotHere) || answer.problem().Code != string(fault.CourseNotHere)) {
			t.Errorf("%+v: %s, %s", from, begin.text, answer.text)
		}
		r.must(r.send("GET", "/api/v1/installation", "", headers...))
		r.must(r.send("POST", "/api/v1/installation/leave", "", headers...))
		patiently(t, "the end", func() bool { return r.courseState().Going == nil })
	}
	r.token = ""
	r.must(r.send("POST", "/api/v1/stop", "")) // whoever can reach the flume may stop it
}

// TestNoCourseNoAddress: a panel without a course has none of its pages.
func TestNoCourseNoAddress(t *testing.T) {
	r := newRig(t, options{})
	for _, path := range []string{"/api/v1/installation", "/installation/course", "/installation/records/x.html"} {
		if a := r.send("GET", path, ""); a.code != 404 {
			t.Errorf("%s: %d", path, a.code)
		}
	}
	if a := r.send("GET", "/installation", "", "Accept: text/html"); a.code != 200 || strings.Contains(a.text, "/installation/course") {
		t.Errorf("the installation page: %d, with a way to a course that is not there", a.code)
	}
}

// Whatever is sent to the course, nothing answers with 500 or falls over, and of its folder nothing is given but records.
func FuzzCourse(f *testing.F) {
	r := newRig(f, options{course: true, people: simulatedWall})
	h := r.panel.handler
	for i := range uint8(5) {
		f.Add(i, "application/json", []byte(`{"part":"board"}`))
		f.Add(i, "application/json", []byte(`{"question":"","answer":"yes","at_ms":0}`))
		f.Add(i, "", []byte("\x00\xff{"))
	}
	var who passersBy
	f.Fuzz(func(t *testing.T, which uint8, kind string, body []byte) {
		path := []string{"begin", "answer", "leave", "record", "%2e%2e"}[which%5]
		req := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/installation/"+path, strings.NewReader(string(body)))
		req.RemoteAddr = who.next()
		if utf8.ValidString(kind) {
			req.Header.Set("Content-Type", kind)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code >= 500 || w.Code < 200 {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
		req = httptest.NewRequest("GET", "http://127.0.0.1/", nil)
		req.URL.Path = "/installation/records/" + string(body) // as it is once the escapes are gone
		req.RemoteAddr = who.next()
		w = httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if name := string(body); w.Code >= 500 || w.Code == 200 && (strings.ContainsAny(name, "/\\") || !strings.HasSuffix(name, ".html") && !strings.HasSuffix(name, ".json")) {
			t.Errorf("the record %q: %d %s", name, w.Code, w.Body)
		}
	})
}
