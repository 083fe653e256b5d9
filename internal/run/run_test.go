package run_test

import (
	"errors"
	"math"
	"reflect"
	"testing"
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const tick = 50 * time.Millisecond

var limits = ramp.Limits{
	Accel: units.MetresPerSecond2(0.10), Decel: units.MetresPerSecond2(0.12),
	Jerk: units.MetresPerSecond3(0.10), Relief: units.MetresPerSecond3(1),
}

func model(t testing.TB) *water.Model {
	t.Helper()
	m, err := water.New([]water.Point{
		{Motor: units.RPM(300), Water: units.MetresPerSecond(0.34)}, {Motor: units.RPM(600), Water: units.MetresPerSecond(0.71)},
		{Motor: units.RPM(900), Water: units.MetresPerSecond(1.09)}, {Motor: units.RPM(1500), Water: units.MetresPerSecond(1.80)},
	}, units.Metres(2), water.Motor{Min: units.RPM(120), Max: units.RPM(1500), RPMPerSecond: 300})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func pace(s float64) units.Pace { return units.PacePer100(s, units.Metre) }

func timed(d time.Duration, s float64) schedule.Block {
	return schedule.Block{Name: "swim", Extent: schedule.ByTime, Time: d, From: pace(s), To: pace(s), Round: 1, Of: 1}
}

func far(m, s float64) schedule.Block {
	return schedule.Block{Name: "swim", Extent: schedule.ByDistance, Distance: units.Metres(m), From: pace(s), To: pace(s), Round: 1, Of: 1}
}

func rest(d time.Duration) schedule.Block {
	return schedule.Block{Name: "rest", Extent: schedule.ByTime, Time: d, Rest: true, Round: 1, Of: 1}
}

func open(s float64) schedule.Block {
	return schedule.Block{Name: "open", Extent: schedule.Open, Time: schedule.OpenPlan, From: pace(s), To: pace(s), Round: 1, Of: 1}
}

// bench is a swim in water that follows its wish exactly, but for a factor.
type bench struct {
	t      testing.TB
	s      run.Swim
	plan   run.Plan
	factor float64 // of the water that flows against what is wished
	x      float64
	last   run.Wish
	cues   []cue.Cue
}

func lay(t testing.TB, blocks ...schedule.Block) *bench {
	t.Helper()
	p, err := ramp.NewPlanner(limits, model(t), units.MetresPerSecond(1.6))
	if err != nil {
		t.Fatal(err)
	}
	for i := range blocks {
		blocks[i].Index, blocks[i].Step = i, i
	}
	profile, _, err := p.Profile(ramp.State{}, blocks)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, factor: 1, plan: run.Plan{Title: "test", Blocks: blocks, Planner: p, Profile: profile}}
	b.must(b.s.LayOut(b.plan))
	return b
}

func (b *bench) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) step() run.Wish {
	v := b.last.Speed.MetresPerSecond()
	w := b.s.Step(tick, units.Metres(b.x+v*tick.Seconds()*b.factor))
	b.x += v * tick.Seconds() * b.factor
	if w.Cue != cue.None {
		b.cues = append(b.cues, w.Cue)
	}
	b.last = w
	return w
}

func (b *bench) pass(d time.Duration) {
	for range int(d / tick) {
		b.step()
	}
}

func (b *bench) state() run.State {
	s, _ := b.s.State()
	return s
}

func (b *bench) status() run.Status {
	var st run.Status
	b.s.Status(&st)
	return st
}

// to brings a fresh swim into a state.
func to(t testing.TB, want run.State) *bench {
	b := lay(t, timed(time.Minute, 100), open(90), rest(20*time.Second), far(100, 80))
	switch want {
	case run.Stopped:
		return b
	case run.Ready:
		b.must(b.s.Rearm())
		return b
	}
	b.must(b.s.Rearm())
	b.must(b.s.Start(10*time.Second, false))
	if want == run.CountIn {
		return b
	}
	b.pass(20 * time.Second)
	switch want {
	case run.Pausing, run.Paused:
		b.must(b.s.Pause())
	case run.Stopping, run.Finished:
		b.must(b.s.Finish())
	}
	for i := 0; b.state() != want; i++ {
		if b.step(); i > 10000 {
			t.Fatalf("never %v", want)
		}
	}
	return b
}

