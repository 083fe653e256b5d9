package mqtt

import (
	"crypto/rand"
	"encoding/hex"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// Motor is what a Node moves.
type Motor interface {
	Turn(r drive.Round, m units.MotorSpeed) error // enables first where it has to
	Stop(r drive.Round) error                     // quick stop, then disabled; acknowledges a fault of the motor's own
	Read(r drive.Round) (drive.Feedback, error)
}

// Times of a node.
const (
	tokenEvery = 250 * time.Millisecond
	tokensKept = 4                      // so none is valid for longer than maxTTL
	tickEvery  = 10 * time.Millisecond  // how often a node looks at its motor and at the time
	motorTime  = 100 * time.Millisecond // for one call of the motor
)

// nodeAtRest is the motor speed in rpm below which a motor counts as standing.
const nodeAtRest = 1.0

// Node is the far side of the link: the rules of docs/node.md as a state machine without a clock or a network. It is idle, or owned; owned and armed,
// its motor does what the owner sets. Any stop, fault, lost link or lost broker makes it idle, and whoever wants to move it then has to claim it anew.
type Node struct {
	motor    Motor
	max      units.MotorSpeed
	linkLoss time.Duration
	random   func() string

	now    time.Duration
	tokens [tokensKept]issued // the newest first
	due    time.Duration      // of the next token

	owner    string
	seq      uint32        // of the owner's last valid message
	armed    bool          // the owner has set a speed
	set      time.Duration // when last
	fault    string        // a word
	ackn     bool          // a stop was heard since the fault began
	mustStop bool          // the motor did not take a stop
	motorSay drive.Feedback

	heard     string // the last message that was readable
	heardSeq  uint32
	answer    string
	connected bool
}

// issued is a token and when it was made.
type issued struct {
	token string
	at    time.Duration
}

// linkLossFault is the fault of a node that has stopped by itself because nobody spoke to it.
const linkLossFault = "link-lost"

// NewNode makes an idle node. Without a valid set for linkLoss its motor has begun its quick stop, where that begins within a tenth of linkLoss after it is told.
func NewNode(m Motor, highest units.MotorSpeed, linkLoss time.Duration) *Node {
	n := &Node{motor: m, max: highest, linkLoss: linkLoss, answer: answerOK, random: randomToken}
	n.idle()
	return n
}

func randomToken() string {
	var b [8]byte
	rand.Read(b[:])
	return hex.EncodeToString(b[:])
}

// Connect tells the node that it hears its broker.
func (n *Node) Connect(now time.Duration) {
	n.now, n.connected, n.due = now, true, now
}

// Disconnect tells the node that it does not hear its broker any more. Then nobody can stop it, so it stops.
func (n *Node) Disconnect(now time.Duration) {
	n.now, n.connected = now, false
	if n.armed {
		n.fail(linkLossFault)
		n.stopMotor()
	} else {
		n.idle()
	}
}

// Tick lets time go on: it is to be called every 10 ms. The text is a state to publish; mostly there is none.
func (n *Node) Tick(now time.Duration) (text string, publish bool) {
	n.now = now
	n.look()
	switch {
	case n.motorSay.Fault != "" && n.fault == "":
		n.fail(word(n.motorSay.Fault))
	case n.armed && now-n.set >= n.linkLoss*9/10:
		n.fail(linkLossFault)
		n.stopMotor()
	case n.mustStop:
		n.stopMotor()
	}
	if n.ackn && n.motorSay.Fault == "" && n.stands() {
		n.fault, n.ackn = "", false
	}
	if !n.connected || now < n.due {
		return "", false
	}
	n.renew()
	return n.state(), true
}

// HearStop stops: whatever comes on the stop topic is a stop, from anybody, readable or not. A readable one has an answer.
func (n *Node) HearStop(now time.Duration, payload string) (text string, answer bool) {
	n.now = now
	n.stopMotor()
	n.idle()
	n.ackn = n.fault != ""
	c, err := parseCommand(payload)
	if err != nil || c.kind != kindStop || c.seq == 0 {
		return "", false
	}
	return n.reply(c, answerOK), true
}

// HearCommand does what a message on the command topic says, if all of it is valid. What cannot be read, and what the broker had kept, is nothing.
func (n *Node) HearCommand(now time.Duration, payload string, retained bool) (text string, answer bool) {
	n.now = now
	c, err := parseCommand(payload)
	if err != nil || retained {
		return "", false
	}
	n.look()
	said := answerOK
	switch c.kind {
	case kindClaim:
		said = n.claim(c)
	case kindSet:
		said = n.order(c)
	case kindStop:
		return n.HearStop(now, payload)
	}
	if c.seq == 0 {
		return "", false
	}
	return n.reply(c, said), true
}

// claim changes the owner, at standstill only.
func (n *Node) claim(c command) string {
	switch {
	case n.armed || !n.stands():
		return answerMoving
	case n.fault != "" || n.motorSay.Fault != "":
		return answerFault
	case !n.young(c):
		return answerToken
	case c.from == n.owner && c.seq <= n.seq:
		return answerSeq
	}
	n.owner, n.seq = c.from, c.seq
	return answerOK
}

// order turns the motor, for its owner.
func (n *Node) order(c command) string {
	switch rpm := c.motor.RPM(); {
	case n.owner == "" || c.from != n.owner:
		return answerOwner
	case c.seq <= n.seq:
		return answerSeq
	case !n.young(c):
		return answerToken
	case rpm < 0 || rpm > n.max.RPM()+0.05: // the message rounds
		return answerRange
	}
	if err := n.motor.Turn(n.round(), c.motor); err != nil {
		return answerFault
	}
	n.seq, n.set, n.armed = c.seq, n.now, true
	return answerOK
}

// young reports whether a command's token is one of the node's, and no older than the time to live.
func (n *Node) young(c command) bool {
	for _, t := range n.tokens {
		if t.token == c.token && t.token != "" {
			return n.now-t.at <= c.ttl
		}
	}
	return false
}

// idle takes the node from its owner. No token from before is valid any more, so that what was on its way moves nothing, and a new one is due.
func (n *Node) idle() {
	n.owner, n.seq, n.armed = "", 0, false
	n.tokens = [tokensKept]issued{}
	n.renew()
	n.due = n.now
}

func (n *Node) fail(fault string) {
	n.idle()
	n.fault, n.ackn = fault, false
}

func (n *Node) stopMotor() { n.mustStop = n.motor.Stop(n.round()) != nil }

// renew makes the next token.
func (n *Node) renew() {
	copy(n.tokens[1:], n.tokens[:])
	n.tokens[0] = issued{n.random(), n.now}
	n.due = n.now + tokenEvery
}

func (n *Node) look() {
	if f, err := n.motor.Read(n.round()); err == nil {
		n.motorSay = f
	} else {
		n.motorSay.Fault = "motor does not answer"
	}
}

func (n *Node) stands() bool {
	return !n.motorSay.Enabled && math.Abs(n.motorSay.Motor.RPM()) < nodeAtRest
}

func (n *Node) round() drive.Round { return drive.Round{Elapsed: n.now, Until: n.now + motorTime} }

func (n *Node) reply(c command, answer string) string {
	n.heard, n.heardSeq, n.answer = c.from, c.seq, answer
	return n.state()
}

func (n *Node) state() string {
	n.look()
	return state{
		token: n.tokens[0].token, motor: n.motorSay.Motor, enabled: n.motorSay.Enabled, owner: n.owner, fault: n.fault, linkLoss: n.linkLoss,
		heard: n.heard, seq: n.heardSeq, answer: n.answer, sensed: n.motorSay.Sensed,
	}.text()
}

// word makes one of a fault's text.
func word(text string) string {
	w := strings.Map(func(r rune) rune {
		if r < 128 && wordChar(byte(r)) {
			return r
		}
		return '-'
	}, strings.ToLower(text))
	if w = strings.Trim(w[:min(len(w), maxWord)], "-"); w == "" {
		return "fault"
	}
	return w
}
