package main

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// daemon is the program as the service runs it, at rest: a simulated drive, a store, the panel on loopback.
type daemon struct {
	cmd   *exec.Cmd
	dir   string
	ready time.Duration // from the start of the process to what it tells its supervisor
}

func startDaemon(program string) (*daemon, error) {
	dir, err := os.MkdirTemp("", "figures-daemon")
	if err != nil {
		return nil, err
	}
	d := &daemon{dir: dir}
	told, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		return nil, errors.Join(err, d.end())
	}
	defer told.Close()
	cfg := filepath.Join(dir, "c.toml")
	if err := os.WriteFile(cfg, fmt.Appendf(nil, "[panel]\nlisten = \"127.0.0.1:0\"\n[store]\npath = %q\n", filepath.Join(dir, "store")), 0o600); err != nil {
		return nil, errors.Join(err, d.end())
	}
	d.cmd = exec.Command(program, "--config", cfg, "serve")
	d.cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+filepath.Join(dir, "notify"))
	begun := time.Now()
	if err := d.cmd.Start(); err != nil {
		return nil, errors.Join(err, d.end())
	}
	told.SetReadDeadline(begun.Add(10 * time.Second))
	for b := make([]byte, 4096); d.ready == 0; {
		n, err := told.Read(b)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("it does not say that it is ready: %w", err), d.end())
		}
		if bytes.Contains(b[:n], []byte("READY=1")) {
			d.ready = time.Since(begun)
		}
	}
	return d, nil
}

func (d *daemon) end() error {
	if d.cmd != nil && d.cmd.Process != nil {
		d.cmd.Process.Signal(syscall.SIGTERM)
		d.cmd.Wait()
	}
	return os.RemoveAll(d.dir)
}

// resident are the pages of a process in memory in KiB: all, and those of its own, which no file is behind.
func resident(pid int) (all, own float64, err error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, 0, err
	}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		switch {
		case len(f) < 2:
		case f[0] == "VmRSS:":
			all, _ = strconv.ParseFloat(f[1], 64)
		case f[0] == "RssAnon:":
			own, _ = strconv.ParseFloat(f[1], 64)
		}
	}
	return all, own, nil
}

// spent is the processor time of a process so far.
func spent(pid int) (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, err
	}
	f := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	var ticks int64
	for _, field := range f[11:13] { // utime, stime
		n, err := strconv.ParseInt(field, 10, 64)
		if err != nil {
			return 0, err
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond, nil // USER_HZ is 100 on Linux
}

const restFor = 30 * time.Second

func restMemory(program string) (string, string, bool, error) {
	d, err := startDaemon(program)
	if err != nil {
		return "", "", false, err
	}
	defer d.end()
	<-time.After(10 * time.Second)
	all, own, err := resident(d.cmd.Process.Pid)
	return fmt.Sprintf("%.1f MiB", all/1024), fmt.Sprintf("of its own %.1f MiB; the rest is the program's file", own/1024), all/1024 <= 20, err
}

func restProcessor(program string) (string, string, bool, error) {
	d, err := startDaemon(program)
	if err != nil {
		return "", "", false, err
	}
	defer d.end()
	<-time.After(5 * time.Second)
	before, err := spent(d.cmd.Process.Pid)
	if err != nil {
		return "", "", false, err
	}
	<-time.After(restFor)
	after, err := spent(d.cmd.Process.Pid)
	share := 100 * (after - before).Seconds() / restFor.Seconds()
	return fmt.Sprintf("%.2f %%", share), "", share <= 0.5, err
}

func readyAfter(program string) (string, string, bool, error) {
	least := time.Hour
	for range 5 {
		d, err := startDaemon(program)
		if err != nil {
			return "", "", false, err
		}
		least = min(least, d.ready)
		if err := d.end(); err != nil {
			return "", "", false, err
		}
	}
	return least.Round(time.Millisecond).String(), "best of five", least <= 150*time.Millisecond, nil
}

// storeCache is what the store keeps of its file in memory at most, in KiB: what grows with the swim, until it is full (internal/store).
const storeCache = 2048

// dayOfSwimming swims two sessions of twelve hours at a thousandfold rate, with a store, and looks at the memory meanwhile.
func dayOfSwimming(program string) (string, string, bool, error) {
	dir, err := os.MkdirTemp("", "figures-day")
	if err != nil {
		return "", "", false, err
	}
	defer os.RemoveAll(dir)
	cfg, session := filepath.Join(dir, "c.toml"), filepath.Join(dir, "day.toml")
	err = errors.Join(
		os.WriteFile(cfg, fmt.Appendf(nil, "[safety]\nlongest_swim = \"12h\"\nidle_shutoff = \"2h\"\n[store]\npath = %q\n", filepath.Join(dir, "store")), 0o600),
		os.WriteFile(session, []byte("format = 1\ntitle = \"All day\"\nunit = \"m\"\n[[step]]\nrepeat = 350\n  [[step.step]]\n  time = \"1:30\"\n  pace = \"1:40\"\n  [[step.step]]\n  rest = \"0:30\"\n"), 0o600))
	if err != nil {
		return "", "", false, err
	}
	var firstHour, end, swum float64
	for range 2 {
		cmd := exec.Command(program, "--config", cfg, "run", "--rate", "1000", session)
		if err := cmd.Start(); err != nil {
			return "", "", false, err
		}
		begun, sample := time.Now(), time.NewTicker(250*time.Millisecond)
		var early, late float64
		var status syscall.WaitStatus
		for ended := 0; ended == 0; <-sample.C {
			if _, own, err := resident(cmd.Process.Pid); err == nil && own > 0 {
				if time.Since(begun) < 5*time.Second { // an hour and a half of the swim
					early = max(early, own)
				} else {
					late = max(late, own)
				}
			}
			if ended, err = syscall.Wait4(cmd.Process.Pid, &status, syscall.WNOHANG, nil); err != nil {
				return "", "", false, err
			}
		}
		sample.Stop()
		if status.ExitStatus() != 0 {
			return "", "", false, fmt.Errorf("the swim ended with exit code %d", status.ExitStatus())
		}
		firstHour, end, swum = max(firstHour, early), max(end, late), swum+11.6
	}
	return fmt.Sprintf("%.1f MiB of its own at most in the first hour, %.1f MiB after it", firstHour/1024, end/1024), fmt.Sprintf("%.0f hours in two swims; the store's page cache fills to 2 MiB", swum),
		end <= 1.05*firstHour+storeCache, nil
}