// The table of the design, row by row: in which states a command does something.
func TestEveryCommandInEveryState(t *testing.T) {
	states := []run.State{run.Stopped, run.Ready, run.CountIn, run.Running, run.Pausing, run.Paused, run.Stopping, run.Finished}
	//                          stopped ready count-in running pausing paused stopping finished
	table := map[run.Command]string{
		run.LayOut:  "y y - - - - - y",
		run.Swimmer: "y y - - - y - y",
		run.Start:   "- y y - - - - y",
		run.Steady:  "- y - y - - - y",
		run.Pause:   "- - - y - - - -",
		run.Resume:  "- - - - y y - -",
		run.On:      "- - - o - - - -", // o: only in an open block
		run.Skip:    "- - - y - y - -",
		run.Back:    "- - - y - y - -",
		run.Nudge:   "- - - y - y - -",
		run.Here:    "- - - y y y - -",
		run.Finish:  "- - y y y y - -",
		run.Stop:    "y y y y y y y y",
		run.Reset:   "y - - - - - - -",
	}
	if len(table) != int(run.Commands) {
		t.Fatalf("%d commands in the table, there are %d", len(table), run.Commands)
	}
	for cmd, row := range table {
		for i, st := range states {
			mark := row[2*i]
			b := to(t, st)
			if b.state() != st {
				t.Fatalf("not %v", st)
			}
			before := b.status()
			err := do(b, cmd)
			if ok := mark == 'y'; (err == nil) != ok {
				t.Errorf("%v while %v: %v, want allowed %v", cmd, st, err, ok)
			}
			if err != nil {
				var f fault.Fault
				if !errors.As(err, &f) || f.Code != fault.NotNowCode {
					t.Errorf("%v while %v: refused with %v", cmd, st, err)
				}
				if !reflect.DeepEqual(b.status(), before) {
					t.Errorf("%v while %v was refused and changed something", cmd, st)
				}
			}
			if mark == 'o' {
				b.must(b.s.Skip())
				b.must(b.s.On())
			}
		}
	}
}

func do(b *bench, c run.Command) error {
	switch c {
	case run.LayOut:
		return b.s.LayOut(b.plan)
	case run.Swimmer:
		return b.s.Change(b.plan)
	case run.Start:
		return b.s.Start(time.Second, false)
	case run.Steady:
		if err := b.s.Allows(run.Steady); err != nil || b.state() != run.Running {
			return err
		}
		return b.s.SteadyPace(pace(95))
	case run.Pause:
		return b.s.Pause()
	case run.Resume:
		return b.s.Resume()
	case run.On:
		return b.s.On()
	case run.Skip:
		return b.s.Skip()
	case run.Back:
		return b.s.Back()
	case run.Nudge:
		return b.s.Nudge(1)
	case run.Finish:
		return b.s.Finish()
	case run.Stop:
		b.s.Halt(fault.StopPressed)
		return nil
	case run.Reset:
		return b.s.Rearm()
	}
	return b.s.Allows(c)
}

func TestWhereCommandsLead(t *testing.T) {
	for _, c := range []struct {
		rule string
		from run.State
		do   run.Command
		want run.State
	}{
		{"a start counts in", run.Ready, run.Start, run.CountIn},
		{"a start in the count-in takes it back", run.CountIn, run.Start, run.Ready},
		{"a finished session can start again", run.Finished, run.Start, run.CountIn},
		{"a pause comes down first", run.Running, run.Pause, run.Pausing},
		{"a resume while pausing goes on at once", run.Pausing, run.Resume, run.Running},
		{"a resume from a pause counts in", run.Paused, run.Resume, run.CountIn},
		{"a finish comes down", run.Running, run.Finish, run.Stopping},
		{"a finish before any water is over at once", run.CountIn, run.Finish, run.Finished},
		{"a stop is at once", run.Running, run.Stop, run.Stopped},
		{"a reset starts nothing", run.Stopped, run.Reset, run.Ready},
		{"a skip in a pause does not move", run.Paused, run.Skip, run.Paused},
	} {
		b := to(t, c.from)
		b.must(do(b, c.do))
		if b.state() != c.want {
			t.Errorf("%s: %v", c.rule, b.state())
		}
	}
}

