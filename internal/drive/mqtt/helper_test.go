package mqtt

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// helperJob names what this test program is to do instead of testing, when it is started as another process; helperBroker is for whom, as JSON.
const (
	helperJob    = "MQTT_TEST_JOB"
	helperBroker = "MQTT_TEST_BROKER"
)

// helper starts this test program as another process with that job, and gives the lines that it prints.
func helper(t testing.TB, job string, b Broker, attributes *syscall.SysProcAttr) (*exec.Cmd, <-chan string) {
	t.Helper()
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), helperJob+"="+job, helperBroker+"="+string(text))
	cmd.SysProcAttr = attributes
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := make(chan string, 100)
	var done sync.WaitGroup
	done.Go(func() {
		defer close(lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case lines <- s.Text():
			default: // nobody reads on
			}
		}
	})
	t.Cleanup(func() { cmd.Process.Kill(); done.Wait(); cmd.Wait() })
	return cmd, lines
}

func mortal() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }

func help(job string) int {
	var b Broker
	if err := json.Unmarshal([]byte(os.Getenv(helperBroker)), &b); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if job == "drive" {
		return helpDrive(b)
	}
	return 2
}

// helpDrive drives the node at 1000 rpm until it is killed.
func helpDrive(b Broker) int {
	backend, err := Open(Config{Broker: b})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	model, err := water.New([]water.Point{{Motor: units.RPM(1500), Water: units.MetresPerSecond(1.8)}, {Motor: units.RPM(1600), Water: units.MetresPerSecond(1.9)}},
		units.Metres(2), water.Motor{Min: units.RPM(120), Max: units.RPM(1500)})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	s := newSwim(backend, model)
	defer s.end()
	for range time.Tick(20 * ms) {
		if r := s.Report(); r.Latched && r.Carried == r.Stops && r.Reads > 0 {
			s.Unlatch(drivetest.Release(r.Stops))
			s.permit(1000)
		}
	}
	return 0
}

// swim is a drive on real time that is permitted a speed every 50 ms, as a control loop does.
type swim struct {
	*drive.Drive
	model  *water.Model
	cancel func()
	done   sync.WaitGroup
	mu     sync.Mutex
	clear  safety.Cleared
}

func newSwim(b drive.Backend, model *water.Model) *swim {
	s := &swim{Drive: drive.New(b, drive.Config{Model: model}), model: model}
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	s.done.Go(func() {
		if err := s.Run(ctx); err != nil && !strings.Contains(err.Error(), "could not be stopped") {
			panic(err)
		}
	})
	s.done.Go(func() {
		tick := time.NewTicker(50 * ms)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				s.mu.Lock()
				c := s.clear
				s.mu.Unlock()
				if c != (safety.Cleared{}) {
					s.Set(c)
				}
			}
		}
	})
	return s
}

// permit permits that motor speed from now on, in every tick.
func (s *swim) permit(rpm float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.clear = drivetest.Clear(s.model.Steady(units.RPM(rpm)), units.Accel{})
}

// begin resets, as a person does, and permits.
func (s *swim) begin(t testing.TB, rpm float64) {
	t.Helper()
	until(t, "the drive answers and has carried out its stop", 5*time.Second, func() bool {
		r := s.Report()
		return r.Link == nil && r.Reads > 0 && r.Carried == r.Stops && r.Fault == ""
	})
	if r := s.Report(); !s.Unlatch(drivetest.Release(r.Stops)) {
		t.Fatal("not unlatched")
	}
	s.permit(rpm)
}

func (s *swim) end() { s.cancel(); s.done.Wait() }
