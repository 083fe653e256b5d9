package serial

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/drive/serial/pty"
)

// FuzzRegisters: whatever a drive's registers hold, by each map that comes with the program its speed is a number, what it is said to be is no
// contradiction, and the word that halts it is none that would let it run.
func FuzzRegisters(f *testing.F) {
	for i := range kinds {
		for _, status := range []uint16{0, 0x0250, 0x0231, 0x0237, 0x0218, 0x021F, 0xFFFF} {
			f.Add(uint8(i), status, uint16(0x8000), uint8(1), true)
			f.Add(uint8(i), status, uint16(29), uint8(0), false) // hundredths are no exact numbers
		}
	}
	var maps []*Map
	for _, k := range kinds {
		maps = append(maps, readMap(f, k.file))
	}
	f.Fuzz(func(t *testing.T, which uint8, status, speed uint16, pairs uint8, turning bool) {
		m, polePairs := maps[int(which)%len(maps)], 1+int(pairs)%12
		if n := m.actual.value(speed, polePairs).RPM(); math.Abs(n) > 65536*m.actual.perUnit*60 || math.IsNaN(n) {
			t.Errorf("%04X is %v rpm", speed, n)
		}
		s := m.profile.understand(status)
		if !s.known || s.name == "" || s.word != status || s.running && (!s.enabled || s.fault) {
			t.Errorf("%04X is %+v", status, s)
		}
		halt := m.profile.halt(s, turning)
		if k, ok := m.profile.(plain); ok && (halt == k.run || halt != k.stop) || !ok && halt&0x06 == 0x06 { // CiA 402, table 28: both bits, or the quick stop or less
			t.Errorf("%s is halted with %04X", s, halt)
		}
		if _, ok := m.profile.(velocity); ok && s.fault && m.profile.next(s)&0x06 == 0x06 {
			t.Errorf("%s is let on with %04X", s, m.profile.next(s))
		}
		g := m.target
		if most := m.highest(polePairs); !(g.signed && speed > math.MaxInt16) {
			if v := g.value(speed, polePairs); v.RPM() > most.RPM() || g.number(v, polePairs) != speed {
				t.Errorf("%d is %v and comes back as %d; the highest is %v", speed, v, g.number(v, polePairs), most)
			}
		}
	})
}

// FuzzLine: whatever comes back over the line, whole frames with false contents too, the master that stops, reads and sets a drive up is done in its time
// with a number or an error, and says nothing on the line that could start a motor.
func FuzzLine(f *testing.F) {
	f.Add(uint8(0), []byte("\x00\x00\x02\x00\x21"))
	f.Add(uint8(1), []byte("\x01\x02\x02\x03\x03\x02\x00\x02\x04\x01\x02\x03\x04\x05\x06\x07\x08\x09"))
	f.Add(uint8(2), []byte("\x05\x86\x06\x05\x83\x02\x05\x90\x7f\xff\xff\xff\xff"))
	for _, script := range []string{ // stop, status and its fellows, a parameter, and for a sensor of its own a number, a refusal, another length, silence
		"\x04\x03\x02\x50\x00\x00\x00\x00\x03\x03\x20\x03\x04\x56", "\x04\x03\x02\x50\x00\x00\x00\x00\x03\x03\x20\x02\x02", "\x04\x02\x02\x03\x02\x50\x00\x00\x00\x00\x05", "\x04\x03\x02\x50\x00\x00\x00\x00\x03\x03\x20\x00",
	} {
		f.Add(uint8(129), []byte(script)) // 129 and 130 are the first two kinds
		f.Add(uint8(130), []byte(script))
	}
	f.Fuzz(func(t *testing.T, which uint8, script []byte) {
		near, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		defer near.Close()
		c := config(t, &linetest.Line{Master: near.Device()}, kinds[int(which)%len(kinds)].file)
		c.Baud, c.Answer, c.Slowest = 115200, 5*ms, 5*ms
		if which > 127 { // with a flow sensor, where the map has one in its comments
			if c.Map, err = ParseMap("sensor.toml", []byte(linetest.WithFlowSensor(c.Map.Text))); err != nil {
				t.Fatal(err)
			}
		}
		b, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		a := &anything{script: script, unit: byte(c.Address)}
		var done sync.WaitGroup
		done.Go(func() { a.answer(near.File) })
		begun := time.Now()
		for i := range 4 {
			r := drive.Round{Elapsed: time.Since(begun), Stop: make(chan struct{})}
			r.Until = r.Elapsed + 40*ms
			if i == 0 {
				_ = b.Stop(r) // what comes of it is seen by the motor only
			}
			if got, err := b.Read(r); err == nil && (math.IsNaN(got.Motor.RPM()) || math.IsNaN(got.Sensed.Speed.MetresPerSecond()) || got.Sensed.Known && !c.Map.flow.there) {
				t.Errorf("%+v", got)
			}
			if b.phase == starting || b.phase == running {
				t.Errorf("nobody has set a speed, and the drive is in phase %v", b.phase)
			}
		}
		_, _ = b.Registers(drive.Round{Until: time.Since(begun) + 40*ms, Elapsed: time.Since(begun)})
		_ = b.Close()
		near.Close()
		done.Wait()
		for _, q := range a.heard {
			a.judge(t, c.Map, b.setup.want, q)
		}
	})
}

