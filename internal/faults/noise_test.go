package faults

import (
	"fmt"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// noise finds out when this machine was away: it sends itself a byte over a pseudo-terminal every few milliseconds, as the drives' lines are made of,
// and keeps when that took long. What comes over one waits for a thread of the kernel that has no priority, whatever the processes have.
type noise struct {
	mu   sync.Mutex
	late []lateness
}

type lateness struct{ from, to time.Duration }

const (
	noiseEvery = 4 * time.Millisecond
	noiseWorth = 5 * time.Millisecond
)

// start begins to listen; the function ends it.
func (n *noise) start() (end func(), err error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	ours := os.NewFile(uintptr(fd), "/dev/ptmx")
	name, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	var theirs *os.File
	if err == nil {
		theirs, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", name), os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	}
	if err == nil { // at either end: raw
		err = unix.IoctlSetTermios(fd, unix.TCSETS, &unix.Termios{Cflag: unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B19200, Cc: [19]uint8{unix.VMIN: 1}})
	}
	if err != nil {
		ours.Close()
		return nil, err
	}
	var done sync.WaitGroup
	quit := make(chan struct{})
	done.Go(func() { n.listen(ours, theirs, quit) })
	return func() {
		close(quit)
		theirs.Close()
		ours.Close()
		done.Wait()
	}, nil
}

func (n *noise) listen(ours, theirs *os.File, quit <-chan struct{}) {
	tick := time.NewTicker(noiseEvery)
	defer tick.Stop()
	b := make([]byte, 16)
	for due := monotonic() + noiseEvery; ; {
		select {
		case <-quit:
			return
		case <-tick.C:
		}
		if _, err := ours.Write([]byte("?")); err != nil {
			return
		}
		if _, err := theirs.Read(b); err != nil {
			return
		}
		now := monotonic()
		if now-due > noiseWorth {
			n.mu.Lock()
			n.late = append(n.late, lateness{due, now})
			n.mu.Unlock()
		}
		due = now + noiseEvery
	}
}

// within is for how long in all the machine was away between two instants.
func (n *noise) within(from, to time.Duration) (all time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, l := range n.late {
		if l.to > from && l.from < to {
			all += l.to - l.from
		}
	}
	return all
}
