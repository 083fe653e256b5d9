package main

import (
	"fmt"
	"io"
	"net"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/task"
)

// The guest's address and mask in QEMU's user network, by its documentation ("Using the user mode network stack").
var (
	address = []byte{10, 0, 2, 15}
	mask    = []byte{255, 255, 255, 0}
)

// network brings up the loopback and the one interface, and lets the host reach the panel, which listens on the loopback alone.
func network() error {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	if err := up(fd, "lo"); err != nil {
		return err
	}
	for _, set := range []struct {
		request uint
		value   []byte
	}{{unix.SIOCSIFADDR, address}, {unix.SIOCSIFNETMASK, mask}} {
		r, err := unix.NewIfreq("eth0")
		if err == nil {
			err = r.SetInet4Addr(set.value)
		}
		if err == nil {
			err = unix.IoctlIfreq(fd, set.request, r)
		}
		if err != nil {
			return fmt.Errorf("eth0: %w", err)
		}
	}
	if err := up(fd, "eth0"); err != nil {
		return err
	}
	l, err := net.Listen("tcp", "10.0.2.15:8080")
	if err != nil {
		return err
	}
	task.Start("panel", failed, func() { forward(l) })
	return nil
}

func up(fd int, name string) error {
	r, err := unix.NewIfreq(name)
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP)
	if err := unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// forward hands connections on to the panel.
func forward(l net.Listener) {
	for {
		outside, err := l.Accept()
		if err != nil {
			say("the panel is out of reach: %v", err)
			return
		}
		task.Start("to the panel", failed, func() { join(outside) })
	}
}

// join carries a connection to the panel and back.
func join(outside net.Conn) {
	defer outside.Close()
	panel, err := net.Dial("tcp", "127.0.0.1:8080")
	if err != nil {
		return // a daemon that is not there answers nobody
	}
	defer panel.Close()
	task.Start("from the panel", failed, func() {
		defer panel.Close()
		_, _ = io.Copy(panel, outside)
	})
	_, _ = io.Copy(outside, panel)
}
