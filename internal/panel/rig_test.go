package panel

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/logbook"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// rig is a panel over a simulated flume, on a port of its own.
type rig struct {
	t        testing.TB
	panel    *Panel
	seq      *sequencer.Sequencer
	drive    *drive.Drive
	book     *logbook.Logbook
	settings *settings.Settings
	base     string // http://127.0.0.1:…
	sessions string
	state    string
	token    string // sent with every request, where there is one

	transport http.RoundTripper // nil for the usual one

	mu    sync.Mutex
	ticks []time.Time // ends of ticks
}

// options are what a test wants otherwise than usual.
type options struct {
	rate      int
	code      string
	startFrom string
	state     string
	store     *store.Store
	people    string // configuration in place of the default
	notices   func() []fault.Fault
	course    bool // the installer's, with a simulated wall where the configuration has one

	certificate, key string
}

func newRig(t testing.TB, o options) *rig {
	t.Helper()
	s, err := settings.Parse("test.toml", []byte(o.people), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	if o.startFrom != "" {
		s.StartFrom = o.startFrom
	}
	s.Certificate, s.Key = o.certificate, o.key
	r := &rig{t: t, settings: s, sessions: t.TempDir(), state: o.state}
	if r.state == "" {
		r.state = t.TempDir()
	}
	if o.code != "" {
		if err := SetCode(r.state, o.code); err != nil {
			t.Fatal(err)
		}
	}
	if one, ok := t.(*trial); ok {
		one.rigs = append(one.rigs, r)
	}
	back, err := simulated.New(s.Drive.Simulated)
	if err != nil {
		t.Fatal(err)
	}
	r.drive = drive.New(back, drive.Config{Model: s.Model})
	planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(settings.Person{}))
	if err != nil {
		t.Fatal(err)
	}
	r.seq = sequencer.New(sequencer.Config{Drive: r.drive, Model: s.Model, Planner: planner, Safety: guardFor(s, settings.Person{}), Inline: true, Alive: r.alive, Events: r.record(o.store), Wall: r.wall(o.course)}, max(o.rate, 1))
	r.panel, err = New(Config{
		Sequencer: r.seq, Settings: s, Demos: config.Sessions, Sessions: r.sessions, State: r.state, Version: "sequencerd test", Store: o.store, Notices: o.notices, Course: r.course(o.course, back),
		Refresh: 250 * time.Millisecond / time.Duration(max(o.rate, 1)),
		Lay: func(session *schedule.Session, who string) (rehearse.Input, error) {
			return layFor(s, o.store, session, who)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.base = "http://" + l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	ends := make(chan error, 2)
	go func() { ends <- r.seq.Run(ctx) }()
	go func() { ends <- r.panel.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		for range 2 {
			if err := <-ends; err != nil {
				t.Errorf("ended with %v", err)
			}
		}
	})
	r.until("the first snapshot", func(s *status) bool { return s.Seq > 20 })
	return r
}

// record keeps what is swum in a store until the test is over, as the program does; nil where there is none.
func (r *rig) record(s *store.Store) chan<- sequencer.Event {
	if s == nil {
		return nil
	}
	events := make(chan sequencer.Event, logbook.Room)
	r.book = logbook.New(logbook.Config{Store: s, Events: events, Simulated: true})
	ctx, cancel := context.WithCancel(context.Background())
	end := make(chan error)
	go func() { end <- r.book.Run(ctx) }()
	r.t.Cleanup(func() {
		cancel()
		if err := <-end; err != nil {
			r.t.Errorf("the logbook ended with %v", err)
		}
	})
	return events
}

// alive is called by the loop at the end of each tick.
func (r *rig) alive() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ticks = append(r.ticks, time.Now())
}

// guardFor and layFor are what the program wires.
func guardFor(s *settings.Settings, p settings.Person) safety.Config {
	return safety.Config{
		Cap: s.Ceiling(p), MaxAccel: units.MetresPerSecond2(0.11), IdleShutoff: s.Safety.IdleShutoff, LongestSwim: s.Safety.LongestSwim, SoftTime: 40 * time.Second,
	}
}

func layFor(s *settings.Settings, st *store.Store, session *schedule.Session, who string) (in rehearse.Input, err error) {
	person, _, err := roster.Find(s, st, who)
	if err != nil {
		return in, err
	}
	planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(person))
	if err != nil {
		return in, err
	}
	in = rehearse.Input{Threshold: person.Threshold, Model: s.Model, Safety: guardFor(s, person), Simulated: s.Drive.Simulated}
	in.Plan, in.Remarks, err = run.NewPlan(session, person.Name, person.Threshold, planner)
	var cannot ramp.PlanErrors
	if errors.As(err, &cannot) {
		var ps fault.Problems
		for _, e := range cannot {
			ps = append(ps, session.Problem(e.Step, e.Text))
		}
		return in, ps.Sorted()
	}
	return in, err
}

