// Package mqtt is a motor node behind a broker: the link to it as a drive backend, the protocol, and the node's side of it, after docs/node.md.
package mqtt

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// command is one message to a node. A message has exactly one text: keys in their order, one blank between them, numbers without leading zeros.
type command struct {
	kind  string // ask, claim, set or stop
	from  string // who sends it: a client's id and, where it may become the owner, a random part that is new with every start
	seq   uint32 // comes back in the node's answer; 0 asks for none
	token string // of claim and set: the newest that the node has published
	ttl   time.Duration
	motor units.MotorSpeed // of set
}

// Kinds of command.
const (
	kindAsk   = "ask"
	kindClaim = "claim"
	kindSet   = "set"
	kindStop  = "stop"
)

// state is what a node says of itself.
type state struct {
	token    string
	motor    units.MotorSpeed
	enabled  bool
	owner    string        // empty where there is none
	fault    string        // a word; empty where there is none
	linkLoss time.Duration // without a valid set for so long the node stops by itself
	heard    string        // who sent the message that this answers or that was answered last; empty before the first
	seq      uint32        // of that message
	answer   string        // to it, one of the answers
	sensed   drive.Sensed  // the water by a flow sensor; none where the node says nothing of one, or nothing that can be read
}

// Answers of a node.
const (
	answerOK     = "ok"
	answerOwner  = "owner"  // a set by somebody who does not own the node
	answerToken  = "token"  // the token is older than the time to live, or none of the node's, or from before its last stop
	answerSeq    = "seq"    // a sequence number that is not above the owner's last: late, or double
	answerMoving = "moving" // a claim while the motor turns or is enabled
	answerFault  = "fault"  // a claim while the node has a fault, or the motor's drive refused
	answerRange  = "range"  // a speed that this motor may not have
)

// Limits of the protocol.
const (
	maxID     = 48
	maxWord   = 32
	maxTTL    = time.Second
	minLoss   = 100 * time.Millisecond
	maxLoss   = 10 * time.Second
	maxRPM    = 99_999.9
	maxWater  = 99.999 // m/s
	maxLength = 400    // of a text, bytes
)

func (c command) text() string {
	s := fmt.Sprintf("%s v=1 from=%s seq=%d", c.kind, c.from, c.seq)
	switch c.kind {
	case kindSet:
		return fmt.Sprintf("%s token=%s ttl_ms=%d motor_rpm=%s", s, c.token, c.ttl.Milliseconds(), rpmText(c.motor))
	case kindClaim:
		return fmt.Sprintf("%s token=%s ttl_ms=%d", s, c.token, c.ttl.Milliseconds())
	}
	return s
}

func (s state) text() string {
	enabled := 0
	if s.enabled {
		enabled = 1
	}
	text := fmt.Sprintf("state v=1 token=%s motor_rpm=%s enabled=%d owner=%s fault=%s link_loss_ms=%d heard=%s seq=%d answer=%s",
		s.token, rpmText(s.motor), enabled, orDash(s.owner), orDash(s.fault), s.linkLoss.Milliseconds(), orDash(s.heard), s.seq, s.answer)
	if water := waterText(s.sensed.Speed); s.sensed.Known && water != "" {
		text += " " + waterKey + water
	}
	return text
}

// waterKey begins what a node says of its flow sensor, if it says anything: the last word of a state.
const waterKey = "water_mps="

// waterText is a sensed speed as a message has it; empty for one that none can have.
func waterText(v units.Speed) string {
	mps := v.MetresPerSecond()
	if !(math.Abs(mps) <= maxWater) {
		return ""
	}
	return fixed(mps, 3)
}

// fixed is a number with so many digits after the point, without a minus where it is 0.
func fixed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

func rpmText(m units.MotorSpeed) string { return fixed(m.RPM(), 1) }

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// errForm is a text that is no message of this protocol.
var errForm = errors.New("not a message of this protocol")

// parseCommand reads a text as a command. What is not exactly the text of one is an error.
func parseCommand(text string) (command, error) {
	f := fields{rest: text}
	c := command{kind: f.word()}
	f.is("v", "1")
	c.from = f.id("from")
	c.seq = uint32(f.number("seq", 0, 1<<32-1))
	switch c.kind {
	case kindAsk, kindStop:
	case kindClaim, kindSet:
		c.token = f.token("token")
		c.ttl = f.millis("ttl_ms", time.Millisecond, maxTTL)
		if c.kind == kindSet {
			c.motor = f.rpm("motor_rpm")
		}
	default:
		f.bad = true
	}
	if !f.done() || len(text) > maxLength {
		return command{}, errForm
	}
	return c, nil
}

