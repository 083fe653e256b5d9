package serial

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"time"
)

// What a slave refuses with: MODBUS Application Protocol Specification V1.1b3, clause 7.
const (
	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
)

// Times of a played drive.
const (
	lookEvery = 5 * time.Millisecond // at its motor and at the time
	thinking  = 2 * time.Millisecond // before it answers
)

// Wire is a line as whoever answers on it sees it: an *os.File whose reads have deadlines.
type Wire interface {
	io.ReadWriter
	SetReadDeadline(t time.Time) error
}

// Serve answers on a line until ctx is done, then stops the motor. clock is elapsed time that never runs back, also that of the motor. An answer takes
// the time that it and its question would take on a wire.
func (p *Player) Serve(ctx context.Context, line Wire, clock func() time.Duration) error {
	char := timingFor(p.cfg.Baud, p.cfg.Parity, p.cfg.StopBits, 0, 0).char
	pause := time.NewTimer(0)
	defer pause.Stop()
	<-pause.C
	var got []byte
	b := make([]byte, 512)
	for ctx.Err() == nil {
		if err := line.SetReadDeadline(time.Now().Add(lookEvery)); err != nil {
			return err
		}
		n, err := line.Read(b)
		p.Tick(clock())
		if errors.Is(err, os.ErrDeadlineExceeded) {
			if answer := p.Answer(got); answer != nil { // a request of no length that is known here, and then silence
				p.send(line, pause, time.Duration(len(got)+len(answer))*char, answer)
			}
			got = nil
			continue
		}
		if err != nil {
			return err
		}
		got = append(got, b[:n]...)
		for size := requestLength(got); size > 0 && len(got) >= size; size = requestLength(got) {
			frame := got[:size]
			got = got[size:]
			if answer := p.Answer(frame); answer != nil {
				p.send(line, pause, time.Duration(size+len(answer))*char, answer)
			}
		}
	}
	_ = p.motor.Stop(p.round())
	return nil
}

func (p *Player) send(line io.Writer, pause *time.Timer, wire time.Duration, answer []byte) {
	pause.Reset(thinking + wire)
	<-pause.C
	_, _ = line.Write(answer) // who asked may be gone
}

// requestLength is that of the request which these bytes begin, checksum included; 0 where that is not known yet, or never.
func requestLength(got []byte) int {
	if len(got) < 2 {
		return 0
	}
	switch got[1] {
	case readHolding, readInput, writeSingle:
		return 8
	case writeMultiple:
		if len(got) >= 7 {
			return 9 + int(got[6])
		}
	}
	return 0
}

// Answer does what one whole request asks; nil for one that is garbled, or for another drive.
func (p *Player) Answer(frame []byte) []byte {
	if len(frame) < 4 || !intact(frame) || frame[0] != p.unit {
		return nil
	}
	p.heard = p.now
	function := frame[1]
	refuse := func(code byte) []byte { return sealed([]byte{p.unit, function | failed, code}) }
	if requestLength(frame) != len(frame) {
		return refuse(illegalFunction)
	}
	address, n := binary.BigEndian.Uint16(frame[2:]), binary.BigEndian.Uint16(frame[4:])
	switch function {
	case readHolding, readInput:
		if n < 1 || n > 125 {
			return refuse(illegalValue)
		}
		answer := []byte{p.unit, function, byte(2 * n)}
		for i := range n {
			v, ok := p.value(place{function, address + i})
			if !ok {
				return refuse(illegalAddress)
			}
			answer = binary.BigEndian.AppendUint16(answer, v)
		}
		return sealed(answer)
	case writeSingle:
		if !p.write(address, n) {
			return refuse(illegalAddress)
		}
		return frame // clause 6.6: the answer is the request
	}
	values := frame[7 : len(frame)-2]
	if n < 1 || int(n) != len(values)/2 || len(values)%2 != 0 {
		return refuse(illegalValue)
	}
	if !p.write(address, words(values)...) {
		return refuse(illegalAddress)
	}
	return sealed(append([]byte(nil), frame[:6]...)) // clause 6.12
}

// value is what a register holds.
func (p *Player) value(at place) (uint16, bool) {
	m := p.cfg.Map
	switch {
	case !p.read[at]:
		return 0, false
	case at == place{m.status.function, m.status.address}:
		return p.word(), true
	case at == place{m.actual.function, m.actual.address}:
		return m.actual.number(p.said.Motor, p.cfg.PolePairs), true
	case m.code.there && at == place{m.code.function, m.code.address}:
		if p.state == faultReaction || p.state == inFault {
			return faultCode, true
		}
		return 0, true
	case m.flow.there && at == place{m.flow.function, m.flow.address}:
		return m.flow.numberOf(p.said.Sensed.Speed), p.said.Sensed.Known // a drive without the sensor has no such register
	}
	return p.held[at.address], true
}

// write sets registers that follow each other, all or none.
func (p *Player) write(address uint16, values ...uint16) bool {
	for i := range values {
		if _, ok := p.held[address+uint16(i)]; !ok {
			return false
		}
	}
	for i, v := range values {
		p.held[address+uint16(i)] = v
	}
	p.obey()
	return true
}
