package faults

import (
	"net"
	"sync"
	"time"
)

// wire is a piece of network to a broker that goes wrong without either end being told, like a cable. What was said while it was cut arrives late.
type wire struct {
	listen net.Listener
	to     string

	mu      sync.Mutex
	whole   chan struct{} // closed while it is whole
	garbled bool
	delay   time.Duration
	conns   []net.Conn
	done    sync.WaitGroup
}

// newWire leads from a port of its own to that address.
func newWire(to string) (*wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &wire{listen: l, to: to, whole: make(chan struct{})}
	close(w.whole)
	w.done.Go(w.accept)
	return w, nil
}

func (w *wire) url() string { return "mqtt://" + w.listen.Addr().String() }

func (w *wire) accept() {
	for {
		near, err := w.listen.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", w.to)
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
}

// chunk is what was read at once, and when it is due.
type chunk struct {
	bytes []byte
	due   time.Time
}

func (w *wire) carry(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	chunks := make(chan chunk, 1024)
	var writer sync.WaitGroup
	writer.Go(func() {
		defer from.Close()
		timer := time.NewTimer(0)
		defer timer.Stop()
		for c := range chunks {
			if wait := time.Until(c.due); wait > 0 {
				timer.Reset(wait)
				<-timer.C
			}
			w.mu.Lock()
			whole := w.whole
			w.mu.Unlock()
			<-whole
			if _, err := to.Write(c.bytes); err != nil {
				break
			}
		}
		for range chunks { // until the reader ends too
		}
	})
	defer writer.Wait()
	defer close(chunks)
	for {
		b := make([]byte, 4096)
		n, err := from.Read(b)
		if err != nil {
			return
		}
		w.mu.Lock()
		c := chunk{b[:n], time.Now().Add(w.delay)}
		if w.garbled {
			for i := range c.bytes {
				c.bytes[i] ^= 0x55
			}
		}
		w.mu.Unlock()
		chunks <- c
	}
}

func (w *wire) cut(on bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	select {
	case <-w.whole:
		if on {
			w.whole = make(chan struct{})
		}
	default:
		if !on {
			close(w.whole)
		}
	}
}

func (w *wire) garble(on bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.garbled = on
}

func (w *wire) late(by time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.delay = by
}

func (w *wire) close() {
	w.listen.Close()
	w.cut(false)
	w.mu.Lock()
	for _, c := range w.conns {
		c.Close()
	}
	w.mu.Unlock()
	w.done.Wait()
}