// parseState reads a text as a node's state. What is not exactly the text of one is an error, but for the speed of the water: whatever a sensor makes of that, the
// rest of the state counts.
func parseState(text string) (state, error) {
	f := fields{rest: text}
	if f.word() != "state" {
		f.bad = true
	}
	f.is("v", "1")
	s := state{
		token:   f.token("token"),
		motor:   f.rpm("motor_rpm"),
		enabled: f.number("enabled", 0, 1) == 1,
	}
	s.owner = f.idOrDash("owner")
	s.fault = f.wordOrDash("fault")
	s.linkLoss = f.millis("link_loss_ms", minLoss, maxLoss)
	s.heard = f.idOrDash("heard")
	s.seq = uint32(f.number("seq", 0, 1<<32-1))
	switch s.answer = f.value("answer"); s.answer {
	case answerOK, answerOwner, answerToken, answerSeq, answerMoving, answerFault, answerRange:
	default:
		f.bad = true
	}
	if strings.HasPrefix(f.rest, waterKey) {
		s.sensed = f.water()
	}
	if !f.done() || len(text) > maxLength {
		return state{}, errForm
	}
	return s, nil
}

// fields takes a text apart, key by key in their order.
type fields struct {
	rest string
	bad  bool
}

func (f *fields) done() bool { return !f.bad && f.rest == "" }

// word is what stands before the next blank.
func (f *fields) word() string {
	w, rest, more := strings.Cut(f.rest, " ")
	if w == "" || more && rest == "" { // an empty word, or a blank at the end
		f.bad = true
	}
	f.rest = rest
	return w
}

func (f *fields) value(key string) string {
	v, ok := strings.CutPrefix(f.word(), key+"=")
	if !ok || v == "" {
		f.bad = true
	}
	return v
}

func (f *fields) is(key, want string) {
	if f.value(key) != want {
		f.bad = true
	}
}

// consists reads a value of up to n characters that are all of one set.
func (f *fields) consists(key string, n int, in func(c byte) bool) string {
	v := f.value(key)
	if len(v) > n {
		f.bad = true
	}
	for i := range len(v) {
		if !in(v[i]) {
			f.bad = true
		}
	}
	return v
}

func (f *fields) id(key string) string {
	v := f.consists(key, maxID, idChar)
	if v == "-" {
		f.bad = true
	}
	return v
}

func (f *fields) idOrDash(key string) string { return dash(f.consists(key, maxID, idChar)) }

func (f *fields) wordOrDash(key string) string { return dash(f.consists(key, maxWord, wordChar)) }

func dash(s string) string {
	if s == "-" {
		return ""
	}
	return s
}

func (f *fields) token(key string) string {
	v := f.consists(key, 16, func(c byte) bool { return digit(c) || c >= 'a' && c <= 'f' })
	if len(v) != 16 {
		f.bad = true
	}
	return v
}

// number reads digits without leading zeros.
func (f *fields) number(key string, low, high uint64) uint64 {
	v := f.consists(key, 10, digit)
	n, err := strconv.ParseUint(v, 10, 64)
	if err != nil || v[0] == '0' && len(v) > 1 || n < low || n > high {
		f.bad = true
	}
	return n
}

func (f *fields) millis(key string, low, high time.Duration) time.Duration {
	return time.Duration(f.number(key, uint64(low/time.Millisecond), uint64(high/time.Millisecond))) * time.Millisecond
}

// rpm reads a number with one digit after the point.
func (f *fields) rpm(key string) units.MotorSpeed {
	v := f.value(key)
	n, err := strconv.ParseFloat(v, 64)
	if err != nil || !(n >= -maxRPM && n <= maxRPM) || rpmText(units.RPM(n)) != v {
		f.bad = true
		return units.MotorSpeed{}
	}
	return units.RPM(n)
}

// water reads a number with three digits after the point; anything else is none.
func (f *fields) water() drive.Sensed {
	v := strings.TrimPrefix(f.word(), waterKey)
	n, err := strconv.ParseFloat(v, 64)
	if err != nil || waterText(units.MetresPerSecond(n)) != v {
		return drive.Sensed{}
	}
	return drive.Sensed{Known: true, Speed: units.MetresPerSecond(n)}
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

func wordChar(c byte) bool { return digit(c) || c >= 'a' && c <= 'z' || c == '-' }

func idChar(c byte) bool { return wordChar(c) || c >= 'A' && c <= 'Z' || c == '.' || c == '_' }
