package logbook

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/survey"
	"flume.example/sequencerd/internal/units"
)

// slipping is a motor that reports another speed than it was ordered, by a factor.
type slipping struct {
	*simulated.Backend
	by float64
}

func (s slipping) Read(r drive.Round) (drive.Feedback, error) {
	f, err := s.Backend.Read(r)
	f.Motor = units.RPM(f.Motor.RPM() * s.by)
	return f, err
}

// TestAMotorThatDriftsIsNoticed: from 2 % on, our own choice (internal/survey), over two minutes at least.
func TestAMotorThatDriftsIsNoticed(t *testing.T) {
	long := []schedule.Block{
		{Name: "Easy", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 2 * time.Minute, From: pace(120), To: pace(120)},
		{Name: "Build", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 2 * time.Minute, From: pace(110), To: pace(90)},
	}
	var short []schedule.Block
	for range 25 {
		short = append(short, schedule.Block{Name: "Fast", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 20 * time.Second, From: pace(95), To: pace(95)},
			schedule.Block{Name: "Rest", Round: 1, Of: 1, Extent: schedule.ByTime, Rest: true, Time: 30 * time.Second})
	}
	for _, c := range []struct {
		name    string
		blocks  []schedule.Block
		by      float64
		enable  time.Duration
		drifted bool
	}{
		{"an honest motor", long, 1, 200 * time.Millisecond, false},
		{"4 % slower", long, 0.96, 200 * time.Millisecond, true},
		{"4 % faster", long, 1.04, 200 * time.Millisecond, true},
		{"1 % slower, which is allowed", long, 0.99, 200 * time.Millisecond, false},
		{"4 % slower, for too short a time to tell", two, 0.96, 200 * time.Millisecond, false},
		{"an honest motor in short stretches", short, 1, time.Second, false},
		{"4 % slower, in short stretches", short, 0.96, 200 * time.Millisecond, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f, err := newFlumeWith(c.blocks, Room, func(s simulated.Config) (drive.Backend, error) {
				s.EnableTime = c.enable
				b, err := simulated.New(s)
				return slipping{b, c.by}, err
			})
			must(t, err)
			dir := t.TempDir()
			k := keep(t, dir, f)
			st, err := f.swim()
			must(t, err)
			if st != run.Finished {
				t.Fatalf("the swim is %s", st)
			}
			k.end()
			var words []string
			for _, h := range records(t, dir)[0].Happenings {
				if h.Kind == "drift" && h.Code == fault.MotorDrift {
					words = append(words, h.What)
				}
			}
			if got := k.drifted(); (got == fault.MotorDrift) != c.drifted || got != "" && got != fault.MotorDrift {
				t.Errorf("the deck is told %q", got)
			}
			if !c.drifted {
				if len(words) != 0 {
					t.Errorf("kept %q", words)
				}
				return
			}
			want := "+4."
			if c.by < 1 {
				want = "-4."
			}
			if len(words) != 1 || !strings.Contains(words[0], want) || !strings.Contains(words[0], "calibrate again") {
				t.Errorf("kept %q, want one with %q", words, want)
			}
		})
	}
}

// drifted is what the deck is told of.
func (k *keeper) drifted() (codes fault.Code) {
	for _, n := range k.Status().Drift.Notices() {
		codes += n.Code
	}
	return codes
}

// TestWaterThatDriftsIsNoticed: by a flow sensor, from 5 % on, our own choice (internal/survey), over two minutes of steady water.
func TestWaterThatDriftsIsNoticed(t *testing.T) {
	long := []schedule.Block{
		{Name: "Easy", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 2 * time.Minute, From: pace(120), To: pace(120)},
		{Name: "Build", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 2 * time.Minute, From: pace(110), To: pace(90)},
	}
	var ramps []schedule.Block // nowhere steady for as long as a sensor is behind
	for range 20 {
		ramps = append(ramps, schedule.Block{Name: "Up", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 10 * time.Second, From: pace(120), To: pace(70)},
			schedule.Block{Name: "Down", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 10 * time.Second, From: pace(70), To: pace(120)})
	}
	for _, c := range []struct {
		name   string
		blocks []schedule.Block
		plant  float64 // how far the true water is off the model
		shows  float64 // by the sensor, as a share of the true; 0 for none
		factor float64 // of the sensor, by the configuration
		off    float64 // as the swim has it, in %; 0 where nothing is to be told
	}{
		{"an honest sensor, water as the model has it", long, 0, 1, 1, 0},
		{"clogged: 8 % slower", long, -0.08, 1, 1, -8},
		{"8 % faster", long, 0.08, 1, 1, 8},
		{"3 % slower, which is allowed", long, -0.03, 1, 1, 0},
		{"clogged, and no sensor to tell", long, -0.08, 0, 1, 0},
		{"clogged, in a session too short to tell", two, -0.08, 1, 1, 0},
		{"clogged, where nothing is steady", ramps, -0.08, 1, 1, 0},
		{"a sensor where the water is slower, and its factor", long, 0, 0.8, 1.25, 0},
		{"the same, clogged", long, -0.08, 0.8, 1.25, -8},
		{"a sensor that shows less, and no factor", long, 0, 0.9, 1, -10},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f, err := newFlumeOf(c.blocks, Room, drive.Config{Sensor: c.factor}, func(s simulated.Config) (drive.Backend, error) {
				s.SpeedError, s.InertiaError, s.FlowSensor = c.plant, 0, c.shows
				return simulated.New(s)
			})
			must(t, err)
			dir := t.TempDir()
			k := keep(t, dir, f)
			st, err := f.swim()
			must(t, err)
			if st != run.Finished {
				t.Fatalf("the swim is %s", st)
			}
			k.end()
			var words []string
			for _, h := range records(t, dir)[0].Happenings {
				if h.Kind == "drift" {
					words = append(words, fmt.Sprintf("%s [%s]", h.What, h.Code))
				}
			}
			if c.off == 0 {
				if got := k.drifted(); len(words) != 0 || got != "" {
					t.Errorf("kept %q, and the deck is told %q", words, got)
				}
				return
			}
			if got := k.drifted(); got != fault.WaterDrift {
				t.Errorf("the deck is told %q", got)
			}
			if len(words) != 1 || !strings.Contains(words[0], "Look for what blocks the water") || !strings.Contains(words[0], "[water-drift]") {
				t.Fatalf("kept %q", words)
			}
			var off float64
			if _, err := fmt.Sscanf(words[0][strings.IndexByte(words[0], '(')+1:], "%g", &off); err != nil || math.Abs(off-c.off) > 0.5 {
				t.Errorf("kept %q, want one with %+g %% (%v)", words, c.off, err)
			}
		})
	}
}