// reply is an answer as it came.
type reply struct {
	code   int
	header http.Header
	text   string
}

// send makes one request; headers are "Name: value".
func (r *rig) send(method, path, body string, headers ...string) reply {
	r.t.Helper()
	req, err := http.NewRequest(method, r.base+path, strings.NewReader(body))
	if err != nil {
		r.t.Fatal(err)
	}
	if body != "" && method == "POST" {
		req.Header.Set("Content-Type", "application/json")
	}
	if r.token != "" {
		req.Header.Set("Authorization", "Bearer "+r.token)
	}
	for _, h := range headers {
		k, v, _ := strings.Cut(h, ": ")
		req.Header.Set(k, v)
		if k == "Host" {
			req.Host = v
		}
	}
	resp, err := (&http.Client{Transport: r.transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return reply{resp.StatusCode, resp.Header, string(text)}
}

func (r *rig) status() *status {
	r.t.Helper()
	a := r.send("GET", "/api/v1/status", "")
	st := new(status)
	if err := json.Unmarshal([]byte(a.text), st); err != nil {
		r.t.Fatalf("%v in %s", err, a.text)
	}
	return st
}

// do gives a command with what is seen just now, and more keys as JSON.
func (r *rig) do(what, more string) reply {
	r.t.Helper()
	return r.as(r.status(), what, more)
}

// as gives a command with what was seen then.
func (r *rig) as(st *status, what, more string) reply {
	r.t.Helper()
	seen, _ := json.Marshal(map[string]any{"swim_id": st.Swim, "seq": st.Seq, "at_ms": st.At})
	if more != "" {
		more = "," + more
	}
	return r.send("POST", "/api/v1/"+what, `{"seen":`+string(seen)+more+`}`)
}

func (r *rig) must(a reply) reply {
	r.t.Helper()
	if a.code/100 != 2 {
		r.t.Fatalf("refused with %d: %s", a.code, a.text)
	}
	return a
}

// until looks at the sequencer at every snapshot until something is so.
func (r *rig) until(what string, so func(*status) bool) *status {
	r.t.Helper()
	within := time.After(60 * time.Second)
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	for {
		snap, changed := r.seq.Snapshot()
		st := r.panel.describe(&snap)
		if so(st) {
			return st
		}
		select {
		case <-within:
			r.t.Fatalf("%s did not come: %+v", what, st)
		case <-changed:
		case <-again.C:
		}
	}
}

func (r *rig) untilState(s run.State) *status {
	r.t.Helper()
	return r.until(s.String(), func(st *status) bool { return st.State == s.String() })
}

// code is a problem's code; empty where the answer is none.
func (a reply) problem() (p problem) {
	json.Unmarshal([]byte(a.text), &p)
	return p
}

// waitFor looks again and again until something is so.
func waitFor(t testing.TB, what string, so func() bool) {
	t.Helper()
	within := time.After(60 * time.Second)
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	for !so() {
		select {
		case <-within:
			t.Fatalf("%s did not come", what)
		case <-again.C:
		}
	}
}
