package faults

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/commission/commissiontest"
)

// session keeps the water changing: ramps, steady water and rests follow each other within seconds.
const session = `format = 1
title = "Up and down"
unit = "m"
[[step]]
repeat = 100
[[step.step]]
time = "0:05"
pace = "1:40"
[[step.step]]
time = "0:04"
pace = "2:30"
[[step.step]]
time = "0:04"
pace = "2:10 to 1:30"
[[step.step]]
rest = "0:03"
`

// place is a daemon, the motor that it commands, and the hand at its wall.
type place struct {
	t       *testing.T
	program string
	dir     string
	disk    string // a small file system of its own, with the lock, its record and the store; without the right to mount it, a folder
	small   bool   // it is one
	panel   string // its address
	link    link
	motor   *witness
	daemon  *daemon
}

func newPlace(t *testing.T, make func(dir string) link) *place {
	p := &place{t: t, program: program(t)}
	var err error
	if p.dir, err = os.MkdirTemp("", "flume"); err != nil { // short: a socket's path has 107 letters at most
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(p.dir) })
	p.disk = filepath.Join(p.dir, "disk")
	for _, d := range []string{p.disk, filepath.Join(p.dir, "home")} {
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if p.small = unix.Mount("faults", p.disk, "tmpfs", 0, "size=4m,mode=0700") == nil; p.small {
		t.Cleanup(func() { _ = unix.Unmount(p.disk, unix.MNT_DETACH) })
	} else if os.Getenv("CI") == "true" {
		t.Error("no small file system can be mounted here")
	}
	if err := os.Mkdir(p.path("disk/run"), 0o700); err != nil {
		t.Fatal(err)
	}
	if p.panel, err = freeAddress(); err != nil {
		t.Fatal(err)
	}
	p.link = make(p.dir)
	t.Cleanup(p.link.close)
	p.motor = watch(p.link.tell)
	t.Cleanup(p.motor.close)
	t.Cleanup(p.kill)
	p.write("session.toml", session)
	p.write("flume.toml", commissiontest.Passed(t, p.config()))
	return p
}

// freeAddress is one of this computer that was free a moment ago.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

func (p *place) path(name string) string { return filepath.Join(p.dir, filepath.FromSlash(name)) }

