package mqtt

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/units"
)

const aState = "state v=1 token=00000000000000a1 motor_rpm=812.5 enabled=1 owner=flume.1f2e3d4c fault=- link_loss_ms=500 heard=flume.1f2e3d4c seq=17 answer=ok"

var commandTexts = []string{
	"ask v=1 from=flume.1f2e3d4c seq=1",
	"stop v=1 from=deck seq=4294967295",
	"claim v=1 from=flume.1f2e3d4c seq=2 token=00000000000000a1 ttl_ms=500",
	"set v=1 from=flume.1f2e3d4c seq=3 token=00000000000000a1 ttl_ms=1000 motor_rpm=812.5",
}

// TestTexts: a message has one text, and what is not exactly that is none.
func TestTexts(t *testing.T) {
	for _, text := range commandTexts {
		c, err := parseCommand(text)
		if err != nil || c.text() != text {
			t.Errorf("%q: %v, and back %q", text, err, c.text())
		}
		for cut := range text {
			if c, err := parseCommand(text[:cut]); err == nil && c.text() != text[:cut] {
				t.Errorf("%q passes for %+v", text[:cut], c)
			}
		}
		for _, bad := range []string{text + " ", " " + text, text + "\n", text + "x=1", text + " x=1", strings.ToUpper(text), strings.Replace(text, " ", "  ", 1),
			strings.Replace(text, "v=1", "v=2", 1), strings.Replace(text, "seq=", "seq=0", 1), strings.Replace(text, "seq=", "seq=-", 1),
			strings.Replace(text, "seq=", "seq=99999", 1) + "9999", strings.Replace(text, "from=", "from=ö", 1), strings.Replace(text, "from=", "from="+strings.Repeat("x", maxID), 1)} {
			if c, err := parseCommand(bad); err == nil {
				t.Errorf("%q passes for %+v", bad, c)
			}
		}
	}
	set := commandTexts[3]
	for _, rpm := range []string{"NaN", "nan", "+Inf", "1e3", "812", "812.50", ".5", "0x1p3", "-0.0", "100000.0", "1_0.0", "8 12.5", ""} {
		if c, err := parseCommand(strings.Replace(set, "812.5", rpm, 1)); err == nil {
			t.Errorf("motor_rpm=%s passes for %v", rpm, c.motor)
		}
	}
	for _, ttl := range []string{"0", "1001", "500.0", "-1", ""} {
		if c, err := parseCommand(strings.Replace(set, "1000", ttl, 1)); err == nil {
			t.Errorf("ttl_ms=%s passes for %v", ttl, c.ttl)
		}
	}
	s, err := parseState(aState)
	if err != nil || s.text() != aState {
		t.Errorf("%v, and back %q", err, s.text())
	}
	want := state{token: "00000000000000a1", motor: units.RPM(812.5), enabled: true, owner: "flume.1f2e3d4c", linkLoss: 500 * ms,
		heard: "flume.1f2e3d4c", seq: 17, answer: answerOK}
	if s != want {
		t.Errorf("got %+v, want %+v", s, want)
	}
	for _, c := range [][2]string{{"enabled=1", "enabled=2"}, {"link_loss_ms=500", "link_loss_ms=0"}, {"link_loss_ms=500", "link_loss_ms=99"},
		{"link_loss_ms=500", "link_loss_ms=10001"}, {"answer=ok", "answer=fine"}, {"token=00000000000000a1", "token=-"}, {"state ", ""}, {"fault=-", "fault=Over"}} {
		if s, err := parseState(strings.Replace(aState, c[0], c[1], 1)); err == nil {
			t.Errorf("%s passes for %+v", c[1], s)
		}
	}
}

