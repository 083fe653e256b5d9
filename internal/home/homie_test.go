package home

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// broker is a mosquitto of the test's own.
func broker(t *testing.T) (port string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ = net.SplitHostPort(l.Addr().String())
	l.Close()
	conf := filepath.Join(t.TempDir(), "conf")
	text := "listener " + port + " 127.0.0.1\nallow_anonymous true\npersistence false\n"
	if os.Getuid() == 0 {
		text += "user root\n"
	}
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command("mosquitto", "-c", conf)
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	for end := time.Now().Add(10 * time.Second); ; {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err == nil {
			c.Close()
			return port
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
}

// reader is mosquitto_sub, who knows nothing of us: lines of "retained topic payload".
type reader struct {
	t     *testing.T
	lines chan string
	seen  []string
}

func read(t *testing.T, port, topic string) *reader {
	c := exec.Command("mosquitto_sub", "-p", port, "-q", "1", "-t", topic, "-F", "%r %t %p")
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{t: t, lines: make(chan string, 1000)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for s := bufio.NewScanner(out); s.Scan(); {
			r.lines <- s.Text()
		}
	}()
	t.Cleanup(func() { c.Process.Kill(); <-done; c.Wait() })
	return r
}

// until waits for a line that matches.
func (r *reader) until(want string) string {
	r.t.Helper()
	over := time.After(20 * time.Second)
	for {
		select {
		case l := <-r.lines:
			r.seen = append(r.seen, l)
			if regexp.MustCompile(want).MatchString(l) {
				return l
			}
		case <-over:
			r.t.Fatalf("never read %s; read %q", want, r.seen)
		}
	}
}

func publish(t *testing.T, port string, args ...string) {
	t.Helper()
	if out, err := exec.Command("mosquitto_pub", append([]string{"-p", port}, args...)...).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub %v: %v: %s", args, err, out)
	}
}

// stage shows snapshots that a test makes.
type stage struct {
	snap atomic.Pointer[sequencer.Snapshot]
	wake atomic.Pointer[chan struct{}]
}

func (s *stage) show(snap sequencer.Snapshot) {
	s.snap.Store(&snap)
	next := make(chan struct{})
	if was := s.wake.Swap(&next); was != nil {
		close(*was)
	}
}

func (s *stage) snapshot() (sequencer.Snapshot, <-chan struct{}) {
	w := *s.wake.Load()
	return *s.snap.Load(), w
}

func swimming() (s sequencer.Snapshot) {
	s.State, s.Simulated, s.Title, s.Swimmer = run.Running, true, "Over and under", "Una Pike"
	s.Water, s.Wish.Speed = units.MetresPerSecond(0.9), units.MetresPerSecond(1)
	s.Now.Name, s.ForecastLeft, s.Elapsed, s.Distance = "Main", 3725*time.Second, 100*time.Second, units.Metres(123.9)
	return s
}

// serve runs a home against a broker; end ends it in good order.
func serve(t *testing.T, port string, names bool) (st *stage, stops chan struct{}, end func()) {
	st, stops = &stage{}, make(chan struct{}, 100)
	st.show(swimming())
	h := New(Config{
		Flume: "Otterford Mill", Snapshot: st.snapshot, Stop: func() { stops <- struct{}{} },
		Settings: settings.Home{Homie: settings.Homie{Broker: "mqtt://127.0.0.1:" + port, Names: names}},
	})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	return st, stops, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

const ours = "homie/5/otterford-mill/"

// The topics, datatypes and rules are those of the Homie convention, read in its repository in a draft of version 5 (base topic, $state, $description, set,
// last will, empty strings); nodes and properties as objects by their ids as on the convention's front page; $target and $alert as noted from the
// development branch of October 2024, not seen in a release.
func TestStatusByTheHomieConvention(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_sub", "mosquitto_pub") {
		return
	}
	port := broker(t)
	// What a former life has left: an alert that is over, and a set that somebody had the broker keep.
	publish(t, port, "-r", "-t", ours+"$alert/link-lost", "-m", "old")
	publish(t, port, "-r", "-t", ours+"flume/stop/set", "-m", "stop")
	live := read(t, port, ours+"#")
	live.until("alert/link-lost old")
	st, stops, end := serve(t, port, false)
	live.until(`\$state init`)
	live.until(`\$state ready`)

	// A newcomer reads what the broker keeps: everything, and marked as kept.
	kept := read(t, port, ours+"#")
	values := map[string]string{}
	for len(values) < 13 {
		l := strings.SplitN(kept.until("^1 "+regexp.QuoteMeta(ours)), " ", 3)
		values[strings.TrimPrefix(l[1], ours)] = l[2]
	}
	for topic, want := range map[string]string{
		"$state": "ready", "flume/state": "running", "flume/simulated": "true", "water/speed": "0.9", "water/speed/$target": "1", "water/pace": "PT1M51S",
		"swim/session": "Over and under", "swim/block": "Main", "swim/remaining": "PT1H2M5S", "swim/elapsed": "PT1M40S", "swim/distance": "123",
	} {
		if values[topic] != want {
			t.Errorf("%s is %q, want %q", topic, values[topic], want)
		}
	}
	if v, ok := values["$alert/link-lost"]; ok {
		t.Errorf("an alert of a former life is kept: %q", v)
	}
	description(t, values["$description"])
	for topic, v := range values {
		if strings.Contains(v, "Pike") {
			t.Errorf("%s tells the swimmer's name: %s", topic, v)
		}
	}

	// Alerts come and go; the text is the one that everybody else reads.
	s := swimming()
	s.Why, s.Level = fault.NobodySeen, 2
	st.show(s)
	live.until(`\$alert/nobody-seen ` + regexp.QuoteMeta(fault.Of(fault.NobodySeen).Text()))
	st.show(swimming())
	live.until(`\$alert/nobody-seen $`)

	// A set that the broker kept is no stop, nor is one of anything else; a fresh stop is, and comes through although the others came before it.
	for _, topic := range []string{"water/speed/set", "flume/state/set", "swim/session/set", "flume/start/set", "$state/set"} {
		publish(t, port, "-t", ours+topic, "-m", "2.0")
	}
	publish(t, port, "-t", ours+"water/speed", "-m", "2.0")
	select {
	case <-stops:
		t.Error("something other than a stop, or a kept one, has stopped the water")
	default:
	}
	publish(t, port, "-t", ours+"flume/stop/set", "-m", "stop")
	select {
	case <-stops:
	case <-time.After(10 * time.Second):
		t.Error("a stop was not handed on")
	}
	select {
	case <-stops:
		t.Error("one stop was handed on twice: the other is a set that the broker had kept, or of something else")
	default:
	}
	end()
	live.until(`\$state disconnected`)
}

func description(t *testing.T, text string) {
	var d struct {
		Homie   string
		Version int64
		Name    string
		Nodes   map[string]struct {
			Name       string
			Properties map[string]struct {
				Name, Datatype, Format, Unit string
				Settable                     bool
				Retained                     *bool
			}
		}
	}
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatalf("$description: %v in %s", err, text)
	}
	if d.Homie != "5.0" || d.Version <= 0 || d.Name != "Otterford Mill" {
		t.Errorf("$description: %s", text)
	}
	id := regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`)
	datatypes := "integer float boolean string enum color datetime duration json"
	for n, node := range d.Nodes {
		for p, prop := range node.Properties {
			if !id.MatchString(n) || !id.MatchString(p) || node.Name == "" || prop.Name == "" || !strings.Contains(datatypes, prop.Datatype) {
				t.Errorf("%s/%s is not as the convention has it: %+v", n, p, prop)
			}
			if stop := n+"/"+p == "flume/stop"; prop.Settable != stop || (prop.Retained != nil) != stop {
				t.Errorf("%s/%s: settable %v; a stop alone can be set, and is never kept", n, p, prop.Settable)
			}
		}
	}
	var all []string
	for s := run.Stopped; s <= run.Finished; s++ {
		all = append(all, s.String())
	}
	if f := d.Nodes["flume"].Properties["state"].Format; f != strings.Join(all, ",") {
		t.Errorf("the states told are %s, and those of a swim %v", f, all)
	}
}

func TestASwimmersNameIsToldWhereItIsAllowed(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_sub") {
		return
	}
	port := broker(t)
	live := read(t, port, ours+"#")
	_, _, end := serve(t, port, true)
	live.until("swim/swimmer Una Pike")
	end()
}

// A program that dies is lost: the broker says so for it. The program is this test's own, killed.
func TestAProgramThatDiesIsLost(t *testing.T) {
	if at := os.Getenv("HOME_TEST_DIES"); at != "" {
		st, _, _ := serve(t, at, false)
		_ = st
		select {}
	}
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_sub") {
		return
	}
	port := broker(t)
	live := read(t, port, ours+"$state")
	c := exec.Command(os.Args[0], "-test.run=^TestAProgramThatDiesIsLost$")
	c.Env = append(os.Environ(), "HOME_TEST_DIES="+port)
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	live.until("ready")
	c.Process.Kill()
	c.Wait()
	live.until("lost")
	if l := read(t, port, ours+"$state").until(""); l != fmt.Sprintf("1 %s$state lost", ours) {
		t.Errorf("the broker keeps %q", l)
	}
}

// ISO 8601-1:2019, 5.5.2: durations with designators.
func TestDurations(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "PT0S", -time.Second: "PT0S", 59600 * time.Millisecond: "PT1M", time.Minute + 40*time.Second: "PT1M40S", time.Hour: "PT1H", 3723 * time.Second: "PT1H2M3S",
	} {
		if got := duration(d); got != want {
			t.Errorf("%v is %s, want %s", d, got, want)
		}
	}
}

func TestLabels(t *testing.T) {
	for words, want := range map[string]string{
		"Otterford Mill": "otterford-mill", "  St. Ann's (east) ": "st-ann-s-east", "Ω": "flume", strings.Repeat("a", 80): strings.Repeat("a", 50), "3rd": "3rd",
	} {
		if got := Label(words); got != want {
			t.Errorf("%q is %q, want %q", words, got, want)
		}
	}
}
