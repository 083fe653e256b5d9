package main

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// fingers are what presses the simulated wall of a daemon.
type fingers struct {
	t *trial
	c net.Conn
	r *bufio.Reader
}

// daemon starts the program as a daemon with a simulated wall, a demo laid out, and more of a configuration.
func daemon(t *trial, dir, more string, args ...string) (*process, *fingers) {
	socket := filepath.Join(dir, "wall")
	cfg := filepath.Join(dir, "flume.toml")
	text := fmt.Sprintf("[panel]\nlisten = \"127.0.0.1:0\"\n[wall]\nsimulated = true\nsocket = %q\n[store]\npath = %q\n%s", socket, filepath.Join(dir, "store"), more)
	if err := os.WriteFile(cfg, []byte(text), 0o600); err != nil {
		t.Fatalf("%v", err)
	}
	p := start(t, append([]string{"serve", "--config", cfg, "--lay-out", "../../config/sessions/first-swim.toml"}, args...)...)
	p.until("why=not-reset")
	c, err := net.Dial("unix", socket)
	if err != nil {
		t.Fatalf("%v", err)
	}
	t.ends = append(t.ends, func() { c.Close() })
	return p, &fingers{t, c, bufio.NewReader(c)}
}

func (f *fingers) do(line string) string {
	if _, err := fmt.Fprintln(f.c, line); err != nil {
		f.t.Fatalf("%s: %v", line, err)
	}
	answer, err := f.r.ReadString('\n')
	if err != nil || !strings.HasPrefix(answer, "ok") {
		f.t.Fatalf("%s: %q, %v", line, answer, err)
	}
	return answer
}

// ready tries the stop button, and resets by a long press: what somebody does who comes to the pool.
func (f *fingers) ready(p *process) {
	f.do("stop press")
	f.do("stop release")
	f.do("occupancy seen")
	f.do("hold 2.3s")
	p.until("state=ready")
}

func TestASwimFromTheWall(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		p, wall := daemon(t, dir, "")
		wall.ready(p)
		wall.do("press")
		p.until("state=count-in")
		p.until("state=running")
		if show := wall.do("show"); !strings.Contains(show, "heartbeat") {
			t.Errorf("show: %s", show)
		}
		wall.do("press")
		p.until("state=pausing")
		wall.do("press")
		p.until("state=running")
		wall.do("stop press")
		p.until("state=stopped reason=stop-pressed")
		starts := strings.Count(p.output(), "state=count-in")
		wall.do("stop release")
		wall.do("press") // starts nothing: it was not reset
		wall.do("hold 2.3s")
		p.until("state=ready")
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
		if n := strings.Count(p.output(), "state=count-in"); n != starts {
			t.Errorf("%d starts after a stop and a reset", n-starts)
		}
	})
}

func TestADaemonThatIsToldToEndLetsTheWaterDown(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		p, wall := daemon(t, dir, "")
		wall.ready(p)
		wall.do("press")
		p.until("state=running")
		p.signal(syscall.SIGTERM)
		p.until("state=stopping")
		p.ends(exitOK)
	})
}

func TestTheWallForbidsAStart(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		before string // what the wall is told in place of a tried stop
		says   string
	}{
		"the stop button was not tried": {"occupancy seen", "stop-untried"},
		"the cover is off":              {"cover open", "[cover]"},
		"the water is low":              {"level low", "[water-level]"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			try(t, func(t *trial) {
				p, wall := daemon(t, dir, "")
				if c.says != "stop-untried" {
					wall.ready(p)
				} else {
					wall.do("hold 2.3s")
					p.until("state=ready")
				}
				wall.do(c.before)
				wall.do("press")
				p.until(c.says)
				p.signal(syscall.SIGTERM)
				p.ends(exitOK)
				if strings.Contains(p.output(), "state=count-in") {
					t.Errorf("it started: %s", p.output())
				}
			})
		})
	}
}

// TestADaemonWithoutAReaderOfItsLogEndsInGoodOrder: a terminal's Ctrl-Z, with the other end of the log gone, would halt or end it with its motor turning.
func TestADaemonWithoutAReaderOfItsLogEndsInGoodOrder(t *testing.T) {
	t.Parallel()
	try(t, func(tr *trial) {
		r, w, err := os.Pipe()
		if err != nil {
			tr.Fatalf("%v", err)
		}
		p := newProcess(tr, []string{"serve", "--config", file(t, "flume.toml", "[panel]\nlisten = \"127.0.0.1:0\"\n")})
		p.cmd.Stdout, p.cmd.Stderr = w, w
		p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		p.begin()
		w.Close()
		for lines := bufio.NewScanner(r); ; {
			if !lines.Scan() {
				tr.Fatalf("it has ended: %v", lines.Err())
			}
			if strings.Contains(lines.Text(), "why=not-reset") {
				break
			}
		}
		r.Close()
		p.signal(syscall.SIGTSTP)
		p.ends(exitOK)
	})
}
