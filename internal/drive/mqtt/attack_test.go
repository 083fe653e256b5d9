package mqtt

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// speaker is somebody on the broker who says what it likes, and hears what the node says.
type speaker struct {
	*link
	mu     sync.Mutex
	states []state
}

func newSpeaker(t testing.TB, b Broker, id string) *speaker {
	t.Helper()
	b.ClientID = id
	l, err := newLink(b, "", stateTopic)
	if err != nil {
		t.Fatal(err)
	}
	s := &speaker{link: l}
	l.heard = func(_, payload string, _ bool) {
		st, err := parseState(payload)
		if err != nil {
			return // not the node's word: the suite garbles
		}
		s.mu.Lock()
		s.states = append(s.states, st)
		s.mu.Unlock()
	}
	l.lost = func() {}
	l.start()
	t.Cleanup(l.close)
	until(t, "a word from the node", 3*time.Second, func() bool { return s.last().token != "" })
	return s
}

func (s *speaker) last() state {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.states) == 0 {
		return state{}
	}
	return s.states[len(s.states)-1]
}

// say sends one command and gives the answer to it.
func (s *speaker) say(t testing.TB, c command) string {
	t.Helper()
	to := commandTopic
	if c.kind == kindStop {
		to = stopTopic
	}
	s.mu.Lock()
	before := len(s.states)
	s.mu.Unlock()
	if _, err := s.put(to, c.text()); err != nil {
		t.Fatal(err)
	}
	var answer string
	until(t, "an answer to "+c.text(), time.Second, func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		for _, st := range s.states[before:] {
			if st.heard == c.from && st.seq == c.seq {
				answer = st.answer
				return true
			}
		}
		return false
	})
	return answer
}

// TestAttacks: what must not move water, over a real broker. Each says what the node answers.
func TestAttacks(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd", "mosquitto_pub") {
		return
	}
	m := newMosquitto(t, "")

	// Somebody has left commands at the broker before the node is even there; their tokens are guesses.
	planted := command{kind: kindSet, from: "planter", seq: 9, token: "0123456789abcdef", ttl: time.Second, motor: flume(t).Motor().Max}
	m.publish(t, "flume", "pool/drive/command", planted.text(), "-r")
	p := newPool(t, m.as("node", 0))
	p.still(t, 100*ms, "a command planted before the node was there")

	s := newSpeaker(t, m.as("flume", 0), "speaker")
	const ttl = 500 * ms
	rpm := flume(t).Motor().Max
	set := func(from string, seq uint32, token string) command {
		return command{kind: kindSet, from: from, seq: seq, token: token, ttl: ttl, motor: rpm}
	}
	claim := func(from string, seq uint32, token string) command {
		return command{kind: kindClaim, from: from, seq: seq, token: token, ttl: ttl}
	}
	refused := func(what string, c command, want string) {
		t.Helper()
		from := p.clock()
		if got := s.say(t, c); got != want {
			t.Errorf("%s: the node answers %q, want %q", what, got, want)
		}
		t.Logf("%-55s answered %q in %v", what, want, (p.clock() - from).Round(10*time.Microsecond))
	}
	accepted := func(what string, c command) { t.Helper(); refused(what, c, answerOK) }

	refused("a speed from somebody who claimed nothing", set("a.1", 1, s.last().token), answerOwner)
	old := s.last().token
	refused("a claim with a token that is no token of the node's", claim("a.1", 2, "00000000000000ff"), answerToken)
	<-time.After(ttl + 20*ms)
	refused("a claim with a stale token", claim("a.1", 3, old), answerToken)
	p.still(t, 50*ms, "refused claims")
	accepted("a claim", claim("a.1", 4, s.last().token))
	old = s.last().token
	<-time.After(ttl + 20*ms)
	refused("the owner's speed with a stale token", set("a.1", 5, old), answerToken)
	refused("a speed from another than the owner", set("b.1", 6, s.last().token), answerOwner)
	refused("a low sequence number", set("a.1", 3, s.last().token), answerSeq)
	refused("the claim again, delayed", claim("a.1", 4, s.last().token), answerSeq)
	for _, n := range []float64{-300, 1500.1, maxRPM} {
		c := set("a.1", 7, s.last().token)
		c.motor = units.RPM(n)
		refused(fmt.Sprintf("%v, which this motor may not have", c.motor), c, answerRange)
	}
	p.still(t, 50*ms, "none of it")

	// Now it really turns; a duplicate is kept for later.
	live := set("a.1", 8, s.last().token)
	accepted("a speed from the owner", live)
	until(t, "the motor turns", time.Second, func() bool { return p.rpm() > 300 })
	refused("the same once more", live, answerSeq)
	refused("a claim by another while the motor turns", claim("b.1", 9, s.last().token), answerMoving)
	accepted("a stop from the deck, which owns nothing", command{kind: kindStop, from: "deck", seq: 1})
	until(t, "at rest", time.Second, p.rests)
	live.seq = 100 // a token from before the stop, still young, and a number that is high enough
	refused("a delayed speed with a token from before the stop", live, answerOwner)
	refused("a delayed claim with a token from before the stop", claim("a.1", 101, live.token), answerToken)
	accepted("a new claim", claim("a.1", 102, s.last().token))
	live.seq = 103
	refused("the delayed speed once more, of the owner now", live, answerToken)
	p.still(t, 100*ms, "duplicates after a stop")

	// The planted command is still kept: a node that comes back gets it again.
	m.publish(t, "flume", "pool/drive/command", claim("a.1", 200, s.last().token).text(), "-r")
	p.still(t, 100*ms, "a claim that asked to be kept")
	m.publish(t, "flume", "pool/drive/command", set("a.1", 201, s.last().token).text(), "-r")
	until(t, "live, it is a command like any other", time.Second, func() bool { return p.rpm() > 300 })
	until(t, "it stops by itself", 2*time.Second, p.rests)
	again := newPool(t, func() Broker { b := m.as("node", 0); b.ClientID = "node-2"; return b }())
	again.still(t, 300*ms, "the kept speed, to a node that comes new")

	m.publish(t, "deck", "pool/drive/command", claim("deck.1", 1, s.last().token).text()) // the broker drops it: the deck may only stop
	m.publish(t, "intruder", "pool/drive/stop", "stop")
	if o := s.last().owner; o != "" {
		t.Errorf("the deck has become owner %q", o)
	}
}

