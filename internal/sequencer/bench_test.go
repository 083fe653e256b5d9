package sequencer_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// workshop is a loop on real time, which is the bubble's, with a simulated motor and wall.
type workshop struct {
	*sequencer.Sequencer
	t     *testing.T
	back  *simulated.Backend
	wall  *wall.Wall
	drive *drive.Drive
}

// inWorkshop resets a loop and hands it over to an installer.
func inWorkshop(t *testing.T, do func(context.Context, *workshop)) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, mixed())
		b, err := simulated.New(simulated.Defaults(r.model))
		if err != nil {
			t.Fatal(err)
		}
		d := drive.New(b, drive.Config{Model: r.model})
		w, err := wall.Open(wall.Config{Simulated: true}, func() { d.Stop(fault.StopPressed) })
		if err != nil {
			t.Fatal(err)
		}
		shop := &workshop{t: t, back: b, wall: w, drive: d, Sequencer: sequencer.New(sequencer.Config{
			Drive: d, Model: r.model, Planner: r.plan.Planner, Wall: w, Inline: true,
			Safety: safety.Config{Cap: units.MetresPerSecond(1.6), MaxAccel: units.MetresPerSecond2(0.11), IdleShutoff: time.Hour, LongestSwim: time.Hour, MotorRamp: 600},
		}, 1)}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 2)
		go func() { ended <- shop.Run(ctx) }()
		go func() { ended <- w.Run(ctx) }()
		pause(time.Second)
		for _, line := range []string{"stop press", "stop release", "occupancy empty"} {
			if _, err := w.Command(ctx, line); err != nil {
				t.Fatal(err)
			}
			pause(time.Second)
		}
		shop.must(shop.Do(ctx, sequencer.Command{What: run.LayOut, Plan: r.plan}))
		shop.must(shop.Do(ctx, sequencer.Command{What: run.Reset}))
		do(ctx, shop)
		cancel()
		for range 2 {
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}

// pause lets the bubble's time go on.
func pause(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (w *workshop) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *workshop) refused(err error, code fault.Code) {
	w.t.Helper()
	var f fault.Fault
	if !errors.As(err, &f) || f.Code != code {
		w.t.Fatalf("%v, want %s", err, code)
	}
}

func (w *workshop) rpm() float64 { return w.back.Motor().RPM() }

func TestNothingButTheInstallerMoves(t *testing.T) {
	inWorkshop(t, func(ctx context.Context, w *workshop) {
		ticks := 0
		w.must(w.Install(ctx, true, func(s *sequencer.Snapshot) { ticks++ }))
		w.refused(w.Do(ctx, sequencer.Command{What: run.Start}), fault.Installing)
		w.refused(w.Do(ctx, sequencer.Command{What: run.Steady, Pace: units.PacePer100(100, units.Metre)}), fault.Installing)
		before, _ := w.Snapshot()
		if _, err := w.wall.Command(ctx, "press"); err != nil {
			t.Fatal(err)
		}
		pause(time.Minute)
		s, _ := w.Snapshot()
		if w.rpm() != 0 || s.State != run.Ready || s.Buttons != before.Buttons+1 || s.Button != wall.Pressed || !s.Installing {
			t.Fatalf("after a press: %v rpm, %v, %d presses, %v", w.rpm(), s.State, s.Buttons, s.Button)
		}
		w.must(w.Jog(ctx, units.RPM(300), 3*time.Second))
		pause(2 * time.Second)
		if s, _ := w.Snapshot(); math.Abs(w.rpm()-300) > 1 || s.Jog.RPM() != 300 {
			t.Errorf("%v rpm in a jog of 300, shown %v", w.rpm(), s.Jog)
		}
		pause(4 * time.Second)
		if w.rpm() != 0 {
			t.Errorf("%v rpm behind the jog's time", w.rpm())
		}
		w.must(w.Jog(ctx, units.RPM(300), time.Minute))
		pause(2 * time.Second)
		w.must(w.EndJog(ctx))
		pause(2 * time.Second)
		if w.rpm() != 0 {
			t.Errorf("%v rpm behind the jog's end", w.rpm())
		}
		// With its own ramp, of 600 rpm/s, and not with that of its stops, of 1500; then it is switched off.
		w.must(w.Jog(ctx, units.RPM(1200), time.Minute))
		pause(4 * time.Second)
		w.must(w.EndJog(ctx))
		pause(time.Second)
		if n := w.rpm(); math.Abs(n-600) > 120 {
			t.Errorf("%v rpm a second behind a jog's end at 1200", n)
		}
		pause(2 * time.Second)
		if r := w.drive.Report(); w.rpm() != 0 || r.Enabled {
			t.Errorf("three seconds behind it: %v rpm, switched on: %v", w.rpm(), r.Enabled)
		}
		w.must(w.Install(ctx, false, nil))
		w.refused(w.Jog(ctx, units.RPM(300), time.Second), fault.NotInstalling)
		if seen := ticks; seen < 1000 {
			t.Errorf("%d ticks watched in over a minute", seen)
		}
		w.must(w.Do(ctx, sequencer.Command{What: run.Start}))
		w.refused(w.Install(ctx, true, nil), fault.UnderWay)
	})
}

