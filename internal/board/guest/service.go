package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// service keeps the daemon running as its unit says: under a real-time policy, started again a second after every end, and the drive stopped between.
// It has no watchdog: what ends a daemon that hangs here is the hardware's.
type service struct {
	left atomic.Bool // it is not started again

	mu     sync.Mutex
	daemon *os.Process // nil while there is none
	over   chan struct{}
}

// environment is what the unit gives it.
var environment = []string{"RUNTIME_DIRECTORY=/run/sequencerd", "STATE_DIRECTORY=/data/sequencerd", "HOME=/tmp", "TMPDIR=/tmp"}

const program = "/sequencerd"

func (s *service) keep() {
	for !s.left.Load() {
		code, err := s.serve()
		say("the daemon ended: %s %v", code, err)
		stop := exec.Command(program, "stop-drive")
		stop.Env = environment
		begun := time.Now()
		out, err := stop.CombinedOutput()
		say("stop-drive after %v: %v: %s", time.Since(begun).Round(time.Millisecond), err, strings.TrimSpace(string(out)))
		<-time.After(time.Second)
	}
}

// commission puts the record of the installer's course, as a test has it, into the store of a board that is new, and reports whether it was there already.
func commission() (before bool, err error) {
	const dir = "/data/sequencerd/commissioning"
	if _, err := os.Stat(dir); err == nil {
		return true, nil
	}
	record, err := os.ReadFile("/course.json")
	if err != nil {
		return false, err
	}
	return false, errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(dir+"/course.json", record, 0o644))
}

// serve runs the daemon until it ends. Its standard error comes to the console line by line.
func (s *service) serve() (state string, err error) {
	c := exec.Command(program, "serve", "--lay-out", "/session.toml")
	if commissioned, err := commission(); err != nil {
		return "", err
	} else if commissioned {
		c.Args = c.Args[:2] // it has something on its desk
	}
	c.Env = environment
	out, err := c.StderrPipe()
	if err != nil {
		return "", err
	}
	if err := inRealTime(c.Start); err != nil {
		return "", err
	}
	over := make(chan struct{})
	s.mu.Lock()
	s.daemon, s.over = c.Process, over
	s.mu.Unlock()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		fmt.Println(lines.Text())
	}
	err = c.Wait()
	s.mu.Lock()
	s.daemon = nil
	s.mu.Unlock()
	close(over)
	return c.ProcessState.String(), err
}

// inRealTime starts a process under the policy that the unit gives it; this program goes on under its own.
func inRealTime(start func() error) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	const policyOther, policyRR = 0, 2
	if err := unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policyRR, Priority: 20}, 0); err != nil {
		return fmt.Errorf("no real-time policy: %w", err)
	}
	return errors.Join(start(), unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policyOther}, 0))
}

func (s *service) signal(sig unix.Signal) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.daemon == nil {
		return errors.New("there is no daemon")
	}
	err := s.daemon.Signal(sig)
	say("%v", sig)
	return err
}

// end is a clean end of the computer, but for the power.
func (s *service) end() error {
	s.left.Store(true)
	s.mu.Lock()
	over := s.over
	s.mu.Unlock()
	if err := s.signal(unix.SIGTERM); err != nil {
		return err
	}
	<-over
	if err := unix.Unmount("/data", 0); err != nil {
		return err
	}
	say("the end")
	return nil
}

func (s *service) resident() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.daemon == nil {
		return errors.New("there is no daemon")
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.daemon.Pid))
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "VmRSS:") {
			say("resident %s", strings.Join(strings.Fields(line)[1:], " "))
		}
	}
	return nil
}