func TestTheSwimFollowsTheProfile(t *testing.T) {
	b := lay(t, timed(40*time.Second, 110), far(50, 90), rest(15*time.Second), far(25, 80), timed(31*time.Second, 100))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	cursor := b.plan.Profile.Cursor()
	total, _ := b.plan.Profile.Total()
	// water that follows the profile exactly: then legs planned block by block and the whole profile are the same
	flowed := func(at time.Duration) units.Distance { _, x, _ := cursor.At(at); return x }
	for at := time.Duration(0); at < total; at += tick {
		dt := tick
		if at == 0 {
			dt = 0
		}
		w := b.s.Step(dt, flowed(at))
		st, _, i := cursor.At(at)
		if math.Abs(w.Speed.MetresPerSecond()-st.Speed.MetresPerSecond()) > 1e-6 {
			t.Fatalf("at %v, block %d: wish %v, profile %v", at, i, w.Speed, st.Speed)
		}
	}
	b.s.Step(tick, flowed(total+tick))
	if b.state() != run.Stopping {
		t.Fatalf("after the last block %v", b.state())
	}
	for i, r := range b.s.Results() {
		s := b.plan.Profile.Spans()[i]
		if d := r.Time - s.Duration; d < -time.Millisecond || d > time.Millisecond || !r.Done {
			t.Errorf("block %d: %v, planned %v, done %v", i, r.Time, s.Duration, r.Done)
		}
		if d := r.Distance.Metres() - s.Distance.Metres(); math.Abs(d) > 0.005 {
			t.Errorf("block %d: %v m, planned %v m", i, r.Distance.Metres(), s.Distance.Metres())
		}
	}
}

func TestADistanceBlockEndsOnDeliveredWater(t *testing.T) {
	for _, factor := range []float64{0.93, 1, 1.06} {
		b := lay(t, far(100, 100), far(50, 90), timed(20*time.Second, 100))
		b.factor = factor
		b.must(b.s.Rearm())
		b.must(b.s.Start(0, false))
		for b.state() == run.CountIn || b.state() == run.Running {
			b.step()
		}
		r := b.s.Results()
		for i, want := range []float64{100, 50} {
			if got := r[i].Distance.Metres(); math.Abs(got-want) > 1e-6 {
				t.Errorf("water at %v of the wish: block %d is %.6f m long", factor, i, got)
			}
			plan := b.plan.Profile.Spans()[i].Duration.Seconds()
			if got := r[i].Time.Seconds(); math.Abs(got-plan/factor) > 0.02*plan {
				t.Errorf("water at %v of the wish: block %d took %.1f s, about %.1f s expected", factor, i, got, plan/factor)
			}
		}
		if r[2].Time != 20*time.Second {
			t.Errorf("the timed block lasted %v", r[2].Time)
		}
	}
}

func TestAPauseStopsTheBlockClockAndShiftsTheSendOff(t *testing.T) {
	swim := far(25, 100)
	wait := rest(0)
	wait.Name, wait.Leaves = "send-off", []schedule.SendOff{{First: 0, Every: 60 * time.Second}}
	b := lay(t, swim, wait, far(25, 100))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	b.pass(15 * time.Second)
	before := b.status().Elapsed
	b.must(b.s.Pause())
	b.pass(40 * time.Second)
	if b.state() != run.Paused || b.status().Elapsed != before {
		t.Fatalf("%v, clock %v, was %v", b.state(), b.status().Elapsed, before)
	}
	b.must(b.s.Resume())
	for b.status().Block < 2 {
		b.step()
	}
	r := b.s.Results()
	if d := (r[0].Time + r[1].Time - 60*time.Second).Abs(); d > time.Microsecond {
		t.Errorf("the round took %v of block clock, want 60 s", r[0].Time+r[1].Time)
	}
}

