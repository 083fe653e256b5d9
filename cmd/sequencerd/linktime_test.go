package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/logbook"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// timed is a serial backend whose drive is told the time with each call: a second passes as quickly as its requests do.
type timed struct {
	*serial.Backend
	far *linetest.Drive
}

func (b timed) Set(r drive.Round, o drive.Order) error {
	b.far.At(r.Elapsed)
	return b.Backend.Set(r, o)
}

func (b timed) Read(r drive.Round) (drive.Feedback, error) {
	b.far.At(r.Elapsed)
	return b.Backend.Read(r)
}

func (b timed) Stop(r drive.Round) error {
	b.far.At(r.Elapsed)
	return b.Backend.Stop(r)
}

// A whole demo through tick, guard and the serial link to each of the independent drives (pymodbus), in the drive's own time, so that a busy machine makes
// it late but not wrong. The motor's own record is the witness: put through the model of the water, it has delivered what the plan asks, within 0.5 %.
func TestADemoDeliversItsDistanceOverEachMap(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	for kind, mapped := range map[string]string{"velocity": "tarnholm-v", "plain": "oxbow-f", "split": "siltmark-2"} {
		t.Run(mapped, func(t *testing.T) {
			t.Parallel()
			line := linetest.NewLine(t, 0)
			far := linetest.StartDrive(t, kind, line)
			configuration := file(t, "serial.toml", fmt.Sprintf(`[drive]
backend = "serial"
[drive.serial]
port = %q
baud = 115200
parity = "none"
stop_bits = 2
address = %d
map = %q
link_loss = "1s"
answer = "100ms"
slowest_answer = "190ms"
`, line.Master, linetest.Unit, mapped))
			l, err := load(&commandLine{Config: configuration}, "../../config/sessions/first-swim.toml")
			if err != nil {
				t.Fatal(err)
			}
			b := freshDrive(t, l, far)
			deliverInNoTime(t, l, drive.New(timed{b, far}, drive.Config{Model: l.settings.Model, Timeout: 300 * time.Millisecond}), far)
		})
	}
}

func deliverInNoTime(t *testing.T, l *loaded, d *drive.Drive, far *linetest.Drive) {
	flow := swimInNoTime(t, l, d, far, nil)
	_, length := l.plan.Profile.Total()
	_, runoutLength := l.plan.Profile.Runout()
	asked, got := length.Metres()+runoutLength.Metres(), flow.Distance.Metres()
	off := 100 * (got - asked) / asked
	t.Logf("asked %.2f m with the runout, delivered %.2f m by the witness: %+.2f %%", asked, got, off)
	if math.Abs(off) > 0.5 {
		t.Errorf("%.2f m delivered of %.2f m", got, asked)
	}
}

// swimInNoTime swims to the end, and gives what the motor's own record makes of the water.
func swimInNoTime(t *testing.T, l *loaded, d *drive.Drive, far *linetest.Drive, events chan<- sequencer.Event) (flow water.Estimate) {
	core := sequencer.NewCore(sequencer.Config{Drive: d, Model: l.settings.Model, Planner: l.planner, Safety: l.guard(), Inline: true, NoCountIn: true, Events: events})
	var now time.Duration
	last := far.At(0)
	step := func() {
		core.Tick(now, sequencer.Tick, sequencer.Tick)
		d.Exchange(now)
		now += sequencer.Tick
		s := far.At(now)
		flow = l.settings.Model.Advance(flow, units.RPM(last.RPM), units.RPM(s.RPM), sequencer.Tick)
		last = s
	}
	for _, c := range []sequencer.Command{{What: run.LayOut, Plan: l.plan.ByItself()}, {What: run.Reset}, {What: run.Start}} {
		err := core.Do(c)
		for tries := 0; err != nil && tries < 200; tries++ { // a drive that is set up for the first time takes a while
			step()
			err = core.Do(c)
		}
		if err != nil {
			t.Fatalf("cannot start: %v; %v", err, d.Report().Link)
		}
	}
	whole, _ := l.plan.Profile.Total()
	runout, _ := l.plan.Profile.Runout()
	for end := now + whole + runout + 5*time.Second; ; {
		step()
		state, why := core.State()
		if state == run.Finished {
			return flow
		}
		if state == run.Stopped || now > end {
			t.Fatalf("after %v of %v the swim is %v (%s); %+v", now, whole+runout, state, why, d.Report())
		}
	}
}