// The motor stops by itself in the silence; the stops that the silence brings about do not end it, a person's does.
func TestASilenceEndsWithAPersonsStop(t *testing.T) {
	inWorkshop(t, func(ctx context.Context, w *workshop) {
		w.must(w.Install(ctx, true, nil))
		w.must(w.Jog(ctx, units.RPM(300), time.Minute))
		pause(2 * time.Second)
		reads := w.drive.Report().Reads
		w.must(w.Hush(ctx, 3*time.Second))
		pause(2500 * time.Millisecond)
		if r := w.drive.Report(); r.Reads > reads+1 || r.Why != fault.FeedbackOld || r.Carried == r.Stops {
			t.Fatalf("in the silence: %d reads more, stopped for %q, carried out %d of %d", r.Reads-reads, r.Why, r.Carried, r.Stops)
		}
		pause(time.Second)
		if r := w.drive.Report(); r.Reads == reads || r.Carried != r.Stops || r.Motor.RPM() != 0 || w.rpm() != 0 {
			t.Fatalf("behind the silence: %d reads more, %v, the motor at %v", r.Reads-reads, r, w.rpm())
		}
		for w.Do(ctx, sequencer.Command{What: run.Reset}) != nil {
			pause(sequencer.Tick)
		}
		pause(3 * time.Second)
		w.must(w.Jog(ctx, units.RPM(300), time.Minute))
		pause(2 * time.Second)
		w.must(w.Hush(ctx, 3*time.Second))
		pause(100 * time.Millisecond)
		w.must(w.Do(ctx, sequencer.Command{What: run.Stop}))
		pause(100 * time.Millisecond)
		if r := w.drive.Report(); r.Carried != r.Stops {
			t.Fatalf("a person's stop waits for the silence to end: %+v", r)
		}
	})
}

// While another process turns the motor, a person's stop ends that first; the stops that the silence brings about do not.
func TestALentLink(t *testing.T) {
	inWorkshop(t, func(ctx context.Context, w *workshop) {
		w.refused(w.Lend(ctx, time.Minute, nil), fault.NotInstalling)
		w.must(w.Install(ctx, true, nil))
		ended := 0
		w.must(w.Lend(ctx, time.Minute, func() { ended++ }))
		reads := w.drive.Report().Reads
		pause(30 * time.Second)
		if r := w.drive.Report(); r.Reads > reads+1 || ended != 0 {
			t.Fatalf("lent, and the link is used: %d reads more, ended %d times", r.Reads-reads, ended)
		}
		w.must(w.Do(ctx, sequencer.Command{What: run.Stop}))
		pause(200 * time.Millisecond)
		if r := w.drive.Report(); ended != 1 || r.Carried != r.Stops || r.Reads <= reads+1 {
			t.Fatalf("a person's stop: ended %d times, %+v", ended, r)
		}
		w.refused(w.Lend(ctx, time.Minute, nil), fault.StopPressed)
		for w.Do(ctx, sequencer.Command{What: run.Reset}) != nil {
			pause(sequencer.Tick)
		}
		for w.Lend(ctx, time.Hour, func() { ended++ }) != nil { // the link has only just come back
			pause(sequencer.Tick)
		}
		pause(95 * time.Second) // longer than it is lent
		reads = w.drive.Report().Reads
		pause(time.Second)
		w.must(w.Do(ctx, sequencer.Command{What: run.Stop}))
		pause(200 * time.Millisecond)
		if r := w.drive.Report(); r.Reads == reads || ended != 2 { // once when the time was over
			t.Fatalf("the time is over: %d reads more, ended %d times", r.Reads-reads, ended)
		}
	})
}

func TestWhatAnInstallerTriesAtTheWall(t *testing.T) {
	inWorkshop(t, func(ctx context.Context, w *workshop) {
		w.must(w.Install(ctx, true, nil))
		show := func() string {
			text, err := w.wall.Command(ctx, "show")
			w.must(err)
			return text
		}
		pause(3 * time.Second)
		quiet := show()
		w.must(w.Try(ctx, sequencer.Trial{Lamp: true, NoHeartbeat: true}, 2*time.Second))
		pause(time.Second)
		lit := show()
		pause(500 * time.Millisecond)
		if again := show(); again != lit || lit == quiet {
			t.Errorf("lamp on and heartbeat still: %q, then %q; before %q", lit, again, quiet)
		}
		pause(2 * time.Second)
		if after := show(); after == lit {
			t.Errorf("the trial is over and the wall still shows %q", after)
		}
	})
}
