package main

import (
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"flume.example/sequencerd/internal/settings"
)

// running is a mark on the disk for as long as a daemon runs: the next one finds it where this one did not end in good order.
type running struct {
	path string // empty where there is no folder for it
	why  string // why this start, as far as can be known
}

// Why a program was started.
const (
	afterCleanEnd = "first start, or the one before ended in good order"
	afterDeath    = "the program before failed, or was killed"
	afterPower    = "the computer was switched off, or lost its power, while the program ran"
)

// markRunning reads what the daemon before has left, and leaves a mark of its own: the seconds that the computer has been up. Where they have become fewer,
// the computer was started again in between. No clock is asked: a board without a battery wakes up in 1970.
func markRunning(s *settings.Settings) *running {
	r := &running{why: afterCleanEnd}
	dir, err := storeFolder(s)
	if err == nil {
		err = os.MkdirAll(dir, 0o700)
	}
	var info syscall.Sysinfo_t
	if err == nil {
		err = syscall.Sysinfo(&info)
	}
	if err != nil {
		slog.Warn("whether the next start follows a clean end will not be known", "error", err)
		return r
	}
	r.path = filepath.Join(dir, "running")
	up := int64(info.Uptime)
	if left, err := os.ReadFile(r.path); err == nil {
		r.why = afterDeath
		if was, err := strconv.ParseInt(strings.TrimSpace(string(left)), 10, 64); err != nil || was > up {
			r.why = afterPower
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		slog.Warn("whether the program before ended in good order is not known", "error", err)
	}
	if err := os.WriteFile(r.path, strconv.AppendInt(nil, up, 10), 0o600); err != nil {
		slog.Warn("whether the next start follows a clean end will not be known", "error", err)
	}
	return r
}

// clean takes the mark away.
func (r *running) clean() {
	if r.path == "" {
		return
	}
	if err := os.Remove(r.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		slog.Warn("the next start will believe that this end was no clean one", "error", err)
	}
}
