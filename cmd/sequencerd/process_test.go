package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// patience is how long anything may take here before a test gives up; all of it takes far less.
const patience = 90 * time.Second

// trial is one try of a test with real processes. The guard stops a swim whose loop was late by 150 ms, and is right to: on a machine that is too busy the
// test is tried again, up to five times.
type trial struct {
	failures []string
	ends     []func()
	late     bool
}

func try(t *testing.T, body func(t *trial)) {
	t.Helper()
	for range 5 {
		tr := attempt(body)
		if tr.late {
			t.Logf("tried again, the machine was busy: %s", strings.Join(tr.failures, "; "))
			continue
		}
		for _, f := range tr.failures {
			t.Error(f)
		}
		return
	}
	t.Error("this machine was late by more than 150 ms five times: too busy to swim on")
}

// attempt is one try, with what it began ended.
func attempt(body func(t *trial)) *trial {
	tr, done := &trial{}, make(chan struct{})
	go func() {
		defer close(done)
		defer func() {
			for _, end := range tr.ends {
				end()
			}
		}()
		body(tr)
	}()
	<-done
	return tr
}

func (t *trial) Helper() {}

// blame puts it down to the machine where a program on a real link was stopped for something that came too late.
func (t *trial) blame(p *process) {
	for _, busy := range []string{"[feedback-old]", "[link-lost]", "[link-settling]", "[tick-late]", "[loop-silent]"} {
		t.late = t.late || strings.Contains(p.output(), busy)
	}
}

func (t *trial) Errorf(format string, args ...any) {
	t.failures = append(t.failures, fmt.Sprintf(format, args...))
}

func (t *trial) Fatalf(format string, args ...any) {
	t.Errorf(format, args...)
	runtime.Goexit()
}

// process is the program as one starts it, with everything that it has written so far.
type process struct {
	t        *trial
	cmd      *exec.Cmd
	terminal *os.File // the master's side; nil without one
	line     *os.File // the program's side
	before   unix.Termios
	after    unix.Termios
	drained  chan struct{} // closed when all that was written to the terminal has been read

	mu      sync.Mutex
	written bytes.Buffer
	seen    int
	more    chan struct{} // closed and made anew whenever something is written
	over    chan struct{} // closed when the process has ended
	err     error
}

func newProcess(t *trial, args []string) *process {
	exe, err := os.Executable()
	if err != nil {
		t.Fatalf("%v", err)
	}
	p := &process{t: t, cmd: exec.Command(exe, args...), more: make(chan struct{}), over: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	return p
}

// start starts the program without a terminal, in a process group of its own.
func start(t *trial, args ...string) *process {
	p := newProcess(t, args)
	p.cmd.Stdout, p.cmd.Stderr = p, p
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	p.begin()
	return p
}

// startOnTerminal starts the program on a terminal of its own, of 80 columns.
func startOnTerminal(t *trial, args ...string) *process { return startOnColumns(t, 80, args...) }

func startOnColumns(t *trial, columns uint16, args ...string) *process {
	p := newProcess(t, args)
	p.onTerminal(columns)
	p.begin()
	return p
}

// onTerminal gives a process that has not begun a terminal of its own.
func (p *process) onTerminal(columns uint16) {
	t := p.t
	// Opened here and not blocking, so that a Close ends a Read that waits.
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatalf("no terminal: %v", err)
	}
	p.terminal = os.NewFile(uintptr(fd), "/dev/ptmx")
	t.ends = append(t.ends, func() { p.terminal.Close() })
	n, err := unix.IoctlGetUint32(fd, unix.TIOCGPTN)
	if err = errors.Join(err, unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0), unix.IoctlSetWinsize(fd, unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: columns})); err != nil {
		t.Fatalf("no terminal: %v", err)
	}
	// Kept open until the process has ended: without it the terminal would end before it begins.
	p.line, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("no terminal: %v", err)
	}
	t.ends = append(t.ends, func() { p.line.Close() })
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = p.line, p.line, p.line
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if p.before = p.modes(); p.before.Lflag&unix.ICANON == 0 {
		t.Fatalf("a fresh terminal does not wait for whole lines")
	}
	p.drained = make(chan struct{})
	go func() {
		defer close(p.drained)
		io.Copy(p, p.terminal)
	}()
}

func (p *process) begin() {
	if err := p.cmd.Start(); err != nil {
		p.t.Fatalf("%v", err)
	}
	go func() {
		defer close(p.over)
		p.err = p.cmd.Wait()
		if p.terminal != nil {
			p.after = p.modes()
			p.line.Close() // nobody has it open any more, and the reader comes to its end
			<-p.drained
		}
	}()
	p.t.ends = append(p.t.ends, func() {
		p.cmd.Process.Kill()
		<-p.over
	})
}

// Write takes what the program writes.
func (p *process) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	close(p.more)
	p.more = make(chan struct{})
	return p.written.Write(b)
}

func (p *process) output() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.written.String()
}

// fromNow has until look only at what is written from now on.
func (p *process) fromNow() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seen = p.written.Len()
}

// until waits for a text in what has been written since the last text that was waited for.
func (p *process) until(text string) {
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	for ended := false; ; {
		p.mu.Lock()
		rest, more := p.written.String()[p.seen:], p.more
		if i := strings.Index(rest, text); i >= 0 {
			p.seen += i + len(text)
			p.mu.Unlock()
			return
		}
		p.mu.Unlock()
		if ended {
			p.t.late = p.t.late || strings.Contains(p.output(), "[tick-late]")
			p.t.Fatalf("ended without saying %q; it said %q", text, rest)
		}
		select {
		case <-more:
		case <-p.over:
			ended = true
		case <-deadline.C:
			p.t.late = strings.Contains(rest, "reason=tick-late") || strings.Contains(rest, "reason=wall-unread")
			p.t.Fatalf("did not say %q; it said %q", text, rest)
		}
	}
}

// press types keys.
func (p *process) press(keys string) {
	if _, err := io.WriteString(p.terminal, keys); err != nil {
		p.t.Fatalf("%v", err)
	}
}

func (p *process) signal(s os.Signal) {
	if err := p.cmd.Process.Signal(s); err != nil {
		p.t.Fatalf("%v", err)
	}
}

// ends waits for the end of the process and checks its exit code.
func (p *process) ends(want int) {
	select {
	case <-p.over:
	case <-time.After(patience):
		p.t.Fatalf("does not end; it said %q", p.output())
	}
	if code := p.cmd.ProcessState.ExitCode(); code != want {
		p.t.late = p.t.late || strings.Contains(p.output(), "[tick-late]")
		p.t.Fatalf("ends with %d (%v), want %d; it said %q", code, p.err, want, p.output())
	}
}

// checkModes checks that the terminal was left as it was found, once the process has ended.
func (p *process) checkModes() {
	if p.after != p.before {
		p.t.Errorf("the terminal is left as %+v; it was %+v", p.after, p.before)
	}
}

// modes are the settings of the program's side of the terminal; none where that is gone.
func (p *process) modes() (m unix.Termios) {
	if raw, err := p.line.SyscallConn(); err == nil {
		raw.Control(func(fd uintptr) {
			if got, err := unix.IoctlGetTermios(int(fd), unix.TCGETS); err == nil {
				m = *got
			}
		})
	}
	return m
}
