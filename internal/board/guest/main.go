// Command guest is the first process of the virtual board: it makes the computer usable, keeps the daemon running as a service manager would, and does what
// the host tells it over the console.
//
// What it has to say for the test begins with "board: "; all other lines are the daemon's. Commands are lines too:
//
//	clock UNIX    sets the clock of the computer
//	freeze, thaw  stops the daemon in its tracks (SIGSTOP), and lets it go on
//	kill          kills it (SIGKILL): it is started again
//	leave         kills it, and does not start it again
//	crash         crashes the kernel
//	end           ends it as a service manager does (SIGTERM), lets go of the disk, and says so
//	resident      says how much memory the daemon has
package main

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/task"
)

func main() {
	if err := prepare(); err != nil {
		say("cannot be used: %v", err)
	}
	s := &service{}
	task.Start("service", failed, s.keep)
	lines := bufio.NewScanner(os.Stdin)
	for lines.Scan() {
		if err := obey(s, strings.Fields(lines.Text())); err != nil {
			say("%q failed: %v", lines.Text(), err)
		}
	}
	say("the console is gone: %v", lines.Err())
	select {} // the end of the first process is the end of the kernel
}

// failed is told of what has panicked: without it the board is of no use, and the test sees that.
func failed(err error) { say("%v", err) }

func say(format string, args ...any) { fmt.Printf("board: "+format+"\n", args...) }

func obey(s *service, words []string) error {
	if len(words) == 0 {
		return nil
	}
	switch words[0] {
	case "clock":
		seconds, err := strconv.ParseInt(words[len(words)-1], 10, 64)
		if err != nil {
			return err
		}
		before := time.Now()
		if err := unix.Settimeofday(new(unix.NsecToTimeval(seconds * 1e9))); err != nil {
			return err
		}
		say("clock was %s, is %s", before.UTC().Format(time.RFC3339), time.Now().UTC().Format(time.RFC3339))
		return nil
	case "freeze":
		return s.signal(unix.SIGSTOP)
	case "thaw":
		return s.signal(unix.SIGCONT)
	case "kill":
		return s.signal(unix.SIGKILL)
	case "leave":
		s.left.Store(true)
		return s.signal(unix.SIGKILL)
	case "crash":
		return os.WriteFile("/proc/sysrq-trigger", []byte("c"), 0)
	case "end":
		return s.end()
	case "resident":
		return s.resident()
	}
	return fmt.Errorf("no such command")
}

// prepare mounts what programs expect, loads the modules that were brought along, and opens disk and network.
func prepare() error {
	for _, m := range []struct{ kind, at string }{{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/run"}, {"tmpfs", "/tmp"}} {
		if err := unix.Mount(m.kind, m.at, m.kind, 0, ""); err != nil && err != unix.EBUSY {
			return fmt.Errorf("%s cannot be mounted: %w", m.at, err)
		}
	}
	if err := sysctl("/sysctl.conf"); err != nil {
		return err
	}
	if err := raw(0); err != nil {
		return fmt.Errorf("the console: %w", err)
	}
	if err := loadModules(); err != nil {
		return err
	}
	if status, err := os.ReadFile("/sys/class/watchdog/watchdog0/bootstatus"); err == nil {
		say("bootstatus %s", strings.TrimSpace(string(status)))
	}
	if err := unix.Mount("/dev/vda", "/data", "ext4", unix.MS_NOATIME, "errors=remount-ro"); err != nil {
		return fmt.Errorf("the disk cannot be mounted: %w", err)
	}
	if err := os.MkdirAll("/run/sequencerd", 0o700); err != nil {
		return err
	}
	return network()
}

// sysctl sets the kernel's knobs as a file of sysctl.d(5) says.
func sysctl(path string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(text)) {
		key, value, ok := strings.Cut(line, "=")
		if !ok || strings.HasPrefix(line, "#") {
			continue
		}
		knob := "/proc/sys/" + strings.ReplaceAll(strings.TrimSpace(key), ".", "/")
		if err := os.WriteFile(knob, []byte(strings.TrimSpace(value)), 0); err != nil {
			return err
		}
	}
	return nil
}

// loadModules loads all, those that others need first: what lacks another is tried again.
func loadModules() error {
	paths, err := filepath.Glob("/mod/*.ko")
	if err != nil {
		return err
	}
	for len(paths) > 0 {
		var later []string
		var first error
		for _, p := range paths {
			if err := load(p); err != nil && err != unix.EEXIST {
				later, first = append(later, p), err
			}
		}
		if len(later) == len(paths) {
			return fmt.Errorf("the modules %v cannot be loaded: %w", later, first)
		}
		paths = later
	}
	return nil
}

func load(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return unix.FinitModule(int(f.Fd()), "", 0)
}

// raw makes a terminal carry lines as they are.
func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Lflag &^= unix.ECHO
	t.Oflag &^= unix.OPOST
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}
