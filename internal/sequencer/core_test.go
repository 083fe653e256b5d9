package sequencer_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const tick = sequencer.Tick

var limits = ramp.Limits{
	Accel: units.MetresPerSecond2(0.10), Decel: units.MetresPerSecond2(0.12),
	Jerk: units.MetresPerSecond3(0.10), Relief: units.MetresPerSecond3(1),
}

const inertia = 2.0

// rig is a core over a simulated flume in virtual time.
type rig struct {
	t     testing.TB
	core  *sequencer.Core
	drive *drive.Drive
	back  *simulated.Backend
	now   time.Duration
	plan  run.Plan
	model *water.Model
}

func newRig(t testing.TB, blocks []schedule.Block, faults ...string) *rig {
	t.Helper()
	return newRigBehind(t, blocks, func(b *simulated.Backend) drive.Backend { return b }, faults...)
}

// newRigBehind is one whose drive is behind something.
func newRigBehind(t testing.TB, blocks []schedule.Block, behind func(*simulated.Backend) drive.Backend, faults ...string) *rig {
	t.Helper()
	m, err := water.New([]water.Point{
		{Motor: units.RPM(300), Water: units.MetresPerSecond(0.34)}, {Motor: units.RPM(600), Water: units.MetresPerSecond(0.71)},
		{Motor: units.RPM(900), Water: units.MetresPerSecond(1.09)}, {Motor: units.RPM(1500), Water: units.MetresPerSecond(1.80)},
	}, units.Metres(inertia), water.Motor{Min: units.RPM(120), Max: units.RPM(1500), RPMPerSecond: 600})
	if err != nil {
		t.Fatal(err)
	}
	top := units.MetresPerSecond(1.6)
	p, err := ramp.NewPlanner(limits, m, top)
	if err != nil {
		t.Fatal(err)
	}
	profile, _, err := p.Profile(ramp.State{}, blocks)
	if err != nil {
		t.Fatal(err)
	}
	c := simulated.Defaults(m)
	c.Faults = faults
	b, err := simulated.New(c)
	if err != nil {
		t.Fatal(err)
	}
	d := drive.New(behind(b), drive.Config{Model: m})
	r := &rig{t: t, drive: d, back: b, model: m, plan: run.Plan{Title: "test", Blocks: blocks, Planner: p, Profile: profile}}
	r.core = sequencer.NewCore(sequencer.Config{
		Drive: d, Model: m, Planner: p, Inline: true, NoCountIn: true,
		Safety: safety.Config{
			Cap: top, MaxAccel: units.MetresPerSecond2(0.11),
			IdleShutoff: 30 * time.Minute, LongestSwim: 2 * time.Hour, SoftTime: 30 * time.Second,
		},
	})
	r.pass(time.Second)
	r.must(r.do(run.LayOut))
	return r
}

func (r *rig) step() {
	r.now += tick
	r.core.Tick(r.now, tick, tick)
	r.drive.Exchange(r.now)
}

func (r *rig) pass(d time.Duration) {
	for range int(d / tick) {
		r.step()
	}
}

func (r *rig) do(c run.Command) error {
	return r.core.Do(sequencer.Command{What: c, Plan: r.plan, Nudge: 1, Pace: units.PacePer100(100, units.Metre)})
}

func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) state() run.State { s, _ := r.core.State(); return s }

func pace(s float64) units.Pace { return units.PacePer100(s, units.Metre) }

// mixed is a session with every kind of block.
func mixed() []schedule.Block {
	b := []schedule.Block{
		{Extent: schedule.ByTime, Time: 40 * time.Second, From: pace(120), To: pace(120)},
		{Extent: schedule.ByDistance, Distance: units.Metres(50), From: pace(90), To: pace(90)},
		{Extent: schedule.ByTime, Rest: true, Time: 15 * time.Second},
		{Extent: schedule.ByTime, Time: 3 * time.Second, From: pace(70), To: pace(70)}, // too short for its pace
		{Extent: schedule.ByTime, Time: 30 * time.Second, From: pace(110), To: pace(80)},
		{Extent: schedule.Open, Time: time.Minute, From: pace(100), To: pace(100)},
		{Extent: schedule.ByDistance, Distance: units.Metres(25), From: pace(80), To: pace(80)},
		{Extent: schedule.ByTime, Rest: true, Leaves: []schedule.SendOff{{First: 6, Every: time.Minute}}},
		{Extent: schedule.ByDistance, Distance: units.Metres(100), From: pace(130), To: pace(85)},
		{Extent: schedule.ByTime, Time: 20 * time.Second, From: pace(300), To: pace(300)},
	}
	for i := range b {
		b[i].Index, b[i].Step, b[i].Name, b[i].Round, b[i].Of = i, i, fmt.Sprint("block ", i), 1, 1
	}
	return b
}

