package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

// site is a daemon's folder: its configuration, which a test changes under it, its wall's socket, its store.
type site struct {
	t   *trial
	dir string
}

func (p site) config() string { return filepath.Join(p.dir, "flume.toml") }

// write changes the configuration; more comes behind what every test here needs.
func (p site) write(more string) {
	text := fmt.Sprintf("[panel]\nlisten = \"127.0.0.1:0\"\n[store]\npath = %q\n[wall]\nsimulated = true\nsocket = %q\n%s", filepath.Join(p.dir, "store"), filepath.Join(p.dir, "wall"), more)
	if err := os.WriteFile(p.config(), []byte(text), 0o600); err != nil {
		p.t.Fatalf("%v", err)
	}
}

// fingers press the wall of the house that stands now.
func (p site) fingers() *fingers {
	c, err := net.Dial("unix", filepath.Join(p.dir, "wall"))
	if err != nil {
		p.t.Fatalf("%v", err)
	}
	p.t.ends = append(p.t.ends, func() { c.Close() })
	return &fingers{p.t, c, bufio.NewReader(c)}
}

// daemonAt starts the program there, under a supervisor that only listens.
func daemonAt(t *trial, dir string) (site, *process, *supervisor) {
	at, sup := site{t, dir}, supervise(t, dir)
	at.write("")
	p := newProcess(t, []string{"serve", "--config", at.config(), "--lay-out", "../../config/sessions/first-swim.toml"})
	p.cmd.Env = append(p.cmd.Env, "NOTIFY_SOCKET="+sup.name)
	p.cmd.Stdout, p.cmd.Stderr = p, p
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	p.begin()
	p.until("why=not-reset")
	return at, p, sup
}

// supervisor is the far side of sd_notify(3).
type supervisor struct {
	t    *trial
	name string
	c    *net.UnixConn
}

func supervise(t *trial, dir string) *supervisor {
	name := filepath.Join(dir, "notify")
	os.Remove(name)
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatalf("%v", err)
	}
	t.ends = append(t.ends, func() { c.Close() })
	return &supervisor{t, name, c}
}

// hears reads messages until one matches, and says which.
func (s *supervisor) hears(want string) string {
	b := make([]byte, 4096)
	for {
		n, err := s.c.Read(b)
		if err != nil {
			s.t.Fatalf("the supervisor never heard %s: %v", want, err)
		}
		if m := string(b[:n]); regexp.MustCompile(want).MatchString(m) {
			return m
		}
	}
}

// faultsShown are those of the panel whose address was logged last.
func faultsShown(t *trial, p *process) (state string, text string) {
	all := regexp.MustCompile(`address=(http://\S+)`).FindAllStringSubmatch(p.output(), -1)
	r, err := http.Get(all[len(all)-1][1] + "/api/v1/status")
	if err != nil {
		t.Fatalf("%v", err)
	}
	defer r.Body.Close()
	var st struct {
		State  string
		Faults json.RawMessage
	}
	if err := json.NewDecoder(r.Body).Decode(&st); err != nil {
		t.Fatalf("%v", err)
	}
	return st.State, string(st.Faults)
}

func TestReloadAtStandstill(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at, p, sup := daemonAt(t, dir)
		sup.hears("READY=1")
		at.fingers().ready(p)
		at.write("[flume]\nname = \"Harrow Weir\"\ntop_speed_mps = 1.3\n")
		p.signal(syscall.SIGHUP)
		// sd_notify(3): RELOADING=1 together with MONOTONIC_USEC, µs as decimal, then READY=1.
		sup.hears(`^RELOADING=1\nMONOTONIC_USEC=[1-9][0-9]+$`)
		sup.hears("^READY=1\n")
		p.until("the changed configuration is in force")
		p.until(`flume="Harrow Weir"`)
		// It comes up stopped, with what was laid out; the wall is pressed anew, the stop button tried anew.
		p.until("state=stopped")
		p.until(`session="First swim"`)
		wall := at.fingers()
		wall.ready(p)
		wall.do("press")
		p.until("state=count-in")
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
	})
}