func TestALateRoundStartsTheNextAtOnceWithANotice(t *testing.T) {
	wait := rest(0)
	wait.Name, wait.Leaves = "send-off", []schedule.SendOff{{First: 0, Every: 40 * time.Second}}
	b := lay(t, far(25, 100), wait, far(25, 100))
	b.factor = 0.6 // the water is far too slow: 25 m take longer than the send-off
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	for b.status().Block < 2 {
		b.step()
	}
	if st := b.status(); st.Notice != fault.SendOffMissed {
		t.Errorf("notice %q", st.Notice)
	}
	if r := b.s.Results(); r[1].Time != 0 {
		t.Errorf("the send-off rest lasted %v", r[1].Time)
	}
}

func TestADistanceBlockThatEndsInTheRundownIsDone(t *testing.T) {
	b := lay(t, far(25, 100), far(25, 90))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	for b.status().LeftDistance.Metres() > 2 || b.status().Blocks == 0 || b.state() != run.Running {
		b.step()
	}
	b.must(b.s.Pause())
	for b.state() != run.Paused {
		b.step()
	}
	if st := b.status(); st.Block != 1 {
		t.Errorf("block %d", st.Block)
	}
	if r := b.s.Results(); !r[0].Done || math.Abs(r[0].Distance.Metres()-25) > 1e-9 {
		t.Errorf("result %+v", r[0])
	}
}

func TestBackMeansThisBlockOrTheOneBefore(t *testing.T) {
	b := lay(t, timed(20*time.Second, 100), timed(20*time.Second, 90))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	b.pass(22 * time.Second)
	b.must(b.s.Back())
	if st := b.status(); st.Block != 0 || st.Left != 20*time.Second {
		t.Errorf("2 s into a block, back leads to block %d with %v left", st.Block, st.Left)
	}
	b.pass(24 * time.Second)
	b.must(b.s.Back())
	if st := b.status(); st.Block != 1 || st.Left != 20*time.Second {
		t.Errorf("4 s into a block, back leads to block %d with %v left", st.Block, st.Left)
	}
}

func TestNudgesAddUpAndKnowTheirLimits(t *testing.T) {
	b := lay(t, timed(time.Minute, 90), rest(10*time.Second), timed(time.Minute, 66))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	b.pass(30 * time.Second)
	b.must(b.s.Nudge(2))
	b.must(b.s.Nudge(-1))
	b.pass(10 * time.Second)
	if got, want := b.last.Speed.MetresPerSecond(), 100.0/91; math.Abs(got-want) > 1e-9 {
		t.Errorf("speed %v, want %v", got, want)
	}
	if err := b.s.Nudge(-8); err == nil {
		t.Error("a nudge that a later block cannot be given was taken")
	}
	if err := b.s.Nudge(math.NaN()); err == nil {
		t.Error("a nudge that is no number was taken")
	}
	if b.status().Nudge != 1 {
		t.Errorf("nudge %v", b.status().Nudge)
	}
}

