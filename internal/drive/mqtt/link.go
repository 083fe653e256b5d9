package mqtt

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"flume.example/sequencerd/internal/task"
)

// Times of a link.
const (
	connectTime = 2 * time.Second // for a connection to a broker
	keepAlive   = 4 * time.Second // the broker sends the will after 1.5 times this without a word [MQTT-3.1.2-24]
	pingTime    = time.Second     // for the broker's answer to a ping
	firstRetry  = 100 * time.Millisecond
	lastRetry   = 2 * time.Second
	quiesce     = 250 // ms, for a farewell
)

// errBusy is that the network does not take what is sent.
var errBusy = errors.New("the network does not take what is sent")

// link is a client of a broker that connects again, for as long as it is open, with a growing time between two tries.
//
// Every connection gets a client of its own, and what that one has not sent goes with it: nothing is kept for a broker that is away. All messages have
// quality of service 0, none is retained, and sessions are clean, so that a broker keeps nothing for a client that is away either.
type link struct {
	broker Broker
	creds  credentials
	url    string
	will   string // payload for the stop topic, sent by the broker when this client is lost
	topics []string

	heard  func(topic, payload string, retained bool) // called one at a time; must not block
	gained func()                                     // a connection has begun; may be nil
	lost   func()                                     // it has ended; before the next begins

	mu   sync.Mutex
	conn *connection // nil while there is none
	why  error       // there is none

	failed *task.Failures // of the goroutines of the link, for its owner
	first  chan struct{}  // closed when the first try has ended
	quit   chan struct{}
	done   chan struct{}
}

// connection is one connection to the broker.
type connection struct {
	client paho.Client
	out    chan [2]string // topic and payload, for the goroutine that may be held up by the network
	lost   chan struct{}
	once   sync.Once
}

func (c *connection) end() { c.once.Do(func() { close(c.lost) }) }

// newLink reads what a checked broker needs. The link is not open yet.
func newLink(b Broker, will string, topics ...string) (*link, error) {
	creds, err := b.credentials()
	if err != nil {
		return nil, err
	}
	u, err := address(b.URL)
	if err != nil {
		return nil, err
	}
	return &link{
		broker: b, creds: creds, url: u.String(), will: will, topics: topics,
		why: errors.New("not connected yet"), failed: task.NewFailures(), first: make(chan struct{}), quit: make(chan struct{}), done: make(chan struct{}),
	}, nil
}

// start keeps the link up, on goroutines of its own, until close.
func (l *link) start() { task.Start("link to the broker", l.failed.Put, l.run) }

// run keeps the link up until close.
func (l *link) run() {
	defer close(l.done)
	wait := firstRetry
	for first := true; ; first = false {
		c, err := l.connect()
		l.mu.Lock()
		l.conn, l.why = c, err
		l.mu.Unlock()
		if first {
			close(l.first)
		}
		if err == nil {
			since := time.Now()
			ended := l.hold(c)
			if time.Since(since) > lastRetry {
				wait = firstRetry
			}
			if ended {
				return
			}
		}
		again := time.NewTimer(wait)
		select {
		case <-l.quit:
			again.Stop()
			return
		case <-again.C:
		}
		wait = min(2*wait, lastRetry)
	}
}

// hold keeps a connection until it is lost, or the link is closed, which it reports.
func (l *link) hold(c *connection) (closed bool) {
	if l.gained != nil {
		l.gained()
	}
	sent := make(chan struct{})
	task.Start("sender to the broker", func(err error) { l.failed.Put(err); c.end() }, func() { defer close(sent); c.send() })
	select {
	case <-c.lost:
	case <-l.quit:
		closed = true
	}
	l.mu.Lock()
	l.conn, l.why = nil, errors.New("the connection to the broker was lost")
	l.mu.Unlock()
	c.end()
	c.client.Disconnect(quiesce)
	<-sent
	l.lost()
	return closed
}

// send hands to the network, one by one, what has been put out.
func (c *connection) send() {
	for {
		select {
		case <-c.lost:
			return
		case m := <-c.out:
			if !c.client.IsConnectionOpen() {
				c.end()
				return
			}
			select {
			case <-c.client.Publish(m[0], 0, false, m[1]).Done():
			case <-c.lost:
				return
			}
		}
	}
}

// connect makes one try.
func (l *link) connect() (*connection, error) {
	c := &connection{out: make(chan [2]string, 16), lost: make(chan struct{})}
	o := paho.NewClientOptions().AddBroker(l.url).SetClientID(l.broker.ClientID).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetProtocolVersion(4).
		SetConnectTimeout(connectTime).SetDialer(&net.Dialer{Timeout: connectTime}).SetWriteTimeout(pingTime).
		SetKeepAlive(keepAlive).SetPingTimeout(pingTime).
		SetConnectionLostHandler(func(paho.Client, error) { c.end() })
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		task.Catch("listener to the broker", l.failed.Put, func() { l.heard(m.Topic(), string(m.Payload()), m.Retained()) })
	})
	if l.broker.User != "" {
		o.SetUsername(l.broker.User).SetPassword(l.creds.password)
	}
	if l.creds.tls != nil {
		o.SetTLSConfig(l.creds.tls)
	}
	if l.will != "" {
		o.SetWill(l.broker.Topic+stopTopic, l.will, 0, false)
	}
	c.client = paho.NewClient(o)
	if err := l.within(c.client.Connect()); err != nil {
		c.client.Disconnect(0)
		return nil, fmt.Errorf("cannot connect to the broker %s: %w", l.url, err)
	}
	for _, t := range l.topics {
		full := l.broker.Topic + t
		token := c.client.Subscribe(full, 0, nil)
		err := l.within(token)
		if err == nil && token.(*paho.SubscribeToken).Result()[full] == 0x80 { // failure [MQTT-3.9.3-2]
			err = errors.New("the broker refuses")
		}
		if err != nil {
			c.client.Disconnect(quiesce)
			return nil, fmt.Errorf("cannot subscribe to %s at the broker %s: %w", full, l.url, err)
		}
	}
	return c, nil
}

func (l *link) within(t paho.Token) error {
	over := time.NewTimer(connectTime)
	defer over.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-over.C:
		return fmt.Errorf("no answer within %v", connectTime)
	case <-l.quit:
		return errors.New("closed")
	}
}

// now is the present connection, or why there is none.
func (l *link) now() (*connection, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.conn, l.why
}

// put sends a message without waiting for anything.
func (l *link) put(topic, payload string) (*connection, error) {
	c, err := l.now()
	if err != nil {
		return nil, err
	}
	if !c.client.IsConnectionOpen() {
		return nil, errors.New("the connection to the broker was lost")
	}
	select {
	case c.out <- [2]string{l.broker.Topic + topic, payload}:
		return c, nil
	default:
		return nil, errBusy
	}
}

// close ends the connection in good order, without a will.
func (l *link) close() {
	close(l.quit)
	<-l.done
	if c, _ := l.now(); c != nil { // run has failed, and has left it
		c.end()
		c.client.Disconnect(quiesce)
	}
}