func TestABadConfigurationKeepsTheOldOne(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at, p, _ := daemonAt(t, dir)
		wall := at.fingers()
		wall.ready(p)
		at.write("[flume]\ntop_speed_mps = 9\nnam = \"x\"\n")
		p.signal(syscall.SIGHUP)
		p.until(at.config() + ":9:1: top_speed_mps = 9")
		p.until(at.config() + ":10:1: unknown key")
		p.until("[bad-config]")
		if state, faults := faultsShown(t, p); state != "ready" || !strings.Contains(faults, `"bad-config"`) || !strings.Contains(faults, at.config()+":9") {
			t.Errorf("the panel is %s and shows %s", state, faults)
		}
		// The same wall starts a swim, and the panel goes on telling that it swims by the old one.
		wall.do("press")
		p.until("state=count-in")
		wall.do("press")
		p.until("state=ready")
		at.write("[flume]\nname = \"Harrow Weir\"\n")
		p.signal(syscall.SIGHUP)
		p.until("the changed configuration is in force")
		p.until("the deck panel is on")
		p.until("why=not-reset")
		if _, faults := faultsShown(t, p); strings.Contains(faults, "bad-config") || strings.Contains(faults, "edited") {
			t.Errorf("mended, and the panel still shows %s", faults)
		}
	})
}

func TestReloadUnderWayWaits(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at, p, sup := daemonAt(t, dir)
		wall := at.fingers()
		wall.ready(p)
		wall.do("press")
		p.until("state=running")
		at.write("[flume]\nname = \"Harrow Weir\"\n")
		p.signal(syscall.SIGHUP)
		p.until("is read again once the flume is at rest")
		sup.hears(`^READY=1\nSTATUS=the changed configuration waits`)
		p.until("[edited]")
		if state, faults := faultsShown(t, p); state != "running" || !strings.Contains(faults, `"edited"`) {
			t.Errorf("the panel is %s and shows %s", state, faults)
		}
		if strings.Contains(p.output(), "Harrow") {
			t.Errorf("it was read under way: %s", p.output())
		}
		fmt.Fprintln(wall.c, "hold 2.3s") // the wall is another one by the time of an answer
		p.until("state=finished")
		p.until(`flume="Harrow Weir"`)
		p.until("why=not-reset")
	})
}

func TestAConfigurationThatCannotBeOpenedKeepsTheOldOne(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at, p, _ := daemonAt(t, dir)
		text, err := os.ReadFile(at.config())
		if err != nil {
			t.Fatalf("%v", err)
		}
		broken := regexp.MustCompile(`simulated = true\nsocket = .*`).ReplaceAllString(string(text), `stop_pin = "no-such-chip:4"`)
		if err := os.WriteFile(at.config(), []byte(broken), 0o600); err != nil {
			t.Fatalf("%v", err)
		}
		p.signal(syscall.SIGHUP)
		p.until("[bad-config]")
		p.until("the deck panel is on")
		p.until("why=not-reset")
		if _, faults := faultsShown(t, p); !strings.Contains(faults, "bad-config") {
			t.Errorf("the panel shows %s", faults)
		}
		at.fingers().ready(p)
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
	})
}

func TestWhyTheProgramBegan(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at := site{t, dir}
		at.write("")
		mark := filepath.Join(dir, "store", "running")
		os.Remove(mark)
		serve := func() *process { return start(t, "serve", "--config", at.config()) }
		p := serve()
		p.until(afterCleanEnd)
		p.until("why=not-reset")
		p.signal(syscall.SIGKILL)
		<-p.over
		p = serve()
		p.until(afterDeath)
		p.until("why=not-reset")
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
		p = serve()
		p.until(afterCleanEnd)
		p.until("why=not-reset")
		p.signal(syscall.SIGKILL)
		<-p.over
		// Started when the computer had been up for longer than it has been now: it was started again in between.
		if err := os.WriteFile(mark, []byte("99999999999"), 0o600); err != nil {
			t.Fatalf("%v", err)
		}
		p = serve()
		p.until(afterPower)
	})
}