// TestWaterOfAState: the last word may be what a flow sensor shows. Whatever stands there, the rest counts; only what is exactly a speed is one.
func TestWaterOfAState(t *testing.T) {
	bare, err := parseState(aState)
	if err != nil {
		t.Fatal(err)
	}
	for text, mps := range map[string]float64{"0.000": 0, "1.234": 1.234, "-0.012": -0.012, "99.999": 99.999} {
		s, err := parseState(aState + " water_mps=" + text)
		want := bare
		want.sensed = drive.Sensed{Known: true, Speed: units.MetresPerSecond(mps)}
		if err != nil || s != want || s.text() != aState+" water_mps="+text {
			t.Errorf("%s: %+v, %v, and back %q", text, s, err, s.text())
		}
	}
	for _, text := range []string{"", "-", "NaN", "nan", "+Inf", "-Inf", "1", "1.2", "1.2345", "01.234", ".123", "+1.234", "1e0", "0x1p3", "-0.000", "100.000", "1,234", "1.23 ", "ö", "water_mps=1.000"} {
		s, err := parseState(strings.TrimRight(aState+" water_mps="+text, " "))
		if err != nil || s != bare {
			t.Errorf("%q: %+v, %v", text, s, err)
		}
	}
	for _, bad := range []string{aState + " ", aState + " water=1.000", aState + "  water_mps=1.000", aState + " water_mps=1.000 ", aState + " water_mps=1.000 x=1",
		aState + " water_mps=1.000 water_mps=1.000", aState + " water_mps=" + strings.Repeat("1", maxLength)} {
		if s, err := parseState(bad); err == nil {
			t.Errorf("%q passes for %+v", bad, s)
		}
	}
	for _, mps := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 100, -1e9} { // what a sensor may give a node
		s := bare
		s.sensed = drive.Sensed{Known: true, Speed: units.MetresPerSecond(mps)}
		if s.text() != aState {
			t.Errorf("%g: %q", mps, s.text())
		}
	}
	s := bare
	if s.sensed = (drive.Sensed{Known: true, Speed: units.MetresPerSecond(-0.0001)}); s.text() != aState+" water_mps=0.000" {
		t.Errorf("%q", s.text())
	}
}

func FuzzCommand(f *testing.F) {
	for _, text := range commandTexts {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if c, err := parseCommand(text); err == nil && c.text() != text {
			t.Errorf("%q passes for %q", text, c.text())
		}
	})
}

func FuzzState(f *testing.F) {
	f.Add(aState)
	for _, water := range []string{"1.234", "-0.012", "NaN", "", "1e3", "-"} {
		f.Add(aState + " water_mps=" + water)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := parseState(text)
		if err != nil {
			return
		}
		if !s.sensed.Known { // what a sensor spoils spoils no more than that
			text, _, _ = strings.Cut(text, " "+waterKey)
		}
		if s.text() != text {
			t.Errorf("%q passes for %q", text, s.text())
		}
		if v := s.sensed.Speed.MetresPerSecond(); !(math.Abs(v) <= maxWater) {
			t.Errorf("%q is water at %v m/s", text, v)
		}
	})
}

// FuzzHeard: whatever comes over the network, neither side falls, and a node that nobody owns does not turn.
func FuzzHeard(f *testing.F) {
	f.Add(aState, true, uint16(10))
	f.Add(aState+" water_mps=1.234", false, uint16(10))
	f.Add(aState+" water_mps=NaN", false, uint16(10))
	for _, text := range commandTexts {
		f.Add(text, false, uint16(100))
	}
	f.Fuzz(func(t *testing.T, text string, retained bool, wait uint16) {
		m := &drivetest.Motor{}
		n := NewNode(turner{m}, units.RPM(1500), nodeLinkLoss)
		n.Connect(0)
		n.Tick(0)
		at := time.Duration(wait) * ms
		said, ok := n.HearCommand(at, text, retained)
		if ok {
			if _, err := parseState(said); err != nil {
				t.Errorf("the node answers %q with %q", text, said)
			}
		}
		if said, ok = n.HearStop(at, text); ok {
			if _, err := parseState(said); err != nil {
				t.Errorf("the node answers a stop %q with %q", text, said)
			}
		}
		if m.Enabled(at) || m.Motor(at).RPM() != 0 {
			t.Errorf("%q turns the motor", text)
		}
		b := &backend{id: "flume.00000001", wake: make(chan struct{}, 1)}
		b.heard("", text, retained)
		if s, err := parseState(text); (b.token != "") != (err == nil && !retained) {
			t.Errorf("%q (%+v) retained %v leaves the token %q", text, s, retained, b.token)
		}
	})
}

// turner is the plainest motor behind a node; it cannot be turned, which nobody may try here.
type turner struct{ *drivetest.Motor }

func (turner) Turn(drive.Round, units.MotorSpeed) error { panic("turned") }

