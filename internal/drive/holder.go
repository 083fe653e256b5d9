package drive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
)

// Holder says who holds the drive behind link, without taking anything: a try for the lock, however short, could keep a daemon from it that starts just now.
// Where nobody does, the record is that of the last one who did not see the motor at rest, else zero.
func Holder(link string) (r Record, held bool, err error) {
	base, _, err := place(link)
	if err != nil {
		return r, false, err
	}
	if r, err = readRecord(base + ".json"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Record{}, false, err
	}
	info, err := os.Stat(base + ".lock")
	if errors.Is(err, fs.ErrNotExist) {
		return r, false, nil
	}
	if err != nil {
		return r, false, fmt.Errorf("cannot look at the drive's lock: %w", err)
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return r, false, errors.New("cannot tell the drive's lock from others")
	}
	locks, err := os.ReadFile("/proc/locks") // proc_locks(5): "1: FLOCK ADVISORY WRITE PID MAJOR:MINOR:INODE 0 EOF"
	if err != nil {
		return r, false, fmt.Errorf("cannot read who holds locks: %w", err)
	}
	for line := range strings.Lines(string(locks)) {
		f := strings.Fields(line)
		if len(f) >= 6 && f[1] == "FLOCK" && strings.HasSuffix(f[5], fmt.Sprintf(":%d", st.Ino)) {
			return r, true, nil
		}
	}
	return r, false, nil
}
