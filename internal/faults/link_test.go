package faults

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

// linkLoss is set in all drives: without being spoken to for so long they stop by themselves. slowLoss is for those that show what stop-drive does alone.
const (
	linkLoss = 500 * time.Millisecond
	slowLoss = 10 * time.Second
	topic    = "otterford/drive"
)

// late is by how much late answers are late: too late to count.
const late = 150 * time.Millisecond

// link is what is between the daemon and a motor, and goes wrong. on false heals it.
type link interface {
	config() string
	tell(line string) string // to the motor's process
	cut(on bool, r *rand.Rand)
	garble(on bool)
	late(on bool)
	wedge(on bool) error // what is between keeps everything to itself, and says nothing
	vanish(on bool) error
	close()
}

// serialLink is a line at 19200 baud, with an independent drive at its end.
type serialLink struct {
	line   *linetest.Line
	drive  *linetest.Drive
	mapped string
	loss   time.Duration
	slow   chan struct{} // closed to end late answers
}

func newSerialLink(t *testing.T, kind, mapped string, loss time.Duration) *serialLink {
	line := linetest.NewLine(t, 19200)
	return &serialLink{line: line, drive: linetest.StartDrive(t, kind, line), mapped: mapped, loss: loss}
}

func (l *serialLink) config() string {
	return fmt.Sprintf("[drive]\nbackend = \"serial\"\n[drive.serial]\nport = %q\nparity = \"none\"\nstop_bits = 2\naddress = %d\nmap = %q\nlink_loss = %q\nanswer = %q\nslowest_answer = \"200ms\"\n",
		l.line.Master, linetest.Unit, l.mapped, l.loss, answer)
}

func (l *serialLink) tell(line string) string { return l.drive.Tell("%s", line) }

func (l *serialLink) cut(on bool, _ *rand.Rand) { l.line.Cut(on) }

func (l *serialLink) garble(on bool) {
	if on {
		l.line.Noise(1 << 30)
	} else {
		l.line.Noise(0)
	}
}

// late holds back whatever the drive says, chunk by chunk.
func (l *serialLink) late(on bool) {
	if !on {
		if l.slow != nil {
			close(l.slow)
			l.slow = nil
		}
		l.line.Late(0)
		return
	}
	l.slow = make(chan struct{})
	over := l.slow
	go func() {
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for {
			l.line.Late(late)
			select {
			case <-over:
				l.line.Late(0)
				return
			case <-tick.C:
			}
		}
	}()
}

// wedge holds up the adapter's output, as a line with flow control does whose other end is not ready: a write to it does not end.
func (l *serialLink) wedge(on bool) error {
	fd, err := unix.Open(l.line.Master, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	how := unix.TCOON
	if on {
		how = unix.TCOOFF
	}
	return unix.IoctlSetInt(fd, unix.TCXONC, how)
}

func (l *serialLink) vanish(on bool) error {
	if on {
		l.line.Unplug()
		return nil
	}
	return l.line.Plug()
}

func (l *serialLink) close() { l.late(false) }

// nodeLink is a broker, with a wire to the daemon and one to the node.
type nodeLink struct {
	dir       string
	address   string // the broker's
	broker    *exec.Cmd
	near, far *wire
	node      *exec.Cmd

	mu   sync.Mutex
	in   io.Writer
	said *bufio.Scanner
}

func newNodeLink(t *testing.T, dir string) *nodeLink {
	l := &nodeLink{dir: dir}
	t.Cleanup(l.close)
	var err error
	if l.address, err = freeAddress(); err != nil {
		t.Fatal(err)
	}
	host, port, err := net.SplitHostPort(l.address)
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("listener %s %s\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n", port, host)
	if os.Getuid() == 0 {
		text += "user root\n" // else it would become somebody who may not read its file
	}
	if err := os.WriteFile(l.file(), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := l.vanish(false); err != nil {
		t.Fatal(err)
	}
	for _, w := range []**wire{&l.near, &l.far} {
		if *w, err = newWire(l.address); err != nil {
			t.Fatal(err)
		}
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	l.node = exec.Command(self)
	l.node.Env = append(os.Environ(), asNode+"="+l.far.url())
	l.node.Stderr, l.node.SysProcAttr = t.Output(), mortal()
	l.in, err = l.node.StdinPipe()
	out, err2 := l.node.StdoutPipe()
	if err = errors.Join(err, err2, l.node.Start()); err != nil {
		t.Fatal(err)
	}
	l.said = bufio.NewScanner(out)
	if !l.said.Scan() {
		t.Fatal("the node does not start")
	}
	return l
}

func (l *nodeLink) file() string { return filepath.Join(l.dir, "broker.conf") }

func (l *nodeLink) config() string {
	return fmt.Sprintf("[drive]\nbackend = \"mqtt\"\n[drive.mqtt]\nbroker = %q\ntopic = %q\n", l.near.url(), topic)
}

func (l *nodeLink) tell(line string) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, err := fmt.Fprintln(l.in, line); err != nil || !l.said.Scan() {
		return fmt.Sprintf("nothing: %v", err)
	}
	return l.said.Text()
}

// cut cuts one of the two wires.
func (l *nodeLink) cut(on bool, r *rand.Rand) {
	switch {
	case !on:
		l.near.cut(false)
		l.far.cut(false)
	case r.IntN(2) == 0:
		l.near.cut(true)
	default:
		l.far.cut(true)
	}
}

func (l *nodeLink) garble(on bool) { l.near.garble(on) }

func (l *nodeLink) late(on bool) {
	l.near.late(0)
	if on {
		l.near.late(late)
	}
}

// wedge freezes the broker: its connections stand, and nothing passes. Later it delivers all that it was given.
func (l *nodeLink) wedge(on bool) error {
	if on {
		return l.broker.Process.Signal(syscall.SIGSTOP)
	}
	return l.broker.Process.Signal(syscall.SIGCONT)
}

// vanish kills the broker, or starts it and waits until it listens.
func (l *nodeLink) vanish(on bool) error {
	if on {
		err := l.broker.Process.Kill()
		_ = l.broker.Wait()
		return err
	}
	l.broker = exec.Command("mosquitto", "-c", l.file())
	l.broker.SysProcAttr = mortal()
	if err := l.broker.Start(); err != nil {
		return err
	}
	return until("the broker listens", 10*time.Second, func() bool {
		c, err := net.Dial("tcp", l.address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (l *nodeLink) close() {
	for _, c := range []*exec.Cmd{l.node, l.broker} {
		if c != nil && c.Process != nil {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
	}
	for _, w := range []*wire{l.near, l.far} {
		if w != nil {
			w.close()
		}
	}
}

// until waits for something to be so.
func until(what string, within time.Duration, is func() bool) error {
	over := time.NewTimer(within)
	defer over.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-over.C:
			return fmt.Errorf("not within %v: %s", within, what)
		case <-tick.C:
		}
	}
	return nil
}

// pass lets time pass.
func pass(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	<-timer.C
}