// watch holds what is cleared against the comfort limits, tick by tick, by differences: what was sent, not what was planned.
type watch struct {
	t          testing.TB
	v, a       float64
	exempt     bool // the tick before was a fast stop, or nothing was under way
	violations int
}

func (w *watch) see(c *sequencer.Core, what string) {
	const dt, slack = 0.05, 1e-7
	state, _ := c.State()
	wish := c.Wish()
	v, a := wish.Speed.MetresPerSecond(), wish.Accel.MetresPerSecond2()
	cv, ca := c.Verdict().Cleared.Water()
	if cleared := cv.MetresPerSecond(); state == run.Running && !wish.Off && (cleared != v || ca.MetresPerSecond2() != a) {
		w.fail("%s: wished %v %v, cleared %v %v", what, v, a, cleared, ca)
	}
	if !state.Under() || state == run.Stopped {
		w.exempt, w.v, w.a = true, 0, 0
		return
	}
	defer func() { w.v, w.a, w.exempt = v, a, false }()
	if w.exempt {
		return
	}
	if v < 0 || math.IsNaN(v) || math.IsNaN(a) {
		w.fail("%s: speed %v", what, v)
	}
	if a > 0.10+slack || a < -0.12-slack {
		w.fail("%s: acceleration %v", what, a)
	}
	if up := (v - w.v) / dt; up > 0.10+slack || up < -0.12-slack {
		w.fail("%s: speed from %v to %v is %v m/s²", what, w.v, v, up)
	}
	jerk := (a - w.a) / dt
	if low := -0.10; jerk > 0.10+slack || jerk < low-slack && !(w.a > 0 && jerk >= -1-slack) {
		w.fail("%s: acceleration from %v to %v is %v m/s³", what, w.a, a, jerk)
	}
	// the acceleration that is sent is that of the speed: what is wrong is at most what the jerk allows within a tick
	if d := math.Abs(v - w.v - (a+w.a)/2*dt); d > 1*dt*dt/2 {
		w.fail("%s: speed from %v to %v does not go with acceleration %v to %v", what, w.v, v, w.a, a)
	}
	// water can only coast down
	if a < -v*v/inertia-1e-6 && v > 1e-9 {
		w.fail("%s: %v m/s² at %v m/s is more than the water's own coast", what, a, v)
	}
}

func (w *watch) fail(format string, args ...any) {
	w.t.Helper()
	if w.violations++; w.violations < 10 {
		w.t.Errorf(format, args...)
	}
}

