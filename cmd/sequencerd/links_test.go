package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission/commissiontest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// everyDay is what is swum over the links where SEQUENCERD_DEMO names no demo: all kinds of blocks in about a minute.
const everyDay = `format = 1
title = "Over a wire"
unit = "m"
[[step]]
time = "0:20"
pace = "2:00"
[[step]]
distance = 20
pace = "1:45"
[[step]]
rest = "0:05"
[[step]]
time = "0:20"
pace = "2:10 to 1:50"
`

// exact is a simulated flume without errors: its plant is the model.
const exact = `[drive.simulated]
speed_error_percent = 0
inertia_error_percent = 0
noise_percent = 0
dead_time = "0s"
`

// A whole session, at real speed, by the real program, over each link to a drive that is a process of its own: what is delivered by the witness is what the
// plan asks, its runout included, within 0.5 %. Over serial the drive is an independent one (pymodbus), and the witness is its own motor speed, put through
// the model of the water; over MQTT it is node-sim behind mosquitto, and the witness is its plant.
func TestASessionDeliversItsDistanceOverEachLink(t *testing.T) {
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
	} else {
		t.Run("serial", func(t *testing.T) {
			t.Parallel()
			try(t, func(tr *trial) { deliverOverSerial(t, tr) })
		})
	}
	if _, err := exec.LookPath("mosquitto"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mosquitto is not here: apt-get install mosquitto")
		}
		t.Log("NOT CHECKED: mosquitto is not here (apt-get install mosquitto)")
		return
	}
	t.Run("mqtt", func(t *testing.T) {
		t.Parallel()
		try(t, func(tr *trial) { deliverOverBroker(t, tr) })
	})
}

// delivered is one session on its way over a link.
type delivered struct {
	configuration, session string
	asked                  float64 // m, runout included
	patience               time.Duration
}

// plan is what the program itself says beforehand.
func (d *delivered) plan(t *testing.T, tr *trial) {
	d.session = file(t, "session.toml", everyDay)
	if name := os.Getenv("SEQUENCERD_DEMO"); name != "" {
		all := demos(t)
		i := slices.IndexFunc(all, func(d demo) bool { return d.name == name })
		if i < 0 {
			tr.Fatalf("SEQUENCERD_DEMO=%s: no demo is called that", name)
		}
		d.session = all[i].path
	}
	code, out, errs := typed(t, "--config", d.configuration, "rehearse", "--json", d.session)
	if code != exitOK {
		tr.Fatalf("rehearse: exit %d, %s", code, errs)
	}
	var plan struct {
		Total  float64 `json:"total_m"`
		Runout float64 `json:"runout_m"`
		S      float64 `json:"total_s"`
		RunS   float64 `json:"runout_s"`
	}
	if err := json.Unmarshal([]byte(out), &plan); err != nil {
		tr.Fatalf("%v", err)
	}
	d.asked = plan.Total + plan.Runout
	d.patience = time.Duration(plan.S+plan.RunS)*time.Second + time.Minute
}

// swim swims it to its end, and looks at the witness meanwhile.
func (d *delivered) swim(tr *trial, look func()) {
	p := start(tr, "--config", d.configuration, "run", "--yes", d.session)
	over := time.After(d.patience)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			look()
			continue
		case <-over:
			tr.Fatalf("after %v it still swims: %s", d.patience, p.output())
		case <-p.over:
		}
		break
	}
	if code := p.cmd.ProcessState.ExitCode(); code != exitOK {
		tr.blame(p)
		tr.Fatalf("ends with %d; it said %s", code, p.output())
	}
}

func (d *delivered) compare(t *testing.T, tr *trial, link string, got float64) {
	off := 100 * (got - d.asked) / d.asked
	t.Logf("%s: asked %.2f m with the runout, delivered %.2f m by the witness: %+.2f %%", link, d.asked, got, off)
	if math.Abs(off) > 0.5 {
		tr.Errorf("%s: %.2f m delivered of %.2f m", link, got, d.asked)
	}
}

func deliverOverSerial(t *testing.T, tr *trial) {
	line := linetest.NewLine(t, 19200)
	far := linetest.StartDrive(t, "velocity", line)
	text := commissiontest.Passed(t, exact+fmt.Sprintf(`[drive]
backend = "serial"
[drive.serial]
port = %q
parity = "none"
stop_bits = 2
address = %d
map = "tarnholm-v"
`, line.Master, linetest.Unit))
	d := delivered{configuration: file(t, "serial.toml", text)}
	d.plan(t, tr)
	s, err := settings.Parse("serial.toml", []byte(text), config.Default())
	if err != nil {
		tr.Fatalf("%v", err)
	}
	var e water.Estimate
	last := far.Ask()
	d.swim(tr, func() {
		now := far.Ask()
		e = s.Model.Advance(e, units.RPM(last.RPM), units.RPM(now.RPM), time.Duration((now.Now-last.Now)*1e9))
		last = now
	})
	d.compare(t, tr, "serial", e.Distance.Metres())
}

var flowed = regexp.MustCompile(`m/s +([0-9.]+) m\n`)

func deliverOverBroker(t *testing.T, tr *trial) {
	url := startBroker(t, tr)
	d := delivered{configuration: file(t, "mqtt.toml", commissiontest.Passed(t, exact+fmt.Sprintf("[drive]\nbackend = \"mqtt\"\n[drive.mqtt]\nbroker = %q\n", url)))}
	d.plan(t, tr)
	node := start(tr, "--config", d.configuration, "node-sim")
	node.until("at the broker")
	d.swim(tr, func() {})
	all := flowed.FindAllStringSubmatch(node.output(), -1)
	if len(all) == 0 {
		tr.Fatalf("the node says nothing of its water: %s", node.output())
	}
	got, err := strconv.ParseFloat(all[len(all)-1][1], 64)
	if err != nil {
		tr.Fatalf("%v", err)
	}
	d.compare(t, tr, "mqtt", got)
	node.signal(syscall.SIGTERM)
	node.ends(exitOK)
}

// startBroker starts mosquitto for anybody on this machine, and gives its address.
func startBroker(t *testing.T, tr *trial) string {
	port := freePort(tr)
	broker := exec.Command("mosquitto", "-c", file(t, "mosquitto.conf", fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n", port)))
	broker.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := broker.Start(); err != nil {
		tr.Fatalf("%v", err)
	}
	tr.ends = append(tr.ends, func() { broker.Process.Kill(); broker.Wait() })
	for end := time.Now().Add(patience); ; {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			c.Close()
			break
		}
		if time.Now().After(end) {
			tr.Fatalf("%v", err)
		}
	}
	return fmt.Sprintf("mqtt://127.0.0.1:%d", port)
}

// freePort is one that nobody listens on, as far as is known.
func freePort(t tester) int {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatalf("%v", err)
	}
	defer free.Close()
	return free.Addr().(*net.TCPAddr).Port
}
