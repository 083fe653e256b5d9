package safety_test

import (
	"errors"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

const tick = 50 * time.Millisecond

// bench is a guard with facts that are all well, and a clock.
type bench struct {
	t *testing.T
	g *safety.Guard
	f safety.Facts
	w safety.Wish
}

func newBench(t *testing.T) *bench {
	b := &bench{t: t, g: safety.NewGuard(safety.Config{
		Cap: units.MetresPerSecond(1.6), MaxAccel: units.MetresPerSecond2(0.2),
		IdleShutoff: 30 * time.Minute, LongestSwim: 2 * time.Hour, SoftTime: 30 * time.Second,
	})}
	b.f = safety.Facts{Now: time.Second, Wall: safety.NoWall, Drive: safety.DriveFacts{Reads: 1, At: time.Second, Stops: 1, Why: fault.NotReset, Latched: true}}
	b.g.Step(&b.f, safety.Wish{}) // has met the stop of the power-up
	b.w = safety.Wish{Speed: units.MetresPerSecond(1), Under: true, RestAway: true}
	return b
}

func (b *bench) step() safety.Verdict {
	b.f.Now += tick
	b.f.Gap = tick
	b.f.Drive.At = b.f.Now
	return b.judge()
}

// judge steps without fresh feedback.
func (b *bench) judge() safety.Verdict {
	v := b.g.Step(&b.f, b.w)
	b.f.Stop, b.f.Press, b.f.Seen = "", false, false
	return v
}

func (b *bench) reset() {
	b.t.Helper()
	r, err := b.g.Reset(&b.f)
	if err != nil {
		b.t.Fatalf("reset: %v", err)
	}
	if r.Upto() != b.f.Drive.Stops {
		b.t.Fatalf("the release covers %d stops, want %d", r.Upto(), b.f.Drive.Stops)
	}
}

func (b *bench) start() {
	b.t.Helper()
	if err := b.g.Start(&b.f, false); err != nil {
		b.t.Fatalf("start: %v", err)
	}
}

func mps(c safety.Cleared) float64 {
	v, _ := c.Water()
	return v.MetresPerSecond()
}

func code(err error) fault.Code {
	var f fault.Fault
	if errors.As(err, &f) {
		return f.Code
	}
	return ""
}

func TestNothingIsClearedBeforeResetAndStart(t *testing.T) {
	b := newBench(t)
	if v := b.step(); mps(v.Cleared) != 0 || v.Permit || v.Why != fault.NotReset {
		t.Errorf("before the reset: %+v", v)
	}
	if err := b.g.Start(&b.f, false); code(err) != fault.NotReset {
		t.Errorf("start before reset: %v", err)
	}
	b.reset()
	for range 100 {
		if v := b.step(); mps(v.Cleared) != 0 {
			t.Fatal("a reset alone cleared motion")
		}
	}
	b.start()
	if v := b.step(); mps(v.Cleared) != 1 || !v.Permit {
		t.Errorf("after the start: %+v", v)
	}
}

func TestWhatStopsAndHow(t *testing.T) {
	for _, c := range []struct {
		rule string
		do   func(b *bench) safety.Verdict
		want fault.Code
		soft bool
	}{
		{"a stop is fast", func(b *bench) safety.Verdict { b.f.Stop = fault.StopPressed; return b.step() }, fault.StopPressed, false},
		{"a stop that somebody latched at the drive counts", func(b *bench) safety.Verdict {
			b.f.Drive.Stops++
			b.f.Drive.Why = fault.ProgramPanic
			return b.step()
		}, fault.ProgramPanic, false},
		{"a fault of the drive is fast", func(b *bench) safety.Verdict { b.f.Drive.Fault = true; return b.step() }, fault.DriveFault, false},
		{"a tick 151 ms late is fast", func(b *bench) safety.Verdict {
			b.f.Now += 201 * time.Millisecond
			b.f.Gap = 201 * time.Millisecond
			b.f.Drive.At = b.f.Now
			return b.judge()
		}, fault.TickLate, false},
		{"feedback older than 300 ms is fast", func(b *bench) safety.Verdict {
			for range 6 {
				b.f.Now += tick
				b.judge()
			}
			b.f.Now += tick
			return b.judge()
		}, fault.FeedbackOld, false},
		{"a link lost for 200 ms is fast", func(b *bench) safety.Verdict {
			b.f.Drive.Lost = true
			for range 4 {
				if v := b.step(); v.Stop {
					b.t.Error("stopped within the blip")
				}
			}
			return b.step()
		}, fault.LinkLost, false},
		{"the longest swim ends softly", func(b *bench) safety.Verdict {
			b.f.Press = true
			b.f.Now += 2 * time.Hour
			return b.step()
		}, fault.LongestSwim, true},
		{"nobody for 30 minutes ends softly (idle shutoff: common practice, no source)", func(b *bench) safety.Verdict {
			b.f.Now += 30 * time.Minute
			return b.step()
		}, fault.Unattended, true},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			b.reset()
			b.start()
			if v := b.step(); mps(v.Cleared) != 1 {
				t.Fatalf("does not move to begin with: %+v", v)
			}
			v := c.do(b)
			if v.Why != c.want || v.Soft != c.soft || v.Stop == c.soft {
				t.Fatalf("verdict %+v, want %s, soft %v", v, c.want, c.soft)
			}
			if c.soft {
				for x := 0.9; x > 0; x -= 0.1 {
					b.w.Speed = units.MetresPerSecond(x)
					if v = b.step(); mps(v.Cleared) != x || !v.Soft {
						t.Fatalf("a soft stop lets the wish come down: %+v", v)
					}
				}
				b.w.Speed = units.MetresPerSecond(1)
				if v = b.step(); mps(v.Cleared) > 0.13 {
					t.Fatalf("a soft stop let the water rise: %+v", v)
				}
				b.w.Off = true
				if v = b.step(); !v.Stop {
					t.Fatal("a soft stop ends with the drive disabled")
				}
				b.w.Off = false
			}
			b.f.Drive.Fault, b.f.Drive.Lost, b.f.Drive.Stops = false, false, b.f.Drive.Stops+1
			for range 100 {
				if v = b.step(); mps(v.Cleared) != 0 || v.Permit || v.Stop {
					t.Fatalf("a cause that goes away is no permission: %+v", v)
				}
			}
			if err := b.g.Start(&b.f, false); code(err) != c.want {
				t.Fatalf("a start without a reset: %v", err)
			}
		})
	}
}

