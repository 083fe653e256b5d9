package panel

import (
	"net"
	"strings"
	"sync"
	"testing"
)

// gate is a wire between a browser and the panel that can be cut: what passes stands still, and nothing is told.
type gate struct {
	base string

	mu   sync.Mutex
	cond *sync.Cond
	shut bool
}

func newGate(t testing.TB, base string) *gate {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &gate{base: "http://" + l.Addr().String()}
	g.cond = sync.NewCond(&g.mu)
	t.Cleanup(func() { l.Close(); g.open() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", strings.TrimPrefix(base, "http://"))
			if err != nil {
				in.Close()
				return
			}
			go g.pass(in, out)
			go g.pass(out, in)
		}
	}()
	return g
}

func (g *gate) close() { g.mu.Lock(); g.shut = true; g.mu.Unlock() }
func (g *gate) open()  { g.mu.Lock(); g.shut = false; g.cond.Broadcast(); g.mu.Unlock() }

func (g *gate) pass(to, from net.Conn) {
	defer to.Close()
	b := make([]byte, 4096)
	for {
		n, err := from.Read(b)
		g.mu.Lock()
		for g.shut {
			g.cond.Wait()
		}
		g.mu.Unlock()
		if _, werr := to.Write(b[:n]); err != nil || werr != nil {
			return
		}
	}
}