// TestRestartedDaemon: a daemon that died at speed comes back with low sequence numbers. It moves nothing before it has stopped the motor, seen it at rest, and claimed it.
func TestRestartedDaemon(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	p := newPool(t, m.as("node", 0))
	swimming(t, m.as("flume", 0), p)
	other := m.as("flume", 0)
	other.ClientID = "flume-again"
	b := open(t, other).(*backend)
	round := func(i int) drive.Round {
		at := time.Duration(i) * 50 * ms
		return drive.Round{Elapsed: at, Until: at + 100*ms}
	}
	if _, err := b.Read(round(0)); err != nil {
		t.Fatal(err)
	}
	if err := b.Set(round(1), drive.Order{}); err != errNeedsStop {
		t.Errorf("a Set before any Stop: %v", err)
	}
	if p.rpm() < 990 {
		t.Errorf("the newcomer has changed the speed to %.0f rpm", p.rpm())
	}
	if err := b.Stop(round(2)); err != nil {
		t.Fatal(err)
	}
	if err := b.Set(round(3), drive.Order{}); err == nil {
		t.Error("a motor that still turns could be claimed")
	}
	until(t, "at rest", time.Second, p.rests)
	p.still(t, 300*ms, "the first daemon goes on permitting")
	if err := b.Set(round(20), drive.Order{}); err != nil {
		t.Errorf("at rest, after a stop: %v", err)
	}
}

// TestStopFromElsewhere: somebody else's stop is a fault of the drive for the owner, until the owner stops too.
func TestStopFromElsewhere(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd", "mosquitto_pub") {
		return
	}
	m := newMosquitto(t, "")
	p := newPool(t, m.as("node", 0))
	s := swimming(t, m.as("flume", 0), p)
	for i, payload := range []string{"stop v=1 from=deck seq=1", "halt!", ""} {
		if i > 0 {
			s.Stop(fault.LinkLost)
			until(t, "at rest", time.Second, p.rests)
			s.begin(t, 1000)
			until(t, "the motor turns", 3*time.Second, func() bool { return p.rpm() > 995 })
		}
		more := []string{}
		if payload == "" {
			more = append(more, "-r") // also a stop that clears what the broker keeps
		}
		m.publish(t, "deck", "pool/drive/stop", payload, more...)
		took, _ := p.stopsWithin(t, nodeLinkLoss, fmt.Sprintf("%q on the stop topic", payload))
		t.Logf("%q on the stop topic: quick stop within %v of the publisher's end", payload, took.Round(ms/10))
		until(t, "the owner says so", time.Second, func() bool { return s.Report().Fault != "" })
		p.still(t, 200*ms, "the owner's permissions are still coming")
	}
}

// TestWrongPassword: the link says why.
func TestWrongPassword(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	m.write(t, "flume.password", "wrong")
	b := open(t, m.as("flume", 0))
	_, err := b.Read(drive.Round{Until: 100 * ms})
	if err == nil {
		t.Fatal("read with a wrong password")
	}
	t.Log(err)
	if err := b.Close(); err == nil {
		t.Error("a last stop that nobody heard is no error")
	}
}
