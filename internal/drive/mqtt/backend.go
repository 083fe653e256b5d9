package mqtt

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"
	"time"

	"flume.example/sequencerd/internal/drive"
)

// Topics below a node's own.
const (
	commandTopic = "/command"
	stopTopic    = "/stop"
	stateTopic   = "/state"
)

// Defaults of a Config.
const (
	DefaultTimeToLive = 500 * time.Millisecond
	DefaultLinkLoss   = time.Second
)

// Config is the link to one node.
type Config struct {
	Broker
	TimeToLive time.Duration // of a command: how old the node's token in it may be, by the node's clock; 300 ms to 1 s, default 500 ms
	LinkLoss   time.Duration // a node that would turn on for longer than this after it loses the link is refused; default 1 s
	Lent       bool          // for a program beside the one that owns the node, and is silent meanwhile: likewise
	StopOnly   bool          // for a program beside the one that may own the node: it gets a client id of its own, and does not throw the other out
}

// openWait is how long Open waits for the first connection.
const openWait = time.Second

var (
	errStop      = errors.New("mqtt drive: gave up, for a stop")
	errClosed    = errors.New("mqtt drive: closed")
	errNoAnswer  = errors.New("mqtt drive: no answer from the node in time")
	errNeedsStop = errors.New("mqtt drive: order refused; the node needs a stop before it is claimed again")
	errCutOff    = errors.New("mqtt drive: the connection to the broker was lost while waiting for the node's answer")
)

// backend is a node as a motor. Each call is one message and the wait for the node's answer to it; the first Set after a Stop is two.
// So a lost link is noticed by the first exchange after it, and Read's feedback was made during that exchange.
type backend struct {
	cfg  Config
	id   string // as an owner: the client's id and a random part, so that nothing from before a restart can pass for ours
	link *link
	wake chan struct{} // one place; an answer is there

	// Of the goroutine that calls.
	seq     uint32
	unread  bool          // the answer to a Set or Stop that no Read has taken yet
	at      time.Duration // elapsed time of the call that got it
	stopped bool          // the node has answered a Stop, and may be claimed
	closed  bool

	mu       sync.Mutex
	answer   state // the newest that answers us
	token    string
	owner    bool   // we are, as far as we know
	takeAway string // why we are no longer, without a Stop of ours
}

// Open makes the link to a node. A broker that is away is no error: the link is tried again for as long as it is open. The error is of the settings,
// or of the files that they name. It waits a second at most, for the first connection.
func Open(c Config) (drive.Backend, error) {
	if c.TimeToLive == 0 {
		c.TimeToLive = DefaultTimeToLive
	}
	if c.LinkLoss == 0 {
		c.LinkLoss = DefaultLinkLoss
	}
	if c.TimeToLive < 300*time.Millisecond || c.TimeToLive > maxTTL {
		return nil, fmt.Errorf("mqtt drive: time to live %v: allowed is 300 ms to %v", c.TimeToLive, maxTTL)
	}
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("mqtt drive: %w", err)
	}
	switch {
	case c.StopOnly:
		c.ClientID += stopSuffix
	case c.Lent:
		c.ClientID += lentSuffix
	}
	b := &backend{cfg: c, wake: make(chan struct{}, 1)}
	var random [4]byte
	rand.Read(random[:])
	b.id = c.ClientID + "." + hex.EncodeToString(random[:])
	l, err := newLink(c.Broker, command{kind: kindStop, from: b.id}.text(), stateTopic)
	if err != nil {
		return nil, fmt.Errorf("mqtt drive: %w", err)
	}
	b.link, l.heard, l.lost = l, b.heard, b.lost
	l.start()
	wait := time.NewTimer(openWait)
	defer wait.Stop()
	select {
	case <-l.first:
	case <-wait.C:
	}
	return b, nil
}

// heard takes a node's state. A retained one is nothing that a node has said now.
func (b *backend) heard(_, payload string, retained bool) {
	s, err := parseState(payload)
	if err != nil || retained {
		return
	}
	b.mu.Lock()
	b.token = s.token
	if b.owner && s.owner != b.id {
		b.owner, b.takeAway = false, "stopped or taken by somebody else"
		if s.fault != "" {
			b.takeAway = "stopped by itself"
		}
	}
	if s.heard == b.id {
		b.answer = s
	}
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// lost forgets what was true of a connection. Who was the owner has to stop before anything moves again.
func (b *backend) lost() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.answer, b.token = state{}, ""
	if b.owner {
		b.owner, b.takeAway = false, "the connection to the broker was lost"
	}
}

