package serial

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// sensing is a map with its flow sensor out of its comments.
func sensing(t testing.TB, file string) *Map {
	m, err := ParseMap(file, []byte(linetest.WithFlowSensor(mapText(t, file))))
	if err != nil {
		t.Fatal(err)
	}
	if !m.flow.there {
		t.Fatalf("%s has no flow sensor in its comments", file)
	}
	return m
}

// A flow sensor on the analogue input of an independent drive: beside the status, read with it, and elsewhere, read once a second. What it shows arrives, and follows
// the water. A wire that breaks, a number that is none, and a drive that has no such register are no sensor, and no trouble: the motor turns on.
func TestFlowSensorOfAnIndependentDrive(t *testing.T) {
	t.Parallel()
	for kind, file := range map[string]string{"plain": "oxbow-f.toml", "velocity": "tarnholm-v.toml"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			line, far, ok := independent(t, kind)
			if !ok {
				return
			}
			far.Tell("flow 1")
			b := atWorkWith(t, line, far, file, func(c *Config) { c.Map = sensing(t, file) })
			b.start()
			shows := func(share float64) func() bool {
				return func() bool {
					r := b.Report().Sensed // by the drive's description: 1 m/s at 800 rpm
					return r.Known && math.Abs(r.Speed.MetresPerSecond()-share*900/800) < 0.01
				}
			}
			none := func() bool { return !b.Report().Sensed.Known }
			step := func(tell, what string, is func() bool) {
				t.Helper()
				if b.held() || b.missed() { // by a busy machine
					b.stop()
					b.start()
				}
				b.far.Tell(tell)
				b.until(what, func() bool { return is() || b.held() || b.missed() })
				if b.held() || b.missed() {
					b.stop()
					b.start()
					b.until(what, is)
				}
			}
			step("flow 1", "the water as it should be", shows(1))
			step("flow 0.92", "the water of a clogged filter", shows(0.92))
			line.Said()
			begun := time.Now()
			b.until("two seconds later", func() bool { return time.Since(begun) > 2*time.Second })
			asked := 0
			for _, c := range line.Said() {
				if c.FromMaster && len(c.Bytes) > 5 && c.Bytes[1] == readHolding && binary.BigEndian.Uint16(c.Bytes[2:]) == sensing(t, file).flow.address {
					asked++
				}
			}
			if kind == "plain" && asked > 0 || kind == "velocity" && (asked < 1 || asked > 3) {
				t.Errorf("the sensor's register was asked for %d times in two seconds", asked)
			}
			if kind == "plain" { // 0 mA of 4 to 20
				step("flow 0", "a broken wire", none)
				step("flow 1", "the wire mended", shows(1))
			}
			step("flow 6", "faster than any water", none)
			step("flow 1", "the water again", shows(1))
			step("flow none", "no such register", none)
			reads := b.Report().Reads
			b.until("the drive answers on", func() bool { p := b.Report(); return p.Reads > reads+40 && p.Link == nil })
			if p := b.Report(); p.Sensed.Known || p.Fault != "" {
				t.Errorf("without the sensor: %+v", p)
			}
			b.stop()
		})
	}
}

// A stop that is pressed while the sensor's request is under way waits for that one at most: nothing else of the master's comes before the stop's frame.
func TestAStopWaitsForTheSensorAtMost(t *testing.T) {
	t.Parallel()
	line, far, ok := independent(t, "velocity")
	if !ok {
		return
	}
	far.Tell("flow 1")
	b := atWorkWith(t, line, far, "tarnholm-v.toml", func(c *Config) { c.Map = sensing(t, "tarnholm-v.toml") })
	sensor, g := sensing(t, "tarnholm-v.toml").flow.address, readMap(t, "tarnholm-v.toml").control
	for range 5 {
		b.start()
		line.Said()
		b.until("the sensor is asked", func() bool {
			for _, c := range line.Said() {
				if c.FromMaster && len(c.Bytes) > 5 && binary.BigEndian.Uint16(c.Bytes[2:]) == sensor {
					return true
				}
			}
			return false
		})
		pressed := time.Now()
		b.Stop(fault.StopPressed)
		before := 0
		b.until("the stop is on the line", func() bool {
			for _, c := range line.Said() {
				switch {
				case !c.FromMaster || c.At.Before(pressed):
				case len(c.Bytes) > 8 && c.Bytes[1] == g.function && binary.BigEndian.Uint16(c.Bytes[2:]) == g.address && c.Bytes[8] == quickStop:
					return true
				default:
					before++
				}
			}
			return false
		})
		if before > 1 { // one may have been on its way at that very moment
			t.Fatalf("%d requests went out after the press and before the stop", before)
		}
		b.until("at rest", b.atRest)
	}
}

// A drive that is silent at the sensor's register is asked ever more rarely, and no exchange fails for it; now and then one may, since this machine has other work.
func TestADriveThatIsSilentAtItsSensor(t *testing.T) {
	t.Parallel()
	p := play(t, sensing(t, "tarnholm-v.toml"), simulated.Config{FlowSensor: 1})
	p.deaf = p.cfg.Map.flow.address
	d := drive.New(p, drive.Config{Model: flume(t), Timeout: 300 * ms})
	missed := 0
	for now := time.Duration(0); now < 70*time.Second; now += drive.DefaultEvery {
		d.Exchange(now)
		r := d.Report()
		if r.Link != nil {
			missed++
		}
		if r.Sensed.Known || now-r.At > drive.DefaultEvery || missed > 3 {
			t.Fatalf("at %v: %+v", now, r)
		}
	}
	if p.missed < 5 || p.missed > 7 { // at once, after 1 s, 3, 7, 15, 31 and 63, and a round more each where the line is left alone
		t.Errorf("asked %d times in 70 s", p.missed)
	}
	_ = d.Close()
}

// A played drive has a sensor where the water behind it has one.
func TestFlowSensorOfAPlayedDrive(t *testing.T) {
	t.Parallel()
	for _, file := range []string{"oxbow-f.toml", "tarnholm-v.toml"} {
		for _, share := range []float64{0, 1, 0.9} {
			p := play(t, sensing(t, file), simulated.Config{FlowSensor: share})
			d := drive.New(p, drive.Config{Model: flume(t), Timeout: 300 * ms})
			for now := time.Duration(0); now < 12*time.Second; now += drive.DefaultEvery {
				if now > 2*time.Second {
					d.Unlatch(drivetest.Release(d.Report().Stops))
					d.Set(drivetest.Clear(flume(t).Steady(units.RPM(900)), units.Accel{}))
				}
				d.Exchange(now)
			}
			r := d.Report()
			water, _ := p.motor.Water()
			if want := share * water.MetresPerSecond(); r.Sensed.Known != (share > 0) || math.Abs(r.Sensed.Speed.MetresPerSecond()-want) > 0.005 {
				t.Errorf("%s, a sensor that shows %g: %+v, and the water is at %v", file, share, r.Sensed, water)
			}
			if water.MetresPerSecond() < 1 || r.Link != nil {
				t.Errorf("%s: the water is at %v; %v", file, water, r.Link)
			}
			_ = d.Close()
		}
	}
}
