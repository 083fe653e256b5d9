package serial

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/task"
)

// Parities of a serial line.
const (
	None = "none"
	Even = "even"
	Odd  = "odd"
)

// speeds are the line speeds that can be set, in baud.
var speeds = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200,
}

// Speeds lists the line speeds that can be set, in baud, rising.
func Speeds() []int { return []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200} }

// port is an open serial line. One goroutine of its own empties it as bytes come, so that nothing old lies in the system's buffer.
type port struct {
	file   *os.File
	news   chan struct{}  // one place: something came, or the line broke
	ended  chan struct{}  // the goroutine is gone
	failed *task.Failures // of the goroutine, for the one that calls

	mu   sync.Mutex
	got  []byte
	last time.Time // of the latest byte
	err  error     // why no more will come
}

// mostKept is what is kept of what comes while nobody takes it: more than the longest frame (256 bytes).
const mostKept = 1024

// openPort opens a device without waiting for a carrier, raw, at the speed and format given.
func openPort(name string, baud int, parity string, stopBits int) (*port, error) {
	fd, err := unix.Open(name, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("cannot open the serial line %s: %w", name, err)
	}
	if err := configure(fd, baud, parity, stopBits); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("cannot set up the serial line %s: %w", name, err)
	}
	// A file that does not block is waited for by the runtime, so that Close ends a read.
	p := &port{file: os.NewFile(uintptr(fd), name), news: make(chan struct{}, 1), ended: make(chan struct{}), last: time.Now(), failed: task.NewFailures()}
	task.Start("listener of the serial line "+name, p.fail, p.listen)
	return p, nil
}

func configure(fd, baud int, parity string, stopBits int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	// A byte whose parity is wrong becomes 0; the checksum finds it.
	t.Iflag, t.Oflag, t.Lflag = unix.IGNBRK|unix.INPCK, 0, 0
	t.Cflag = unix.CREAD | unix.CLOCAL | unix.CS8 | speeds[baud]
	t.Ispeed, t.Ospeed = speeds[baud], speeds[baud]
	if parity != None {
		t.Cflag |= unix.PARENB
	}
	if parity == Odd {
		t.Cflag |= unix.PARODD
	}
	if stopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0 // with 0 a read of an empty line would look like the end of the file
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return err
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

func (p *port) listen() {
	defer close(p.ended)
	b := make([]byte, 256)
	for {
		n, err := p.file.Read(b)
		p.mu.Lock()
		if n > 0 {
			p.got, p.last = append(p.got, b[:n]...), time.Now()
			if over := len(p.got) - mostKept; over > 0 {
				p.got = p.got[over:]
			}
		}
		if err == io.EOF {
			err = fmt.Errorf("the serial line %s is gone", p.file.Name())
		}
		if err != nil {
			p.err = err
		}
		p.mu.Unlock()
		select {
		case p.news <- struct{}{}:
		default:
		}
		if err != nil {
			return
		}
	}
}

// fail is told of a panic in listen: the line is of no use any more, and whoever asks over it fails in its place.
func (p *port) fail(err error) {
	p.failed.Put(err) // first: who finds the line broken is to find out why, and must not open it anew as if its adapter had been pulled
	p.mu.Lock()
	p.err = err
	p.mu.Unlock()
}

// take hands over what has come since, and says when the latest byte did. The error is that of a line that is gone for good; it panics once where listen has.
func (p *port) take() (got []byte, last time.Time, err error) {
	p.failed.Raise()
	p.mu.Lock()
	defer p.mu.Unlock()
	got, p.got = p.got, nil
	return got, p.last, p.err
}

func (p *port) write(frame []byte, by time.Time) error {
	err := p.file.SetWriteDeadline(by)
	if err == nil {
		_, err = p.file.Write(frame)
	}
	if err != nil {
		err = fmt.Errorf("cannot write to the serial line: %w", err)
		p.mu.Lock()
		p.err = err // a part of a frame may be out; the line is to be opened anew
		p.mu.Unlock()
	}
	return err
}

// broken reports whether the line is gone for good. It panics once where listen has.
func (p *port) broken() bool {
	p.mu.Lock()
	gone := p.err != nil
	p.mu.Unlock()
	if gone {
		p.failed.Raise()
	}
	return gone
}

// close throws away what has not been sent, for which the system could wait half a minute, and returns when the goroutine is gone.
func (p *port) close() {
	if raw, err := p.file.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) { _ = unix.IoctlSetInt(int(fd), unix.TCFLSH, unix.TCOFLUSH) })
	}
	_ = p.file.Close() // there is nothing left to do about a line that does not close
	<-p.ended
}