func TestASoftStopThatDoesNotComeDownBecomesFast(t *testing.T) {
	b := newBench(t)
	b.reset()
	b.start()
	b.step()
	b.f.Now += 30 * time.Minute
	b.step()
	for range int(30 * time.Second / tick) {
		if v := b.step(); v.Stop || !v.Soft || mps(v.Cleared) > 1.02 {
			t.Fatalf("while falling: %+v", v)
		}
	}
	if v := b.step(); !v.Stop || v.Why != fault.SoftTooSlow || mps(v.Cleared) != 0 {
		t.Fatalf("after its time: %+v", v)
	}
}

func TestAResetWaitsForItsConditions(t *testing.T) {
	for _, c := range []struct {
		rule string
		with func(f *safety.Facts)
		want fault.Code
	}{
		{"the stop is still asked", func(f *safety.Facts) { f.Stop = fault.StopPressed }, fault.StopPressed},
		{"the drive was never heard", func(f *safety.Facts) { f.Drive.Reads = 0 }, fault.LinkLost},
		{"the link is lost", func(f *safety.Facts) { f.Drive.Lost = true }, fault.LinkLost},
		{"the feedback is old", func(f *safety.Facts) { f.Drive.At -= 301 * time.Millisecond }, fault.FeedbackOld},
		{"the drive has a fault", func(f *safety.Facts) { f.Drive.Fault = true }, fault.DriveFault},
		{"the motor turns", func(f *safety.Facts) { f.Drive.Motor = units.RPM(6) }, fault.StillTurning},
	} {
		b := newBench(t)
		c.with(&b.f)
		if _, err := b.g.Reset(&b.f); code(err) != c.want {
			t.Errorf("%s: %v, want %s", c.rule, err, c.want)
		}
	}
	b := newBench(t)
	b.reset()
	if _, err := b.g.Reset(&b.f); code(err) != fault.NotStopped {
		t.Errorf("a second reset: %v", err)
	}
}

func TestAStartWaitsTwoSecondsAfterAFault(t *testing.T) {
	b := newBench(t)
	b.reset()
	b.f.Drive.Lost = true
	b.step()
	b.f.Drive.Lost = false
	b.step()
	if err := b.g.Start(&b.f, false); code(err) != fault.LinkSettling {
		t.Fatalf("at once: %v", err)
	}
	for range int(2 * time.Second / tick) {
		b.step()
	}
	b.start()
}

