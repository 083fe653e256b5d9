// Package linetest plays a serial line for tests: two pseudo-terminals with the time of a character between them, and what goes wrong on a line.
package linetest

import (
	"io"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive/serial/pty"
)

// Line joins a master's device to a drive's. All its methods may be called from any goroutine.
type Line struct {
	Master string // path of the master's device; a link, as udev makes them, that is gone while the adapter is unplugged
	Drive  string // path of the drive's device

	connect func() error // to a drive that listens at a socket; nil where it opens a device

	baud int
	mu   sync.Mutex
	near io.ReadWriteCloser // the master's end; nil while unplugged
	far  io.ReadWriteCloser

	cut   bool
	noise int           // so many bytes towards the master are corrupted
	late  time.Duration // and the next chunk is held back for so long
	echo  bool
	said  []Chunk
}

// Chunk is what was read at once from one of the two.
type Chunk struct {
	FromMaster bool
	Bytes      []byte
	At         time.Time
}

// NewLine makes a line with 11-bit characters at that speed; at 0 baud they take no time. It ends with the test.
func NewLine(t testing.TB, baud int) *Line {
	near, err := pty.Open()
	if err != nil {
		t.Fatalf("%v", err)
	}
	far, err := pty.Open()
	if err != nil {
		t.Fatalf("%v", err)
	}
	l := &Line{Master: filepath.Join(t.TempDir(), "serial-adapter"), Drive: far.Device(), baud: baud, near: near, far: far}
	if err := os.Symlink(near.Device(), l.Master); err != nil {
		t.Fatal(err)
	}
	var pumps sync.WaitGroup
	pumps.Go(func() { l.pump(near, true) })
	pumps.Go(func() { l.pump(far, false) })
	t.Cleanup(func() {
		l.Unplug()
		far.Close()
		pumps.Wait()
	})
	return l
}

// pump carries bytes one way until its end is closed.
func (l *Line) pump(from io.Reader, fromMaster bool) {
	b := make([]byte, 512)
	free := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	wait := func(until time.Time) {
		timer.Reset(time.Until(until))
		<-timer.C
	}
	<-timer.C
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		chunk := Chunk{fromMaster, append([]byte(nil), b[:n]...), time.Now()}
		if l.baud > 0 {
			if free.Before(chunk.At) {
				free = chunk.At
			}
			free = free.Add(time.Duration(n) * 11 * time.Second / time.Duration(l.baud))
			wait(free)
		}
		if late := l.spoil(&chunk); late > 0 {
			wait(time.Now().Add(late))
		}
		l.deliver(chunk)
	}
}

// spoil records a chunk, does to it what the line does, and says how much later it comes.
func (l *Line) spoil(c *Chunk) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said = append(l.said, Chunk{c.FromMaster, append([]byte(nil), c.Bytes...), c.At})
	if l.cut {
		c.Bytes = nil
	}
	if c.FromMaster {
		return 0
	}
	for i := range c.Bytes {
		if l.noise > 0 {
			l.noise--
			c.Bytes[i] ^= 0x55
		}
	}
	late := l.late
	l.late = 0
	return late
}

func (l *Line) deliver(c Chunk) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.cut {
		return
	}
	if !c.FromMaster || l.echo {
		if l.near != nil {
			_, _ = l.near.Write(c.Bytes) // nobody may be listening
		}
	}
	if c.FromMaster && l.far != nil {
		_, _ = l.far.Write(c.Bytes)
	}
}

// Cut lets nothing through, or everything again. What is on its way is lost.
func (l *Line) Cut(cut bool) { l.with(func() { l.cut = cut }) }

// Noise corrupts the next bytes towards the master.
func (l *Line) Noise(bytes int) { l.with(func() { l.noise = bytes }) }

// Late holds back what the drive says next.
func (l *Line) Late(by time.Duration) { l.with(func() { l.late = by }) }

// Echo makes the master hear itself too.
func (l *Line) Echo() { l.with(func() { l.echo = true }) }

// Inject lets the master hear bytes that the drive never said.
func (l *Line) Inject(b []byte) {
	l.with(func() {
		if l.near != nil {
			_, _ = l.near.Write(b)
		}
	})
}

// Unplug takes the master's adapter away, device and all.
func (l *Line) Unplug() {
	l.with(func() {
		if l.near != nil {
			l.near.Close()
			os.Remove(l.Master)
			l.near = nil
		}
	})
}

// Plug gives it back.
func (l *Line) Plug() error {
	near, err := pty.Open()
	if err != nil {
		return err
	}
	l.with(func() {
		l.near = near
		err = os.Symlink(near.Device(), l.Master)
	})
	go l.pump(near, true) // until Unplug, or the test's end
	return err
}

// Said is all that was said since the last time it was asked.
func (l *Line) Said() (said []Chunk) {
	l.with(func() { said, l.said = l.said, nil })
	return said
}

func (l *Line) with(do func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	do()
}
