package linetest

import (
	"io"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// NewSocketLine makes a line between two sockets, for a master that is an emulated computer: Master is a socket that it connects to, and may connect to anew
// after it was switched off; Drive is an address at which StartDrive lets the drive listen. The kernel hands bytes through a pseudo-terminal on by a
// worker at ordinary priority, which on a busy machine is late by more than a drive is; through a socket it does not.
func NewSocketLine(t testing.TB, baud int) *Line {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &Line{Master: filepath.Join(t.TempDir(), "serial"), Drive: free.Addr().String(), baud: baud}
	free.Close()
	masters, err := net.Listen("unix", l.Master)
	if err != nil {
		t.Fatal(err)
	}
	var pumps sync.WaitGroup
	pumps.Go(func() {
		for {
			c, err := masters.Accept()
			if err != nil {
				return
			}
			l.with(func() {
				if l.near != nil {
					l.near.Close()
				}
				l.near = c
			})
			pumps.Go(func() { l.pump(c, true) })
		}
	})
	l.connect = func() error {
		over := time.After(10 * time.Second)
		for {
			c, err := net.Dial("tcp", l.Drive)
			if err == nil {
				l.with(func() { l.far = c })
				pumps.Go(func() { l.pump(c, false) })
				return nil
			}
			select {
			case <-over:
				return err
			case <-time.After(10 * time.Millisecond):
			}
		}
	}
	t.Cleanup(func() {
		masters.Close()
		l.with(func() {
			for _, end := range []io.Closer{l.near, l.far} {
				if end != nil {
					end.Close()
				}
			}
		})
		pumps.Wait()
	})
	return l
}