// TestNodeInvariants: random messages, true and false, on time and late, from owners and others: the node turns its motor only for an owner's young command,
// has at most one owner, changes it at standstill only, and is idle link-loss time after the last valid word.
func TestNodeInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &ideal{}
		n := NewNode(m, units.RPM(1500), nodeLinkLoss)
		now, said := time.Duration(0), ""
		n.Connect(now)
		var tokens []issued
		hear := func(text string, ok bool) {
			if !ok {
				return
			}
			s, err := parseState(text)
			if err != nil {
				t.Fatalf("the node says %q", text)
			}
			if len(tokens) == 0 || tokens[len(tokens)-1].token != s.token {
				tokens = append(tokens, issued{s.token, now})
			}
			said = s.answer
		}
		hear(n.Tick(now))
		owner, seq, set, turned := "", uint32(0), time.Duration(0), false
		var voided int // tokens before this are void
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			step := time.Duration(rapid.IntRange(0, 300).Draw(t, "wait")) * ms
			for end := now + step; now < end; {
				now = min(now+tickEvery, end)
				hear(n.Tick(now))
			}
			if turned && now-set >= nodeLinkLoss {
				if m.rpm != 0 {
					t.Fatalf("%v after the last valid word the motor turns at %v", now-set, m.rpm)
				}
			}
			if turned && m.rpm == 0 && m.stopped {
				owner, turned, voided = "", false, len(tokens)
				if n.tokens[0].token == tokens[len(tokens)-1].token {
					voided-- // it has been told already
				}
			}
			c := command{
				kind:  rapid.SampledFrom([]string{kindAsk, kindClaim, kindSet, kindSet, kindSet, kindStop}).Draw(t, "kind"),
				from:  rapid.SampledFrom([]string{"a", "b"}).Draw(t, "from"),
				seq:   uint32(rapid.IntRange(1, 40).Draw(t, "seq")),
				ttl:   time.Duration(rapid.IntRange(1, 1000).Draw(t, "ttl")) * ms,
				motor: units.RPM(float64(rapid.IntRange(-100, 2000).Draw(t, "rpm"))),
			}
			which := max(0, len(tokens)-1-rapid.IntRange(0, 5).Draw(t, "old"))
			c.token = tokens[which].token
			retained := rapid.IntRange(0, 9).Draw(t, "retained") == 0
			before := m.rpm
			if c.kind == kindStop {
				hear(n.HearStop(now, c.text()))
				if m.rpm != 0 || n.owner != "" {
					t.Fatal("a stop leaves the motor turning, or the owner in place")
				}
				owner, turned, voided = "", false, len(tokens)-1
				continue
			}
			said = ""
			hear(n.HearCommand(now, c.text(), retained))
			ok := said == answerOK && !retained
			young := now-tokens[which].at <= c.ttl && which >= voided
			switch {
			case retained && said != "":
				t.Fatal("a kept message has an answer")
			case ok && c.kind == kindClaim:
				if !young || turned || c.from == owner && c.seq <= seq {
					t.Fatalf("claim accepted: %+v, young %v, turning %v", c, young, turned)
				}
				owner, seq = c.from, c.seq
			case ok && c.kind == kindSet:
				if !young || c.from != owner || c.seq <= seq || c.motor.RPM() < 0 || c.motor.RPM() > 1500.1 {
					t.Fatalf("speed accepted: %+v, young %v, owner %q, last %d", c, young, owner, seq)
				}
				seq, set, turned = c.seq, now, true
				if m.rpm != c.motor.RPM() {
					t.Fatalf("accepted %v, and the motor has %v", c.motor, m.rpm)
				}
			case m.rpm != before && !(m.rpm == 0):
				t.Fatalf("%+v, answered %q, has changed the motor from %v to %v", c, said, before, m.rpm)
			}
			if n.owner != owner {
				t.Fatalf("the owner is %q, want %q", n.owner, owner)
			}
		}
	})
}

// ideal is a motor that does at once what it is told.
type ideal struct {
	rpm     float64
	enabled bool
	stopped bool
	fault   string // ends with a stop
	sensed  drive.Sensed
}

func (m *ideal) Turn(_ drive.Round, s units.MotorSpeed) error {
	m.rpm, m.enabled, m.stopped = s.RPM(), true, false
	return nil
}

func (m *ideal) Stop(drive.Round) error {
	*m = ideal{stopped: true, sensed: m.sensed}
	return nil
}

func (m *ideal) Read(drive.Round) (drive.Feedback, error) {
	return drive.Feedback{Motor: units.RPM(m.rpm), Enabled: m.enabled, Fault: m.fault, Sensed: m.sensed}, nil
}
