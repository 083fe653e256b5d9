package serial

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

func BenchmarkAsk(b *testing.B) {
	line := linetest.NewLine(b, 0)
	linetest.StartDrive(b, "velocity", line)
	p, err := openPort(line.Master, 19200, None, 2)
	if err != nil {
		b.Fatal(err)
	}
	defer p.close()
	m := master{timing: timingFor(19200, None, 2, 40*time.Millisecond, 100*time.Millisecond), port: p}
	q := readRequest(7, 3, 0x610, 2)
	for b.Loop() {
		if _, _, err := m.ask(call{until: time.Now().Add(time.Second)}, q); err != nil {
			b.Fatal(err)
		}
	}
}
