package logbook

import (
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
			if got := k.Status().Drift; (got == fault.MotorDrift) != c.drifted || got != "" && got != fault.MotorDrift {
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
		return k.Status().Drift
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
