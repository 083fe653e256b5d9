// Package pty is a serial line without wires: a pseudo-terminal, whose one side is a device for whoever speaks over serial lines.
package pty

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// Line is a pseudo-terminal. Its device stays open here too: otherwise nothing could be read while nobody else has it open.
type Line struct {
	*os.File // our side; a Close ends a Read, and deadlines work

	device *os.File
}

// Open makes one, raw. What is written to its device comes out of Line, and the other way round; a byte takes no time.
func Open() (*Line, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("cannot make a pseudo-terminal: %w", err)
	}
	ours := os.NewFile(uintptr(fd), "/dev/ptmx")
	device, err := unlock(fd)
	if err != nil {
		ours.Close()
		return nil, fmt.Errorf("cannot make a pseudo-terminal: %w", err)
	}
	return &Line{ours, device}, nil
}

// unlock opens the device.
func unlock(fd int) (*os.File, error) {
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		return nil, err
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		return nil, err
	}
	mode, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return nil, err
	}
	mode.Iflag, mode.Oflag, mode.Lflag = 0, 0, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, mode); err != nil {
		return nil, err
	}
	return os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
}

// Device is the path of the device.
func (l *Line) Device() string { return l.device.Name() }

// Close ends the line; its device goes with it.
func (l *Line) Close() error {
	err := l.File.Close()
	l.device.Close() // there is nothing left to do about it
	return err
}
