package mqtt

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if job := os.Getenv(helperJob); job != "" {
		os.Exit(help(job))
	}
	goleak.VerifyTestMain(m)
}

// have reports whether all these programs are here. Where they must be, as in CI, a missing one is a failure.
func have(t testing.TB, programs ...string) bool {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatalf("%s is not here: apt-get install mosquitto mosquitto-clients iproute2 nftables util-linux", p)
			}
			t.Logf("NOT CHECKED: %s is not here (apt-get install mosquitto mosquitto-clients iproute2 nftables util-linux)", p)
			return false
		}
	}
	return true
}

// until waits for a condition.
func until(t testing.TB, what string, within time.Duration, is func() bool) {
	t.Helper()
	over := time.After(within)
	again := time.NewTicker(2 * time.Millisecond)
	defer again.Stop()
	for !is() {
		select {
		case <-over:
			t.Fatalf("not within %v: %s", within, what)
		case <-again.C:
		}
	}
}

// freePort is a port of 127.0.0.1 that was free a moment ago.
func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// mosquitto is a broker of its own, with a password file and an access list, as docs/node.md asks for.
type mosquitto struct {
	dir   string
	host  string
	port  int
	apart bool // in a network namespace of its own; plug lays the cables to it
	plug  func(pid int)
	cmd   *exec.Cmd
}

const acl = `user flume
topic write pool/drive/command
topic write pool/drive/stop
topic read pool/drive/state
user node
topic read pool/drive/command
topic read pool/drive/stop
topic write pool/drive/state
user deck
topic write pool/drive/stop
topic read pool/drive/state
user rival
topic readwrite pool/drive/#
user intruder
topic write somewhere/else
`

// Users and their passwords, as invented as the pool.
var passwords = map[string]string{"flume": "brook-7", "node": "weir-3", "deck": "lamp-9", "rival": "heron-5", "intruder": "mud-2"}

// newMosquitto writes the broker's files and starts it. It ends with the test.
func newMosquitto(t testing.TB, more string) *mosquitto {
	t.Helper()
	m := &mosquitto{dir: t.TempDir(), host: "127.0.0.1", port: freePort(t)}
	m.configure(t, more)
	m.start(t)
	return m
}

func (m *mosquitto) configure(t testing.TB, more string) {
	t.Helper()
	if os.Getuid() == 0 {
		// As root it would become another user, who may not read what only root may.
		more += "user root\n"
	}
	var plain strings.Builder
	for user, password := range passwords {
		fmt.Fprintf(&plain, "%s:%s\n", user, password)
		m.write(t, user+".password", password+"\n")
	}
	m.write(t, "passwd", plain.String())
	if out, err := exec.Command("mosquitto_passwd", "-U", m.file("passwd")).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	m.write(t, "acl", acl)
	if !strings.Contains(more, "listener ") {
		more = fmt.Sprintf("listener %d 127.0.0.1\n", m.port) + more
	}
	m.write(t, "conf", fmt.Sprintf("%sallow_anonymous false\npassword_file %s\nacl_file %s\npersistence false\nset_tcp_nodelay true\n",
		more, m.file("passwd"), m.file("acl")))
	t.Cleanup(m.kill)
}

func (m *mosquitto) file(name string) string { return filepath.Join(m.dir, name) }

func (m *mosquitto) write(t testing.TB, name, text string) {
	t.Helper()
	if err := os.WriteFile(m.file(name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// start starts the broker and waits until it listens.
func (m *mosquitto) start(t testing.TB) {
	t.Helper()
	m.cmd = exec.Command("mosquitto", "-c", m.file("conf"))
	m.cmd.SysProcAttr = mortal()
	if m.apart {
		m.cmd.SysProcAttr.Cloneflags = syscall.CLONE_NEWNET
	}
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if m.apart {
		m.plug(m.cmd.Process.Pid)
	}
	until(t, "the broker listens", 5*time.Second, func() bool {
		c, err := net.Dial("tcp", net.JoinHostPort(m.host, fmt.Sprint(m.port)))
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// kill ends the broker as a power cut does.
func (m *mosquitto) kill() {
	if m.cmd != nil && m.cmd.Process != nil {
		m.cmd.Process.Kill()
		m.cmd.Wait()
	}
}

// as is the broker for one of the users, at another port where that is not 0.
func (m *mosquitto) as(user string, port int) Broker {
	if port == 0 {
		port = m.port
	}
	return Broker{URL: fmt.Sprintf("mqtt://127.0.0.1:%d", port), Topic: "pool/drive", ClientID: user, User: user, PasswordFile: m.file(user + ".password")}
}

// publish sends one message as that user, by a client that is not ours.
func (m *mosquitto) publish(t testing.TB, user, topic, payload string, more ...string) {
	t.Helper()
	args := append([]string{"-h", "127.0.0.1", "-p", fmt.Sprint(m.port), "-u", user, "-P", passwords[user], "-t", topic, "-m", payload}, more...)
	if out, err := exec.Command("mosquitto_pub", args...).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}
