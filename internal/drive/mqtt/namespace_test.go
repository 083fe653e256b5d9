package mqtt

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// apart marks the process that runs in a network namespace of its own.
const apart = "MQTT_TEST_APART"

// TestNamespaces: this program in one network namespace, the broker in another, a cable for the node and one for the daemon between them; the daemon's is
// cut in four ways. The namespaces have no names and end with their processes, however those end.
func TestNamespaces(t *testing.T) {
	if os.Getenv(apart) != "" {
		inNamespace(t)
		return
	}
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd", "ip", "nft", "nsenter") {
		return
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestNamespaces$", "-test.v", "-test.timeout=80s")
	cmd.Env = append(os.Environ(), apart+"=1")
	cmd.SysProcAttr = mortal()
	cmd.SysProcAttr.Cloneflags = syscall.CLONE_NEWNET
	out, err := cmd.CombinedOutput()
	if len(out) == 0 && os.IsPermission(err) && os.Getenv("CI") != "true" {
		t.Logf("NOT CHECKED: a network namespace needs root: %v", err)
		return
	}
	if err != nil {
		t.Errorf("in its namespace: %v\n%s", err, out)
	}
	for line := range strings.SplitSeq(string(out), "\n") {
		if _, told, ok := strings.Cut(line, "_test.go:"); ok {
			t.Log(told)
		}
	}
}

func execute(t testing.TB, line string) {
	t.Helper()
	words := strings.Fields(line)
	if out, err := exec.Command(words[0], words[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", line, err, out)
	}
}

func inNamespace(t *testing.T) {
	do := func(format string, args ...any) { t.Helper(); execute(t, fmt.Sprintf(format, args...)) }
	do("ip link set lo up")
	m := &mosquitto{dir: t.TempDir(), host: "198.18.1.1", port: 1883, apart: true} // addresses for tests of networks [RFC 2544]
	m.plug = func(pid int) {
		do("nsenter -t %d -n ip link set lo up", pid)
		for cable := 1; cable <= 2; cable++ {
			do("ip link add near%d type veth peer name far%[1]d netns %d", cable, pid)
			do("ip addr add 198.18.%d.2/24 dev near%[1]d", cable)
			do("nsenter -t %d -n ip addr add 198.18.%d.1/24 dev far%[2]d", pid, cable)
			do("ip link set near%d up", cable)
			do("nsenter -t %d -n ip link set far%d up", pid, cable)
		}
	}
	m.configure(t, "listener 1883 0.0.0.0\n")
	m.start(t)
	at := func(user, host string) Broker {
		b := m.as(user, 0)
		b.URL = "mqtt://" + host
		return b
	}
	p := newPool(t, at("node", "198.18.1.1"))
	s := newSwim(open(t, at("flume", "198.18.2.1")), flume(t))
	t.Cleanup(s.end)

	firewall := func(verdict string) func() {
		return func() {
			do("nft add table inet cut")
			do("nft add chain inet cut out { type filter hook output priority 0 ; }")
			do("nft add rule inet cut out ip daddr 198.18.2.1 %s", verdict)
		}
	}
	whole := func() { do("nft delete table inet cut") }
	broker := m.cmd.Process.Pid
	for _, c := range []struct {
		what         string
		cut, restore func()
	}{
		{"the daemon's cable pulled", func() { do("ip link set near2 down") }, func() { do("ip link set near2 up") }},
		{"the broker's cable pulled", func() { do("nsenter -t %d -n ip link set far2 down", broker) }, func() { do("nsenter -t %d -n ip link set far2 up", broker) }},
		{"packets dropped by a firewall", firewall("drop"), whole},
		{"connections reset by a firewall", firewall("meta l4proto tcp reject with tcp reset"), whole},
	} {
		s.begin(t, 1000)
		until(t, "the motor turns at 1000 rpm", 5*time.Second, func() bool { return p.rpm() > 995 })
		c.cut()
		from := p.clock()
		noticed := make(chan time.Duration, 1)
		go func() {
			tick := time.NewTicker(ms)
			defer tick.Stop()
			for s.Report().Link == nil && p.clock()-from < 5*time.Second {
				<-tick.C
			}
			noticed <- p.clock() - from
		}()
		took, _ := p.stopsWithin(t, nodeLinkLoss, c.what)
		notice := <-noticed
		if notice > time.Second {
			t.Errorf("%s: noticed after %v, want within a second", c.what, notice)
		}
		p.still(t, 300*ms, c.what)
		c.restore()
		back := p.clock()
		p.still(t, 500*ms, c.what+", and whole again, permissions are coming")
		s.Stop(fault.LinkLost)
		until(t, "the drive answers again", 15*time.Second, func() bool {
			if !p.rests() {
				t.Fatalf("%s, and whole again: the motor turns at %.0f rpm", c.what, p.rpm())
			}
			r := s.Report()
			return r.Link == nil && r.Carried == r.Stops
		})
		t.Logf("%-32s quick stop after %v, noticed after %v, answers again %v after the repair at the latest", c.what+":", took.Round(ms), notice.Round(ms), (p.clock() - back).Round(ms))
	}
	s.begin(t, 500)
	until(t, "the motor turns again after a reset", 5*time.Second, func() bool { return p.rpm() > 495 })
}