func (p *place) write(name, text string) {
	if err := os.WriteFile(p.path(name), []byte(text), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

// config has quick ramps, so that a campaign has time for many; all else is as it comes.
func (p *place) config() string {
	return fmt.Sprintf("[wall]\nsimulated = true\nsocket = %q\n[ramp]\naccel_mps2 = 0.5\ndecel_mps2 = 0.5\njerk_mps3 = 1\n[store]\npath = %q\n[panel]\nlisten = %q\n",
		p.path("wall"), p.path("disk/store"), p.panel) +
		p.link.config()
}

// command is the program with arguments.
func (p *place) command(args ...string) *exec.Cmd {
	c := exec.Command(p.program, append([]string{"--config", p.path("flume.toml")}, args...)...)
	c.Env = []string{"RUNTIME_DIRECTORY=" + p.path("disk/run"), "HOME=" + p.path("home"), "PATH=" + os.Getenv("PATH")}
	c.SysProcAttr = mortal()
	return c
}

func (p *place) serve() *exec.Cmd { return p.command("serve", "--lay-out", p.path("session.toml")) }

// start starts the daemon and waits until it says that it is stopped, as after every start.
func (p *place) start() error {
	d := &daemon{cmd: p.serve()}
	out, err := d.cmd.StderrPipe()
	if err != nil {
		return err
	}
	if err := d.cmd.Start(); err != nil {
		return err
	}
	p.daemon = d
	d.over = make(chan struct{})
	go func() {
		d.read(out)
		_ = d.cmd.Wait()
		close(d.over)
	}()
	if err := until("the daemon is up, and stopped", 10*time.Second, func() bool { return d.in("stopped") }); err != nil {
		return fmt.Errorf("%w; it said %s", err, d.tail())
	}
	// Nobody has tried the stop button since: a start needs that.
	return errors.Join(p.hand("stop press"), p.hand("stop release"))
}

// kill ends the daemon as a power cut of its own does, stopped or not.
func (p *place) kill() {
	if p.daemon != nil {
		_ = p.daemon.cmd.Process.Kill()
		<-p.daemon.over
	}
}

func (p *place) signal(s syscall.Signal) error { return p.daemon.cmd.Process.Signal(s) }

// stopDrive is what the supervisor runs after the daemon's end. It must come to a good end.
func (p *place) stopDrive() error {
	if out, err := p.command("stop-drive").CombinedOutput(); err != nil {
		return fmt.Errorf("stop-drive: %w: %s", err, out)
	}
	return nil
}

// hand does something at the wall.
func (p *place) hand(line string) error {
	c, err := net.Dial("unix", p.path("wall"))
	if err != nil {
		return err
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		return err
	}
	if _, err = fmt.Fprintln(c, line); err != nil {
		return err
	}
	answer, err := bufio.NewReader(c).ReadString('\n')
	if err == nil && !strings.HasPrefix(answer, "ok") {
		err = errors.New(answer)
	}
	if err != nil {
		return fmt.Errorf("at the wall, %s: %w", line, err)
	}
	return nil
}

// daemon is its process, and what its log says of its state. The log is for finding the way to the next fault; no verdict rests on it.
type daemon struct {
	cmd  *exec.Cmd
	over chan struct{} // closed when it has ended

	mu     sync.Mutex
	state  string
	starts int // so many count-ins began
	why    string
	last   []string
}

func (d *daemon) read(r io.Reader) {
	for lines := bufio.NewScanner(r); lines.Scan(); {
		line := lines.Text()
		if strings.Contains(line, "no such device") { // of a broken wire, a hundred times a second
			continue
		}
		d.mu.Lock()
		if d.last = append(d.last, line); len(d.last) > 60 {
			d.last = slices.Delete(d.last, 0, 30)
		}
		if strings.Contains(line, "msg=state") {
			if word(line, " state=") == "count-in" && d.state != "count-in" {
				d.starts++
			}
			d.state, d.why = word(line, " state="), word(line, " reason=")
		}
		d.mu.Unlock()
	}
}

func word(line, key string) string {
	_, rest, _ := strings.Cut(line, key)
	w, _, _ := strings.Cut(rest, " ")
	return w
}

func (d *daemon) in(states ...string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Contains(states, d.state)
}

func (d *daemon) says() (state, why string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state, d.why
}

func (d *daemon) begun() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.starts
}

func (d *daemon) tail() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return "\n\t" + strings.Join(d.last[max(0, len(d.last)-20):], "\n\t")
}

func (d *daemon) gone() bool {
	select {
	case <-d.over:
		return true
	default:
		return false
	}
}

// reset makes the place ready, as a person does who has seen to the cause: a long press, again where it is refused, as it is while a drive is still to
// acknowledge its fault or a link has only just come back.
func (p *place) reset() error {
	if p.daemon == nil || p.daemon.gone() {
		if err := p.start(); err != nil {
			return err
		}
	}
	if !p.daemon.in("stopped", "ready", "finished") { // nothing has stopped it: then a person does
		if err := errors.Join(p.hand("stop press"), p.hand("stop release")); err != nil {
			return err
		}
		if err := until("the stop is seen", 2*time.Second, func() bool { return p.daemon.in("stopped") }); err != nil {
			return err
		}
	}
	for range 15 {
		if p.daemon.in("ready", "finished") {
			return nil
		}
		if err := p.hand("hold 2.2s"); err != nil {
			return err
		}
		if until("", 500*time.Millisecond, func() bool { return p.daemon.in("ready") }) == nil {
			return nil
		}
	}
	return fmt.Errorf("fifteen long presses do not make it ready: %s", p.daemon.tail())
}

// begin starts the swim. A start may be refused for two seconds after a link has come back.
func (p *place) begin() error {
	before := p.daemon.begun()
	for range 40 {
		if err := p.hand("press"); err != nil {
			return err
		}
		if until("", 700*time.Millisecond, func() bool { return p.daemon.begun() > before }) == nil {
			return nil
		}
	}
	return fmt.Errorf("forty presses do not start it: %s", p.daemon.tail())
}

// fill leaves no room on the disk.
func (p *place) fill() error {
	f, err := os.Create(p.path("disk/full"))
	if err != nil {
		return err
	}
	defer f.Close()
	for b := make([]byte, 1<<16); ; {
		if _, err := f.Write(b); err != nil {
			if !errors.Is(err, unix.ENOSPC) {
				return err
			}
			if len(b) == 1 {
				return nil
			}
			b = b[:max(1, len(b)/16)]
		}
	}
}

func (p *place) empty() error { return os.Remove(p.path("disk/full")) }
