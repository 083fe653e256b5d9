package drive

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// Lock is the ownership of one drive: whatever moves a drive holds it. It ends with the process, whichever way that ends.
type Lock struct {
	file   *os.File
	record string // path of the record beside the lock
}

// lockRetry is the time between two tries for a lock that somebody holds.
const lockRetry = 10 * time.Millisecond

// Acquire takes the lock of the drive behind link, a device's path or an address, and writes beside it who holds it: command, and drive, the
// resolved description of the drive from which stop-drive can stop it. Where somebody else holds the lock, the error is a *Held.
func Acquire(link, command, drive string) (*Lock, error) {
	base, link, err := place(link)
	if err != nil {
		return nil, err
	}
	// The file stays for ever: to remove it would let two processes hold locks on two files of one name.
	f, err := os.OpenFile(base+".lock", os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("cannot open the drive's lock: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("cannot lock %s: %w", f.Name(), err)
		}
		held := &Held{Link: link}
		held.By, _ = readRecord(base + ".json") // without a record it is still held
		return nil, held
	}
	l := &Lock{file: f, record: base + ".json"}
	r := Record{PID: os.Getpid(), Command: command, Since: time.Now().Round(time.Second), Link: link, Drive: drive}
	if err := r.write(l.record); err != nil {
		f.Close()
		return nil, err
	}
	return l, nil
}

// AcquireWithin is Acquire, but waits so long for whoever holds the lock to let it go.
func AcquireWithin(wait time.Duration, link, command, drive string) (*Lock, error) {
	over := time.NewTimer(wait)
	defer over.Stop()
	again := time.NewTicker(lockRetry)
	defer again.Stop()
	for {
		l, err := Acquire(link, command, drive)
		if held := new(Held); !errors.As(err, &held) {
			return l, err
		}
		select {
		case <-over.C:
			return nil, err
		case <-again.C:
		}
	}
}

// Release lets the lock go and leaves the record, so that stop-drive still knows the drive. It works twice.
func (l *Lock) Release() error {
	if err := l.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("cannot let the drive's lock go: %w", err)
	}
	return nil
}

// Forget removes the record: for when the motor was seen at rest, and nothing is left to stop. The lock must still be held.
func (l *Lock) Forget() error {
	if err := os.Remove(l.record); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("cannot remove the drive's record: %w", err)
	}
	return nil
}

// Held says that somebody else holds a drive.
type Held struct {
	Link string
	By   Record // the zero Record where that could not be read
}

// Error names the holder.
func (h *Held) Error() string {
	if h.By.PID == 0 {
		return fmt.Sprintf("the drive on %s is held by another program", h.Link)
	}
	return fmt.Sprintf("the drive on %s is held by %q (process %d, since %s)",
		h.Link, h.By.Command, h.By.PID, h.By.Since.Local().Format("2006-01-02 15:04:05"))
}
