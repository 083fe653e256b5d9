package home

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/settings"
)

// apart marks the process that has a network namespace of its own.
const apart = "HOME_TEST_APART"

// TestAPhoneFindsThePanelByName: this program in one network namespace, Avahi, which knows nothing of us, in another, a cable between them. Avahi resolves
// the name, finds the service, is told goodbye, and a name that it has itself is not taken from it.
func TestAPhoneFindsThePanelByName(t *testing.T) {
	if os.Getenv(apart) != "" {
		inNamespace(t)
		return
	}
	t.Parallel()
	if !have(t, "avahi-daemon", "avahi-resolve", "avahi-browse", "dbus-daemon", "ip", "nsenter") {
		return
	}
	ctx, cancel := context.WithTimeout(t.Context(), 80*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, os.Args[0], "-test.run=^TestAPhoneFindsThePanelByName$", "-test.timeout=75s")
	cmd.Env = append(os.Environ(), apart+"=1")
	cmd.WaitDelay = time.Second
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET | syscall.CLONE_NEWNS, Pdeathsig: syscall.SIGKILL}
	out, err := cmd.CombinedOutput()
	if len(out) == 0 && os.IsPermission(err) && os.Getenv("CI") != "true" {
		t.Logf("NOT CHECKED: a network namespace needs root: %v", err)
		return
	}
	if err != nil {
		t.Errorf("in its namespace: %v\n%s", err, out)
	}
}

// have reports whether the programs are there; on the build machine they must be.
func have(t *testing.T, programs ...string) bool {
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("CI") == "true" {
				t.Errorf("%s is not here: %v", p, err)
			} else {
				t.Logf("NOT CHECKED: %s is not here", p)
			}
			return false
		}
	}
	return true
}

const busConfig = `<busconfig><type>system</type><listen>unix:path=%s</listen><auth>EXTERNAL</auth><policy context="default"><allow user="*"/><allow own="*"/>
<allow send_type="method_call"/><allow send_type="signal"/><allow send_type="method_return"/><allow send_type="error"/>
<allow receive_type="method_call"/><allow receive_type="method_return"/><allow receive_type="error"/><allow receive_type="signal"/></policy></busconfig>`

// phone is Avahi in a namespace of its own.
type phone struct {
	t   *testing.T
	pid int
	env []string
}

func (p *phone) ask(program string, args ...string) string {
	ctx, cancel := context.WithTimeout(p.t.Context(), 7*time.Second)
	defer cancel()
	c := exec.CommandContext(ctx, "nsenter", append([]string{"-t", fmt.Sprint(p.pid), "-n", program}, args...)...)
	c.Env, c.WaitDelay = p.env, time.Second
	out, _ := c.CombinedOutput()
	return string(out)
}

// until asks again and again.
func (p *phone) until(what string, ok func(answer string) bool, program string, args ...string) {
	p.t.Helper()
	answer := ""
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		if answer = p.ask(program, args...); ok(answer) {
			return
		}
	}
	p.t.Fatalf("%s: %s %v says %q", what, program, args, answer)
}

func execute(t *testing.T, words ...string) {
	t.Helper()
	if out, err := exec.Command(words[0], words[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %s", words, err, out)
	}
}

func inNamespace(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	daemon := func(env []string, words ...string) *exec.Cmd {
		c := exec.Command(words[0], words[1:]...)
		c.Env = env
		var log bytes.Buffer
		c.Stdout, c.Stderr, c.WaitDelay = &log, &log, time.Second
		c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
		if words[0] == "unshare" {
			c.SysProcAttr.Setpgid = true
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			c.Process.Kill()
			c.Wait()
			if t.Failed() {
				t.Logf("%v: %s", words, log.String())
			}
		})
		return c
	}
	bus := filepath.Join(dir, "bus")
	env := append(os.Environ(), "DBUS_SYSTEM_BUS_ADDRESS=unix:path="+bus)
	execute(t, "ip", "link", "set", "lo", "up")
	execute(t, "mount", "--make-rprivate", "/")
	if err := os.MkdirAll("/run/avahi-daemon", 0o755); err != nil {
		t.Fatal(err)
	}
	execute(t, "mount", "-t", "tmpfs", "none", "/run/avahi-daemon")
	daemon(env, "dbus-daemon", "--config-file="+write("bus.conf", fmt.Sprintf(busConfig, bus)), "--nofork", "--nopidfile")
	// The far end of the cable is moved to Avahi's namespace before Avahi starts: the shell there waits for a line.
	far := exec.Command("sh", "-c", "read go; exec avahi-daemon -f "+write("avahi.conf", "[server]\nhost-name=weir\nuse-ipv6=no\nallow-interfaces=far\n")+" --no-drop-root --no-chroot --no-rlimits")
	far.Env, far.WaitDelay = env, time.Second
	var log bytes.Buffer
	far.Stdout, far.Stderr = &log, &log
	far.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL, Cloneflags: syscall.CLONE_NEWNET}
	in, err := far.StdinPipe()
	if err == nil {
		err = far.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		far.Process.Kill()
		far.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	pid := fmt.Sprint(far.Process.Pid)
	// Addresses for tests of networks [RFC 2544]; no route for multicast is set on our side.
	for _, line := range []string{
		"ip link add near type veth peer name far netns " + pid, "ip addr add 198.18.3.1/24 dev near", "ip link set near up",
		"nsenter -t " + pid + " -n ip link set lo up", "nsenter -t " + pid + " -n ip addr add 198.18.3.2/24 dev far", "nsenter -t " + pid + " -n ip link set far up",
	} {
		execute(t, strings.Fields(line)...)
	}
	for end := time.Now().Add(5 * time.Second); ; { // the bus is there
		if c, err := net.Dial("unix", bus); err == nil {
			c.Close()
			break
		} else if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	in.Write([]byte("go\n"))
	p := &phone{t, far.Process.Pid, env}
	p.until("Avahi is up", func(a string) bool { return strings.Contains(a, "198.18.3.2") }, "avahi-resolve", "-4", "-n", "weir.local")

	serve := func(flume, name string) (end func()) {
		at := make(chan net.Addr, 1)
		at <- &net.TCPAddr{IP: net.IPv4zero, Port: 8080}
		h := New(Config{Flume: flume, Settings: settings.Home{MDNS: true, Name: name}, Panel: at, Stop: func() { t.Error("names on the network have stopped the water") }})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- h.Run(ctx) }()
		return func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
	}
	end := serve("Otterford Mill", "")
	p.until("the name is found", func(a string) bool { return strings.Contains(a, "otterford-mill.local\t198.18.3.1") }, "avahi-resolve", "-4", "-n", "otterford-mill.local")
	found := func(a string) bool {
		return strings.Contains(a, `;Otterford\032Mill;_http._tcp;local;otterford-mill.local;198.18.3.1;8080;"path=/"`)
	}
	p.until("the panel is found as a service", found, "avahi-browse", "-rtpk", "_http._tcp")
	end()
	p.until("goodbye is heard", func(a string) bool { return !strings.Contains(a, "Otterford") }, "avahi-browse", "-tpk", "_http._tcp")

	end = serve("Weir", "weir") // which is Avahi's own name
	p.until("the name has a number", func(a string) bool { return strings.Contains(a, "weir-2.local\t198.18.3.1") }, "avahi-resolve", "-4", "-n", "weir-2.local")
	p.until("and the other one keeps its own", func(a string) bool { return strings.Contains(a, "198.18.3.2") }, "avahi-resolve", "-4", "-n", "weir.local")
	end()
}
