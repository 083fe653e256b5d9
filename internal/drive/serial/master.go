package serial

import (
	"bytes"
	"errors"
	"fmt"
	"time"
)

// What a request can fail of.
var (
	errGaveUp   = errors.New("gave up a wait on the serial line for a stop")
	errDeadline = errors.New("the time for this exchange is over")
	errNoAnswer = errors.New("no answer from the drive")
	errGarbled  = errors.New("the drive's answer is garbled")
	errLate     = errors.New("an answer may still be on its way; the line is left alone until none can come")
	errEcho     = errors.New("the serial adapter hands back what it sends: wire or set it so that it does not")
	errUnsure   = errors.New("an answer came that may be that of an earlier request")
)

// call is what a request is told about the call of the backend that it is part of.
type call struct {
	until time.Time       // to give up at
	stop  <-chan struct{} // closed: give up at once
	first bool            // a stop: it does not wait until a late answer can no longer come
}

// babble is how long a stop waits for silence on a line that has none.
const babble = 10 * time.Millisecond

// timing is the time that things take on a line.
type timing struct {
	char    time.Duration // one character
	silence time.Duration // between two frames
	answer  time.Duration // from a request's end to its answer's begin, at most; what is later counts as none
	slowest time.Duration // the same, but after this truly none can come
}

// timingFor is by MODBUS over Serial Line V1.02, clause 2.5.1.1: silence of 3.5 characters, and 1.750 ms above 19200 baud.
func timingFor(baud int, parity string, stopBits int, answer, slowest time.Duration) timing {
	bits := 1 + 8 + stopBits
	if parity != None {
		bits++
	}
	t := timing{char: time.Duration(bits) * time.Second / time.Duration(baud), answer: answer, slowest: slowest}
	if t.silence = t.char * 7 / 2; baud > 19200 {
		t.silence = 1750 * time.Microsecond
	}
	return t
}

// master asks one question at a time. An answer belongs to the question before it, or to none: after a wait that ended without an answer the
// next question waits until none can come any more. A stop alone does not; its answer differs from those that may come late, or it does not count.
type master struct {
	timing
	port *port
	got  []byte // since the latest request
	free time.Time

	asked  request   // the latest request
	sent   time.Time // its end on the line
	owed   bool      // its wait was given up before its time was over
	late   time.Time // until then the answer to an earlier request can come
	belong []byte    // what that answer is, where known
	echoes bool      // the adapter hands back what it sends
}

// ask sends a request and waits for its answer. It also says when the request's last byte was out.
func (m *master) ask(c call, q request) ([]uint16, time.Time, error) {
	if err := m.settle(c); err != nil {
		return nil, time.Time{}, err
	}
	wire := time.Duration(len(q.frame)+q.length) * m.char
	now := time.Now()
	if now.Add(wire).After(c.until) {
		return nil, time.Time{}, errDeadline // an answer could not be had
	}
	unsure := now.Before(m.late) && q.echo != nil && bytes.Equal(q.echo, m.belong)
	if closed(c.stop) {
		return nil, time.Time{}, errGaveUp
	}
	if err := m.port.write(q.frame, c.until); err != nil {
		return nil, time.Time{}, err
	}
	m.asked, m.got = q, nil
	m.sent = time.Now().Add(time.Duration(len(q.frame)) * m.char)
	m.owed = true
	registers, err := m.await(c)
	if err == nil && unsure {
		err = errUnsure
	}
	return registers, m.sent, err
}

// due is when the latest request's answer has to be here.
func (m *master) due() time.Time {
	return m.sent.Add(m.answer + time.Duration(m.asked.length)*m.char)
}

// await waits for the answer to the latest request.
func (m *master) await(c call) ([]uint16, error) {
	for {
		if err := m.hear(); err != nil {
			return nil, err
		}
		registers, done, err := m.asked.answer(m.got)
		if m.asked.echo == nil && bytes.Contains(m.got, m.asked.frame) {
			m.echoes = true
		}
		if done {
			m.owed = false
			if m.echoes {
				err = errEcho // a write's answer could be our own words
			}
			return registers, err
		}
		due := m.due()
		if !time.Now().Before(due) {
			return nil, m.missed()
		}
		if err := m.pause(c, due); err != nil {
			return nil, err
		}
	}
}

// missed ends the wait for an answer that did not come in time.
func (m *master) missed() error {
	m.owed = false
	m.late, m.belong = m.sent.Add(m.slowest+time.Duration(m.asked.length)*m.char), m.asked.echo
	switch {
	case m.echoes:
		return errEcho
	case len(m.got) > 0:
		return fmt.Errorf("%w: % x", errGarbled, m.got[:min(len(m.got), 16)])
	}
	return errNoAnswer
}

// settle waits until the line is free for the next request.
func (m *master) settle(c call) error {
	if m.owed {
		if _, err := m.await(c); m.owed {
			return err
		}
	}
	latest := time.Now().Add(babble)
	for {
		if err := m.hear(); err != nil {
			return err
		}
		ready := m.free
		switch {
		case c.first && ready.After(latest):
			ready = latest
		case c.first:
		case m.late.After(c.until):
			_ = m.pause(c, c.until) // whatever ends it
			return errLate
		case m.late.After(ready):
			ready = m.late
		}
		if !time.Now().Before(ready) {
			return nil
		}
		if err := m.pause(c, ready); err != nil {
			return err
		}
	}
}

// hear takes over what has come.
func (m *master) hear() error {
	got, last, err := m.port.take()
	m.got = append(m.got, got...)
	if over := len(m.got) - mostKept; over > 0 {
		m.got = m.got[over:]
	}
	if m.sent.After(last) {
		last = m.sent
	}
	m.free = last.Add(m.silence)
	return err
}

// pause waits for more to come, but no longer than until then.
func (m *master) pause(c call, then time.Time) error {
	over := false
	if then.After(c.until) {
		then, over = c.until, true
	}
	timer := time.NewTimer(time.Until(then))
	defer timer.Stop()
	select {
	case <-m.port.news:
	case <-c.stop:
		return errGaveUp
	case <-timer.C:
		if over {
			return errDeadline
		}
	}
	return nil
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}
