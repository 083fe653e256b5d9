package alive

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// dog is a hardware watchdog, by the kernel's watchdog interface (Documentation/watchdog/watchdog-api.rst).
type dog struct {
	file    *os.File
	control control
}

// control is what is asked of the kernel about an open watchdog.
type control interface {
	keepalive(fd int) error
	setTimeout(fd, seconds int) error
	timeout(fd int) (seconds int, err error)
	bootStatus(fd int) (flags int, err error)
}

// openDog opens and so arms a watchdog, sets its time, and reads it back: a watchdog that waits longer than somebody counts on is none.
// Where that fails it is disarmed again.
func openDog(path string, want time.Duration, k control) (*dog, error) {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		var p *os.PathError
		if errors.As(err, &p) {
			err = p.Err
		}
		return nil, fmt.Errorf("cannot be opened: %w", err)
	}
	d := &dog{f, k}
	fd := int(f.Fd())
	err = k.setTimeout(fd, int(want/time.Second))
	is, readErr := k.timeout(fd)
	switch has := time.Duration(is) * time.Second; {
	case readErr != nil:
		err = fmt.Errorf("its time cannot be read: %w", readErr)
	case has == want:
		return d, nil // however it came to that
	case err != nil:
		err = fmt.Errorf("it does not take %v (%w); it has %v", want, err, has)
	default:
		err = fmt.Errorf("it takes %v where %v was asked: configure what it takes", has, want)
	}
	return nil, errors.Join(err, d.disarm())
}

// hasReset reports whether it was this watchdog that last reset the computer. One that does not know says that it was not.
func (d *dog) hasReset() bool {
	flags, err := d.control.bootStatus(int(d.file.Fd()))
	return err == nil && flags&unix.WDIOF_CARDRESET != 0
}

func (d *dog) feed() error { return d.control.keepalive(int(d.file.Fd())) }

// disarm is the magic close: the letter V, then a close. A kernel that was built or loaded with nowayout goes on all the same.
func (d *dog) disarm() error {
	_, err := d.file.Write([]byte("V"))
	return errors.Join(err, d.file.Close())
}

// kernel is the real control.
type kernel struct{}

func (kernel) keepalive(fd int) error { return unix.IoctlWatchdogKeepalive(fd) }
func (kernel) setTimeout(fd, seconds int) error {
	return unix.IoctlSetPointerInt(fd, unix.WDIOC_SETTIMEOUT, seconds)
}
func (kernel) timeout(fd int) (int, error)    { return unix.IoctlGetInt(fd, unix.WDIOC_GETTIMEOUT) }
func (kernel) bootStatus(fd int) (int, error) { return unix.IoctlGetInt(fd, unix.WDIOC_GETBOOTSTATUS) }