func TestCapsHoldWhateverIsWished(t *testing.T) {
	b := newBench(t)
	b.reset()
	b.start()
	b.w.Speed, b.w.Accel = units.MetresPerSecond(3), units.MetresPerSecond2(0.1)
	v := b.step()
	if x, a := v.Cleared.Water(); x.MetresPerSecond() != 1.6 || a.MetresPerSecond2() != 0 || v.Why != fault.OverCap {
		t.Errorf("over the cap: %v %v %v", x, a, v.Why)
	}
	b.w.Speed, b.w.Accel = units.MetresPerSecond(1), units.MetresPerSecond2(5)
	if _, a := b.step().Cleared.Water(); a.MetresPerSecond2() != 0.2 {
		t.Errorf("acceleration cleared: %v", a)
	}
	nan := units.MetresPerSecond(0)
	nan = units.MetresPerSecond(nan.MetresPerSecond() / nan.MetresPerSecond())
	b.w.Speed = nan
	if x := mps(b.step().Cleared); x != 0 {
		t.Errorf("a wish that is no number cleared %v", x)
	}
}

func TestTheQuestionComesAtTheLastRestElseTwoMinutesBefore(t *testing.T) {
	ask := func(rests ...time.Duration) time.Duration { // begins of rests of 20 s, since the start
		b := newBench(t)
		b.reset()
		b.start()
		begin := b.f.Now
		for {
			now := b.f.Now - begin
			b.w.AtRest, b.w.RestAway = false, true
			for _, r := range rests {
				b.w.AtRest = b.w.AtRest || now >= r && now < r+20*time.Second
				if r > now && b.w.RestAway {
					b.w.RestAway, b.w.RestIn = false, r-now
				}
			}
			if v := b.step(); v.Ask {
				return (b.f.Now - begin).Round(time.Second)
			} else if v.Soft {
				return -1
			}
		}
	}
	const m = time.Minute
	for _, c := range []struct {
		rests []time.Duration
		want  time.Duration
	}{
		{nil, 28 * m},
		{[]time.Duration{10 * m, 26 * m}, 26 * m},
		{[]time.Duration{26 * m, 27 * m, 29 * m}, 29 * m},
		{[]time.Duration{26 * m, 29*m + 45*time.Second}, 26 * m}, // too late to answer
		{[]time.Duration{20 * m}, 28 * m},
	} {
		if got := ask(c.rests...); got != c.want {
			t.Errorf("rests at %v: asked at %v, want %v", c.rests, got, c.want)
		}
	}
}

func TestASignOfAPersonPostponesTheShutoff(t *testing.T) {
	b := newBench(t)
	b.g.Configure(safety.Config{Cap: units.MetresPerSecond(1.6), MaxAccel: units.MetresPerSecond2(0.2), IdleShutoff: 30 * time.Minute, LongestSwim: 9 * time.Hour})
	b.reset()
	b.start()
	b.f.Now += 29 * time.Minute
	if v := b.step(); !v.Ask {
		t.Fatal("not asked after 29 minutes")
	}
	b.f.Press = true
	if v := b.step(); v.Ask {
		t.Fatal("still asked after the answer")
	}
	b.f.Now += 29 * time.Minute
	if v := b.step(); v.Soft || !v.Ask {
		t.Fatalf("29 minutes after the press: %+v", v)
	}
	// occupancy alone: good for an hour after the last press, no longer
	b.f.Seen = true
	b.step()
	b.f.Now += 29 * time.Minute
	if v := b.step(); v.Soft {
		t.Fatal("an occupancy signal within the hour postpones")
	}
	b.f.Seen = true
	b.f.Now += 10 * time.Minute
	b.f.Seen = true
	b.step()
	b.f.Now += 25 * time.Minute // 93 min after the press; the signal counts as of 60
	b.f.Seen = true
	if v := b.step(); !v.Soft || v.Why != fault.Unattended {
		t.Fatalf("an hour of occupancy alone: %+v", v)
	}
}

func TestAStepAllocatesNothing(t *testing.T) {
	b := newBench(t)
	b.reset()
	b.start()
	if n := testing.AllocsPerRun(100, func() { b.step() }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}