// anything is a drive that answers whatever its script says.
type anything struct {
	script []byte
	unit   byte
	heard  [][]byte
}

// answer plays until its file is closed.
func (a *anything) answer(file *os.File) {
	var got []byte
	buffer := make([]byte, 256)
	for {
		n, err := file.Read(buffer)
		if err != nil {
			return
		}
		got = append(got, buffer[:n]...)
		for size := requestLength(got); size > 0 && len(got) >= size; size = requestLength(got) {
			a.heard = append(a.heard, bytes.Clone(got[:size]))
			_, _ = file.Write(a.next(got[:size]))
			got = got[size:]
		}
		if len(got) > 0 && requestLength(got) == 0 && len(got) > 8 {
			a.heard = append(a.heard, bytes.Clone(got)) // no request at all: to be judged
			got = nil
		}
	}
}

func (a *anything) take(n int) []byte {
	n = min(n, len(a.script))
	out := a.script[:n]
	a.script = a.script[n:]
	return bytes.Clone(out)
}

// next is the answer to a request: silence, bytes as they are, a refusal, an answer of the right form with registers of the script, an echo, or another echo.
func (a *anything) next(q []byte) []byte {
	how := a.take(1)
	if len(how) == 0 {
		return nil
	}
	switch how[0] % 6 {
	case 1:
		return a.take(int(how[0]) / 6)
	case 2:
		return sealed(append([]byte{q[0], q[1] | failed}, a.take(1)...))
	case 3:
		n := 2 * int(binary.BigEndian.Uint16(q[4:]))
		if n > 250 {
			return nil
		}
		values := make([]byte, n)
		copy(values, a.take(n))
		return sealed(append([]byte{q[0], q[1], byte(n)}, values...))
	case 4:
		return sealed(bytes.Clone(q[:6]))
	case 5:
		other := bytes.Clone(q[:6])
		copy(other[4:], a.take(2))
		return sealed(other)
	}
	return nil
}

// judge holds a frame of the master's to what may be said without an order: reads, halts, acknowledgements, and parameters as they must be.
func (a *anything) judge(t *testing.T, m *Map, want []parameter, q []byte) {
	t.Helper()
	if len(q) < 8 || !intact(q) || q[0] != a.unit {
		t.Errorf("on the line: % x", q)
		return
	}
	var values []uint16
	switch q[1] {
	case readHolding, readInput:
		return
	case writeSingle:
		values = words(q[4:6])
	case writeMultiple:
		values = words(q[7 : len(q)-2])
	}
	at := binary.BigEndian.Uint16(q[2:])
	for i, v := range values {
		here := at + uint16(i)
		ok := here == m.reset.address && m.reset.there && v == m.resetWith
		if here == m.control.address {
			k, simple := m.profile.(plain)
			ok = simple && v != k.run || !simple && v&0x06 != 0x06
		}
		for _, p := range want {
			high, low := uint16(p.want>>16), uint16(p.want)
			ok = ok || !p.wide && here == p.address && v == low || p.wide && (here == p.address && v == high || here == p.address+1 && v == low)
		}
		if !ok {
			t.Errorf("without an order the master writes %04X to register %04X: % x", v, here, q)
		}
	}
}