// A million commands at random instants, through guard, drive and simulated motor: what is cleared keeps to the limits, and no state is a trap.
func TestCommandsHammeredAtRandomKeepTheLimits(t *testing.T) {
	commands := 1_000_000
	if raceEnabled {
		commands = 50_000 // the race detector is there for races; the limits are held above
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	r := newRig(t, mixed())
	w := &watch{t: t, exempt: true}
	seen := map[run.State]int{}
	for i := range commands {
		var cmd sequencer.Command
		switch p := rnd.IntN(100); {
		case r.state() == run.Stopped:
			cmd.What = run.Reset
		case r.state() == run.Ready || r.state() == run.Finished:
			cmd.What, cmd.Again = run.Start, rnd.IntN(2) == 0
		case p < 25:
			cmd.What = run.Pause
		case p < 55:
			cmd.What = run.Resume
		case p < 65:
			cmd.What = run.Skip
		case p < 72:
			cmd.What = run.Back
		case p < 90:
			cmd.What, cmd.Nudge = run.Nudge, float64(rnd.IntN(9)-4)
		case p < 96:
			cmd.What = run.On
		case p < 98:
			cmd.What = run.Start
		case p < 99:
			cmd.What = run.Finish
		default:
			cmd.What = run.Stop
		}
		err := r.core.Do(cmd)
		var f fault.Fault
		if err != nil && !errors.As(err, &f) {
			t.Fatalf("command %d: %v", i, err)
		}
		ticks := rnd.IntN(4)
		if rnd.IntN(20) == 0 {
			ticks = rnd.IntN(300)
		}
		if err != nil {
			ticks++ // so that time goes on
		}
		for range ticks {
			r.step()
			w.see(r.core, cmd.What.String())
			seen[r.state()]++
		}
		if w.violations > 0 {
			t.Fatalf("after command %d", i)
		}
	}
	for s := run.Stopped; s <= run.Finished; s++ {
		if seen[s] == 0 && s != run.CountIn {
			t.Errorf("never %v: %v", s, seen)
		}
	}
	t.Logf("%d commands, ticks in each state: %v", commands, seen)
}

func TestNothingMovesWithoutResetAndStart(t *testing.T) {
	r := newRig(t, mixed())
	still := func(why string) {
		t.Helper()
		r.pass(5 * time.Second)
		if n := r.back.Motor().RPM(); n != 0 {
			t.Fatalf("%s: the motor turns at %v rpm", why, n)
		}
	}
	still("after switching on")
	if err := r.do(run.Start); err == nil {
		t.Fatal("started without a reset")
	}
	still("after a refused start")
	r.must(r.do(run.Reset))
	still("after a reset")
	r.must(r.do(run.Start))
	r.pass(20 * time.Second)
	if r.back.Motor().RPM() < 100 {
		t.Fatal("a start does not move the motor")
	}
	r.must(r.do(run.Stop))
	r.pass(2 * time.Second)
	still("after a stop")
	r.must(r.do(run.Reset))
	still("after a stop and a reset")
}

// A swim that has come to its end, or was brought to it by a person, leaves the motor switched off and nothing latched (DESIGN, "Stop": down, then disabled).
func TestASwimLeavesTheMotorOff(t *testing.T) {
	for _, end := range []string{"by itself", "by a person"} {
		r := newRig(t, []schedule.Block{{Round: 1, Of: 1, Extent: schedule.ByTime, Time: 20 * time.Second, From: units.PacePer100(100, units.Metre), To: units.PacePer100(100, units.Metre)}})
		r.must(r.do(run.Reset))
		r.must(r.do(run.Start))
		r.pass(12 * time.Second)
		if !r.drive.Report().Enabled {
			t.Fatal("the motor does not run")
		}
		if end == "by a person" {
			r.must(r.do(run.Finish))
		}
		for range int(3 * time.Minute / tick) {
			r.step()
		}
		if f := r.drive.Report(); r.state() != run.Finished || f.Enabled || f.Latched {
			t.Errorf("%s: %v, and the drive is %+v", end, r.state(), f)
		}
		r.must(r.do(run.Start))
		r.pass(15 * time.Second)
		if f := r.drive.Report(); !f.Enabled || f.Motor.RPM() < 100 {
			t.Errorf("%s: a new start finds the drive %+v", end, f)
		}
	}
}

func TestFaultsOfTheDriveStopTheSwim(t *testing.T) {
	for _, c := range []struct {
		fault string
		want  []fault.Code
	}{
		{"link lost at 20 s for 3 s", []fault.Code{fault.LinkLost, fault.FeedbackOld}},
		{"motor trips at 20 s", []fault.Code{fault.DriveFault}},
	} {
		r := newRig(t, mixed(), c.fault)
		r.must(r.do(run.Reset))
		r.must(r.do(run.Start))
		for r.now < 25*time.Second {
			r.step()
		}
		state, why := r.core.State()
		ok := false
		for _, w := range c.want {
			ok = ok || why == w
		}
		if state != run.Stopped || !ok {
			t.Errorf("%s: %v for %s", c.fault, state, why)
		}
		r.pass(10 * time.Second)
		if n := r.back.Motor().RPM(); n != 0 || r.state() != run.Stopped {
			t.Errorf("%s: ten seconds later the motor turns at %v rpm, %v", c.fault, n, r.state())
		}
	}
}

func TestAnOldOrForeignCommandDoesNothing(t *testing.T) {
	r := newRig(t, mixed())
	r.must(r.do(run.Reset))
	r.must(r.do(run.Start))
	r.pass(10 * time.Second)
	for rule, seen := range map[string]sequencer.Seen{
		"for another swim": {Swim: 7, At: r.now},
		"too old":          {Swim: 1, At: r.now - 3*time.Second - 1},
	} {
		err := r.core.Do(sequencer.Command{What: run.Pause, Seen: &seen})
		var f fault.Fault
		if !errors.As(err, &f) || f.Code != fault.Stale || r.state() != run.Running {
			t.Errorf("%s: %v, %v", rule, err, r.state())
		}
	}
	r.must(r.core.Do(sequencer.Command{What: run.Pause, Seen: &sequencer.Seen{Swim: 1, At: r.now - time.Second}}))
}

func TestAPauseWinsOverAResumeAtTheSameMoment(t *testing.T) {
	r := newRig(t, mixed())
	r.must(r.do(run.Reset))
	r.must(r.do(run.Start))
	r.pass(10 * time.Second)
	r.must(r.do(run.Pause))
	if err := r.core.Do(sequencer.Command{What: run.Resume, By: sequencer.AtWall}); err == nil {
		t.Error("a resume at the wall undid the pause that came with it")
	}
	r.step()
	if r.state() != run.Pausing {
		t.Fatalf("%v", r.state())
	}
	r.must(r.do(run.Resume))
}

func TestSteadyWaterAndItsPace(t *testing.T) {
	r := newRig(t, mixed())
	r.must(r.do(run.Reset))
	steady := func(s float64) error {
		return r.core.Do(sequencer.Command{What: run.Steady, Pace: pace(s)})
	}
	r.must(steady(100))
	r.pass(30 * time.Second)
	if v := r.core.Wish().Speed.MetresPerSecond(); math.Abs(v-1) > 1e-9 {
		t.Errorf("steady at 1:40/100m wishes %v", v)
	}
	r.must(steady(80))
	r.pass(30 * time.Second)
	if v := r.core.Wish().Speed.MetresPerSecond(); math.Abs(v-1.25) > 1e-9 {
		t.Errorf("steady at 1:20/100m wishes %v", v)
	}
	if err := steady(30); err == nil {
		t.Error("a pace that the flume cannot give was taken")
	}
	r.pass(30*time.Minute - 62*time.Second)
	if r.state() == run.Stopped || r.core.Verdict().Soft {
		t.Error("stopped early")
	}
	r.pass(2 * time.Minute)
	if s, why := r.core.State(); s != run.Stopped || why != fault.Unattended {
		t.Errorf("the idle shutoff holds for steady water too: %v for %s", s, why)
	}
}

func TestAnotherSwimmersCapHoldsFromTheLayOutOn(t *testing.T) {
	r := newRig(t, mixed())
	slow, err := ramp.NewPlanner(limits, r.model, units.MetresPerSecond(0.8))
	r.must(err)
	blocks := mixed()
	for i := range blocks {
		if !blocks[i].Rest {
			blocks[i].From, blocks[i].To = pace(150), pace(150)
		}
	}
	profile, _, err := slow.Profile(ramp.State{}, blocks)
	r.must(err)
	child := run.Plan{Title: "test", Swimmer: "a child", Blocks: blocks, Planner: slow, Profile: profile}
	r.must(r.do(run.Reset))
	r.must(r.do(run.Start))
	r.pass(80 * time.Second)
	if v := r.core.Wish().Speed.MetresPerSecond(); v < 1 {
		t.Fatalf("the first swimmer swims at %v m/s", v)
	}
	r.must(r.do(run.Pause))
	for r.state() != run.Paused {
		r.step()
	}
	r.must(r.core.Do(sequencer.Command{What: run.Swimmer, Plan: child}))
	// whatever the swim might wish from now on, no more than the child's cap is cleared
	r.must(r.do(run.Resume))
	for r.state() != run.Finished {
		r.step()
		if v, _ := r.core.Verdict().Cleared.Water(); v.MetresPerSecond() > 0.8 {
			t.Fatalf("cleared %v for a swimmer whose cap is 0.8 m/s", v)
		}
		if r.state() == run.Running {
			_ = r.do(run.On)
		}
	}
}

func TestATickAllocatesNothing(t *testing.T) {
	b := mixed()[:1]
	b[0].Time = 2 * time.Hour
	for _, r := range []*rig{newRig(t, b), newRigBehind(t, b, raves)} {
		r.must(r.do(run.Reset))
		r.must(r.do(run.Start))
		r.pass(time.Minute)
		if r.state() != run.Running {
			t.Fatalf("%v", r.state())
		}
		if n := testing.AllocsPerRun(1000, r.step); n != 0 {
			t.Errorf("%v allocations a tick", n)
		}
	}
}

// BenchmarkTick is one tick of everything: swim, guard, drive, simulated motor and water. 72,000 of them are an hour.
func BenchmarkTick(b *testing.B) {
	blocks := mixed()[:1]
	blocks[0].Time = 1000 * time.Hour
	r := newRig(b, blocks)
	r.must(r.do(run.Reset))
	r.must(r.do(run.Start))
	r.pass(time.Minute)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		r.step()
		switch n++; {
		case n%100_000 == 0: // before the longest swim is over
			r.must(r.do(run.Stop))
			r.pass(3 * time.Second)
			r.must(r.do(run.Reset))
			r.must(r.do(run.Start))
		case n%10_000 == 0:
			r.must(r.do(run.Here))
		}
	}
}