// A filter clogs, through the whole way: an independent drive (pymodbus) with water of its own and a flow sensor on its analogue input, the serial link, tick and guard, the
// logbook, and what is shown of the swim. Water as calibrated gives no word.
func TestAClogIsToldOverASerialLine(t *testing.T) {
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	for _, c := range []struct {
		name, kind, mapped string
		flows              float64 // of what was calibrated
	}{
		{"clogged, the sensor beside the status", "plain", "oxbow-f", 0.92},
		{"clogged, the sensor elsewhere", "velocity", "tarnholm-v", 0.92},
		{"as calibrated", "velocity", "tarnholm-v", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			mapped, err := readMap(c.mapped)
			if err != nil {
				t.Fatal(err)
			}
			line := linetest.NewLine(t, 0)
			far := linetest.StartDrive(t, c.kind, line)
			configuration := file(t, "serial.toml", fmt.Sprintf(`[drive]
backend = "serial"
[drive.serial]
port = %q
baud = 115200
parity = "none"
stop_bits = 2
address = %d
map = %q
link_loss = "1s"
answer = "100ms"
slowest_answer = "190ms"
[water]
rpm = [400, 800, 1600]
speed_mps = [0.5, 1, 2]
`, line.Master, linetest.Unit, file(t, "sensor.toml", linetest.WithFlowSensor(string(mapped)))))
			session := file(t, "s.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"2:00\"\npace = \"1:50\"\n[[step]]\ntime = \"1:00\"\npace = \"1:30\"\n")
			l, err := load(&commandLine{Config: configuration}, session)
			if err != nil {
				t.Fatal(err)
			}
			b := freshDrive(t, l, far)
			far.Tell("flow %g", c.flows)
			dir := t.TempDir()
			st, err := store.OpenToRecord(dir)
			if err != nil {
				t.Fatal(err)
			}
			events := make(chan sequencer.Event, logbook.Room)
			swimInNoTime(t, l, drive.New(timed{b, far}, drive.Config{Model: l.settings.Model, Timeout: 300 * time.Millisecond, Sensor: l.settings.Calibration.Sensor}), far, events)
			ended, cancel := context.WithCancel(context.Background())
			cancel() // all has been told: it keeps that, and ends
			if err := errors.Join(logbook.New(logbook.Config{Store: st, Events: events}).Run(ended), st.Close()); err != nil {
				t.Fatal(err)
			}
			_, out, errs := typed(t, "swims", "--store", dir, "show")
			told := regexp.MustCompile(`The flow sensor saw \S+ m/s on average where the calibration says \S+ \((\S+) %; 5\.0 % is allowed\).*\[water-drift\]`).FindStringSubmatch(out)
			switch {
			case !strings.Contains(out, "180 m swum"):
				t.Errorf("it shows\n%s%s", out, errs)
			case c.flows == 1 && strings.Contains(out, "drift"):
				t.Errorf("water as calibrated is told of:\n%s", out)
			case c.flows != 1 && told == nil:
				t.Errorf("water that is 8 %% slower is not told of:\n%s", out)
			case c.flows != 1:
				if off, err := strconv.ParseFloat(told[1], 64); err != nil || math.Abs(off+8) > 0.5 {
					t.Errorf("told of %s %%, want -8", told[1])
				}
			}
		})
	}
}

// freshDrive is the link to a drive as it comes from its maker, whose clock is told from now on.
func freshDrive(t *testing.T, l *loaded, far *linetest.Drive) *serial.Backend {
	t.Helper()
	r, err := resolve(l.settings)
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.serial()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	far.At(0)
	far.Tell("fresh")
	return b
}