func TestCuesTellWhatComes(t *testing.T) {
	last := timed(40*time.Second, 90)
	last.Round, last.Of = 3, 3
	for _, c := range []struct {
		rule   string
		blocks []schedule.Block
		want   []cue.Cue // up to the end of the first block
	}{
		{"faster, at 10 s and 5 s", []schedule.Block{timed(40*time.Second, 100), timed(20*time.Second, 90)}, []cue.Cue{cue.Faster, cue.Faster}},
		{"slower, a block under 30 s has the 5 s cue only", []schedule.Block{timed(20*time.Second, 90), timed(20*time.Second, 100)}, []cue.Cue{cue.Slower}},
		{"a block under 15 s has none", []schedule.Block{timed(14*time.Second, 90), timed(20*time.Second, 100)}, nil},
		{"rest", []schedule.Block{timed(30*time.Second, 90), rest(20 * time.Second)}, []cue.Cue{cue.Rest, cue.Rest}},
		{"the last round", []schedule.Block{timed(30*time.Second, 90), last}, []cue.Cue{cue.LastRound, cue.LastRound}},
		{"nothing changes, nothing sounds", []schedule.Block{timed(30*time.Second, 90), timed(30*time.Second, 90)}, nil},
		{"the end is a rest", []schedule.Block{timed(30*time.Second, 90)}, []cue.Cue{cue.Rest, cue.Rest}},
		{"nobody knows when an open block ends", []schedule.Block{open(90), timed(30*time.Second, 80)}, nil},
	} {
		b := lay(t, c.blocks...)
		b.must(b.s.Rearm())
		b.must(b.s.Start(0, false))
		first := c.blocks[0].Time
		b.pass(first - tick)
		if len(b.cues) != len(c.want) {
			t.Errorf("%s: %v", c.rule, b.cues)
			continue
		}
		for i := range c.want {
			if b.cues[i] != c.want[i] {
				t.Errorf("%s: %v", c.rule, b.cues)
			}
		}
	}
	b := lay(t, timed(30*time.Second, 90))
	b.must(b.s.Rearm())
	b.must(b.s.Start(10*time.Second, false))
	b.pass(10 * time.Second)
	if len(b.cues) != 10 || b.cues[0] != cue.CountIn {
		t.Errorf("a count-in of 10 s sounds %v", b.cues)
	}
}

func TestAnInterruptedSwimCanBeTakenUpWhereItWas(t *testing.T) {
	b := lay(t, timed(20*time.Second, 100), far(100, 90))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	b.pass(40 * time.Second)
	left := b.status().LeftDistance
	b.s.Halt(fault.StopPressed)
	if st := b.status(); !st.Again || st.Place.Block != 1 || st.State != run.Stopped {
		t.Fatalf("%+v", st)
	}
	b.must(b.s.Rearm())
	b.pass(10 * time.Second)
	if b.state() != run.Ready || b.last.Speed != (units.Speed{}) {
		t.Fatal("a reset moved something")
	}
	b.must(b.s.Start(0, true))
	b.s.Step(0, units.Metres(b.x))
	if st := b.status(); st.Block != 1 || math.Abs(st.LeftDistance.Metres()-left.Metres()) > 1e-9 {
		t.Errorf("taken up at block %d with %v m left, was %v m", st.Block, st.LeftDistance.Metres(), left.Metres())
	}
}

// Why a swim was left in a former life of the program is told until it is taken up, or begun afresh.
func TestWhyASwimWasLeftIsToldUntilAStart(t *testing.T) {
	for _, again := range []bool{true, false} {
		b := lay(t, timed(20*time.Second, 100), far(100, 90))
		p := b.s.Plan()
		p.Place, p.LeftBy = run.Place{Block: 1}, fault.ProgramDied
		b.must(b.s.LayOut(p))
		b.must(b.s.Rearm())
		if st := b.status(); st.LeftBy != fault.ProgramDied || !st.Again {
			t.Fatalf("after the start of the program: %+v", st)
		}
		b.must(b.s.Start(0, again))
		b.pass(time.Second)
		if st := b.status(); st.LeftBy != "" {
			t.Errorf("told while it is swum: %q", st.LeftBy)
		}
		b.s.Halt(fault.StopPressed)
		if st := b.status(); st.LeftBy != "" || !st.Again {
			t.Errorf("after a stop it is left by %q, again %v", st.LeftBy, st.Again)
		}
	}
}

func TestAStepAllocatesNothing(t *testing.T) {
	b := lay(t, timed(time.Hour, 100), rest(time.Minute))
	b.must(b.s.Rearm())
	b.must(b.s.Start(0, false))
	b.pass(time.Minute)
	b.cues = make([]cue.Cue, 0, 10)
	if n := testing.AllocsPerRun(1000, func() { b.step() }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}