// TestMotorAndWaterDriftAreTwo: what a swim says of the one leaves what is known of the other as it is.
func TestMotorAndWaterDriftAreTwo(t *testing.T) {
	by, shows := 0.96, 0.9
	f, err := newFlumeWith([]schedule.Block{
		{Name: "Easy", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 4 * time.Minute, From: pace(120), To: pace(120)},
	}, Room, func(s simulated.Config) (drive.Backend, error) {
		s.SpeedError, s.FlowSensor = 0, 1
		b, err := simulated.New(s)
		return sensing{changing{b, &by}, &shows}, err
	})
	must(t, err)
	k := keep(t, t.TempDir(), f)
	swim := func(n int64) fault.Code {
		_, err := f.swim()
		must(t, err)
		until(func() bool { st := k.Status(); return len(f.events) == 0 && st.Swim == n && st.Waiting == 0 })
		return k.drifted()
	}
	if got := swim(1); got != fault.MotorDrift+fault.WaterDrift {
		t.Fatalf("both are off: %q", got)
	}
	by, shows = 1, 0
	if got := swim(2); got != fault.WaterDrift {
		t.Errorf("the motor is well, and the sensor shows nothing: %q", got)
	}
	shows = 1
	if got := swim(3); got != "" {
		t.Errorf("both are well: %q", got)
	}
}

// sensing is a motor whose flow sensor shows a share that is set from outside; none where that is 0.
type sensing struct {
	changing
	shows *float64
}

func (s sensing) Read(r drive.Round) (drive.Feedback, error) {
	f, err := s.changing.Read(r)
	f.Sensed = drive.Sensed{Known: *s.shows > 0, Speed: units.MetresPerSecond(f.Sensed.Speed.MetresPerSecond() * *s.shows)}
	return f, err
}

// TestAnHonestSwimEndsTheNotice: it stays over a swim too short to tell, and goes with one that shows the motor well.
func TestAnHonestSwimEndsTheNotice(t *testing.T) {
	by := 0.96
	f, err := newFlumeWith([]schedule.Block{
		{Name: "Easy", Round: 1, Of: 1, Extent: schedule.ByTime, Time: 4 * time.Minute, From: pace(120), To: pace(120)},
	}, Room, func(s simulated.Config) (drive.Backend, error) {
		b, err := simulated.New(s)
		return changing{b, &by}, err
	})
	must(t, err)
	k := keep(t, t.TempDir(), f)
	told := func(swim int64) fault.Code { // once that swim is kept
		until(func() bool { st := k.Status(); return len(f.events) == 0 && st.Swim == swim && st.Waiting == 0 })
		return k.drifted()
	}
	_, err = f.swim()
	must(t, err)
	if got := told(1); got != fault.MotorDrift {
		t.Fatalf("after 4 %% too slow: %q", got)
	}
	must(t, f.do(run.Start))
	f.pass(time.Minute)
	must(t, f.do(run.Finish))
	for st, _ := f.core.State(); st.Under(); st, _ = f.core.State() {
		f.pass(time.Second)
	}
	if got := told(2); got != fault.MotorDrift {
		t.Errorf("after a swim of a minute: %q", got)
	}
	by = 1
	_, err = f.swim()
	must(t, err)
	if got := told(3); got != "" {
		t.Errorf("after an honest swim: %q", got)
	}
}

// changing is a motor whose slip is set from outside.
type changing struct {
	*simulated.Backend
	by *float64
}

func (c changing) Read(r drive.Round) (drive.Feedback, error) {
	return slipping{c.Backend, *c.by}.Read(r)
}

// TestBehindInARampIsNoDrift: a second behind, as a motor that first has to switch on, over and over; nor does a gap between samples count.
func TestBehindInARampIsNoDrift(t *testing.T) {
	var d, gaps drift
	at := time.Duration(0)
	sample := func(d *drift, step time.Duration, ordered, turned float64) {
		at += step
		d.sampled(sequencer.Event{At: at, Ordered: units.RPM(ordered), Motor: units.RPM(turned)})
	}
	for range 30 {
		for i := range 10 {
			sample(&d, time.Second, 300+90*float64(i), max(0, 300+90*float64(i-1)-200))
		}
		for range 5 {
			sample(&d, time.Second, 1200, 1200)
		}
		sample(&d, time.Second, 0, 900)
	}
	if f := d.Drift(survey.DefaultDriftLimits()).Motor; !f.Known || f.Drifted {
		t.Errorf("behind in ramps: %+v", f)
	}
	for range 300 {
		sample(&gaps, 2*time.Second, 900, 700)
	}
	if f := gaps.Drift(survey.DefaultDriftLimits()).Motor; f.Known {
		t.Errorf("gaps alone: %+v", f)
	}
}