// Set claims the node where it is not ours yet, and orders a motor speed.
func (b *backend) Set(r drive.Round, o drive.Order) error {
	if err := b.ready(r); err != nil {
		return err
	}
	b.mu.Lock()
	owner := b.owner
	b.mu.Unlock()
	if !owner {
		if !b.stopped {
			return errNeedsStop
		}
		if err := b.claim(r); err != nil {
			return err
		}
	}
	s, err := b.exchange(r, command{kind: kindSet, motor: o.Motor()})
	if err != nil {
		return err
	}
	if s.answer != answerOK {
		return fmt.Errorf("mqtt drive: order refused by the node: %s", s.answer)
	}
	b.unread, b.at = true, r.Elapsed
	return nil
}

func (b *backend) claim(r drive.Round) error {
	s, err := b.exchange(r, command{kind: kindClaim})
	switch {
	case err != nil:
		return err
	case s.answer != answerOK || s.owner != b.id:
		return fmt.Errorf("mqtt drive: the node cannot be claimed: %s", s.answer)
	case s.linkLoss > b.cfg.LinkLoss:
		return fmt.Errorf("mqtt drive: the node stops only %v after it loses the link; allowed here is %v", s.linkLoss, b.cfg.LinkLoss)
	}
	b.stopped = false
	b.mu.Lock()
	b.owner = true
	b.mu.Unlock()
	return nil
}

// Read is the state in the node's answer to this exchange's Set or Stop, or else to a question of its own.
func (b *backend) Read(r drive.Round) (drive.Feedback, error) {
	if err := b.ready(r); err != nil {
		return drive.Feedback{}, err
	}
	b.mu.Lock()
	s := b.answer
	b.mu.Unlock()
	if !b.unread || r.Elapsed-b.at > drive.DefaultTimeout {
		var err error
		if s, err = b.exchange(r, command{kind: kindAsk}); err != nil {
			return drive.Feedback{}, err
		}
	}
	b.unread = false
	f := drive.Feedback{Motor: s.motor, Enabled: s.enabled, Sensed: s.sensed}
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case s.fault != "":
		f.Fault = "the drive node reports " + s.fault
	case b.takeAway != "":
		f.Fault = "the drive node was " + b.takeAway
	}
	return f, nil
}

// Stop is heard by the node whoever owns it.
func (b *backend) Stop(r drive.Round) error {
	if err := b.ready(r); err != nil {
		return err
	}
	b.mu.Lock()
	b.owner = false
	b.mu.Unlock()
	if _, err := b.exchange(r, command{kind: kindStop}); err != nil {
		return err
	}
	b.stopped, b.unread, b.at = true, true, r.Elapsed
	b.mu.Lock()
	b.takeAway = ""
	b.mu.Unlock()
	return nil
}

// Close stops the node and ends the connection.
func (b *backend) Close() error {
	if b.closed {
		return nil
	}
	err := b.Stop(drive.Round{Until: drive.DefaultTimeout})
	b.closed = true
	b.link.close()
	if err != nil {
		return fmt.Errorf("the node did not answer the last stop: %w", err)
	}
	return nil
}

// ready begins a call. A panic of a goroutine behind it becomes one of this.
func (b *backend) ready(r drive.Round) error {
	b.link.failed.Raise()
	select {
	case <-r.Stop:
		return errStop
	default:
	}
	if b.closed {
		return errClosed
	}
	return nil
}

// exchange sends one message and waits for the node's answer to it.
func (b *backend) exchange(r drive.Round, c command) (state, error) {
	b.unread = false
	b.seq++
	c.from, c.seq, c.ttl = b.id, b.seq, b.cfg.TimeToLive
	b.mu.Lock()
	c.token = b.token
	b.mu.Unlock()
	to := commandTopic
	switch {
	case c.kind == kindStop:
		to = stopTopic
	case c.token == "" && c.kind != kindAsk:
		return state{}, errors.New("mqtt drive: not a word from the node yet")
	}
	conn, err := b.link.put(to, c.text())
	if err != nil {
		return state{}, fmt.Errorf("mqtt drive: nothing sent: %w", err)
	}
	over := time.NewTimer(r.Until - r.Elapsed)
	defer over.Stop()
	for {
		b.mu.Lock()
		s := b.answer
		b.mu.Unlock()
		if s.seq == c.seq && s.heard == b.id {
			return s, nil
		}
		select {
		case <-b.wake:
		case <-over.C:
			return state{}, errNoAnswer
		case <-r.Stop:
			return state{}, errStop
		case <-conn.lost:
			return state{}, errCutOff
		}
	}
}
