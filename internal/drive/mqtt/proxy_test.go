package mqtt

import (
	"fmt"
	"net"
	"sync"
	"testing"
)

// wire is a piece of network that can be cut without either end being told, like a cable. What was sent meanwhile arrives when it is whole again: late.
type wire struct {
	port   int
	listen net.Listener

	mu    sync.Mutex
	whole chan struct{} // closed while it is whole
	conns []net.Conn
	done  sync.WaitGroup
}

// newWire leads from a new port to that one.
func newWire(t testing.TB, to int) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{port: l.Addr().(*net.TCPAddr).Port, listen: l, whole: make(chan struct{})}
	close(w.whole)
	w.done.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", to))
			if err != nil {
				near.Close()
				continue
			}
			w.mu.Lock()
			w.conns = append(w.conns, near, far)
			w.mu.Unlock()
			w.done.Go(func() { w.carry(near, far) })
			w.done.Go(func() { w.carry(far, near) })
		}
	})
	t.Cleanup(w.close)
	return w
}

func (w *wire) carry(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		w.mu.Lock()
		whole := w.whole
		w.mu.Unlock()
		<-whole
		if err != nil {
			return
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	select {
	case <-w.whole:
		w.whole = make(chan struct{})
	default:
	}
}

func (w *wire) restore() {
	w.mu.Lock()
	defer w.mu.Unlock()
	select {
	case <-w.whole:
	default:
		close(w.whole)
	}
}

func (w *wire) close() {
	w.listen.Close()
	w.restore()
	w.mu.Lock()
	for _, c := range w.conns {
		c.Close()
	}
	w.mu.Unlock()
	w.done.Wait()
}
