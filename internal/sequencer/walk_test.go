package sequencer_test

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/safety/safetytest"

	"pgregory.net/rapid"
)

// What the simulated motor needs at most, once nothing is cleared any more (simulated.Defaults): its link-loss time with dead time and a tick, for a stop
// that does not reach it, and then its quick stop from full speed.
const (
	untilStop = simulated.DefaultLinkLoss + 100*time.Millisecond
	untilRest = untilStop + 1100*time.Millisecond
)

// walk is the whole of guard, swim, drive and motor under a monitor. It is told of stops by the drive's own count, and of motion by the motor itself.
type walk struct {
	*rapid.T
	*rig
	m      safetytest.Monitor
	stops  uint64 // seen so far
	met    uint64 // by the last tick
	still  time.Duration
	ticked time.Duration // of the last tick
	rpm    float64       // at the last look
	moved  int
}

// stopped looks whether a stop was latched, by anybody.
func (w *walk) stopped() {
	if n := w.drive.Report().Stops; n != w.stops {
		w.stops = n
		w.forbid(w.m.Unsafe)
	}
}

// forbid ends the permission to move; the motor has its time from here on.
func (w *walk) forbid(how func()) {
	if w.m.Started {
		w.still = w.now
	}
	how()
}

// tick is one of the loop, that comes so late; what the monitor holds for unsafe is read beforehand.
func (w *walk) tick(gap time.Duration) {
	r := w.drive.Report()
	w.stopped()
	w.met, w.ticked = r.Stops, w.now
	if gap > 200*time.Millisecond || r.Fault != "" || w.now-r.At > 300*time.Millisecond {
		if w.m.Started {
			w.forbid(w.m.Unsafe)
		}
	}
	w.core.Tick(w.now, gap, gap)
	v := w.core.Verdict()
	if v.Soft && !w.m.Falling {
		w.m.Soft()
	}
	if s := w.state(); !s.Under() {
		w.forbid(w.m.Over)
	}
	if err := w.m.Cleared(v.Cleared, 1.6, 0.11); err != nil {
		w.Fatalf("%v: %v", w.now, err)
	}
	if v.Permit && !w.m.Armed {
		w.Fatalf("%v: the permit outlives a stop", w.now)
	}
	w.stopped()
}

// exchange is the drive's turn, and a look at the motor.
func (w *walk) exchange() {
	w.drive.Exchange(w.now)
	w.stopped()
	if r := w.drive.Report(); r.Latched && r.Ordered.RPM() != 0 {
		w.Fatalf("%v: %v ordered while a stop is latched", w.now, r.Ordered)
	}
	if r := w.drive.Report(); w.now-w.ticked > drive.DefaultSilence && r.Ordered.RPM() != 0 {
		w.Fatalf("%v: %v ordered, and no tick since %v", w.now, r.Ordered, w.ticked)
	}
	w.look()
}

func (w *walk) look() {
	n := w.back.Motor().RPM()
	if n > 0 {
		w.moved++
	}
	if rest := w.now - w.still; !w.m.Started && (rest > untilStop && n > w.rpm || rest > untilRest && n != 0) {
		w.Fatalf("%v: %v after the permission ended the motor turns at %v rpm, before at %v", w.now, rest, n, w.rpm)
	}
	w.rpm = n
}

// command is one between two ticks. A reset and a start that are taken are what the monitor waits for.
func (w *walk) command(c run.Command) {
	before := w.state()
	w.stopped()
	err := w.do(c)
	switch {
	case err != nil:
	case c == run.Reset && w.drive.Report().Stops != w.met:
		w.Fatalf("%v: a reset took back a stop that no tick has met", w.now)
	case c == run.Reset:
		w.m.Reset()
	case (c == run.Start || c == run.Steady) && (before == run.Ready || before == run.Finished):
		w.m.Start()
	}
	w.stopped()
}

func (w *walk) pass() { w.now += tick }

// Whatever people, wires, the loop, the line and the motor do, in whatever order, nothing moves that was not started after the last stop.
func TestNoWalkMovesWhatWasNotStarted(t *testing.T) {
	whole := 0
	rapid.Check(t, func(rt *rapid.T) {
		faults := rapid.SliceOfN(rapid.SampledFrom([]string{
			"link lost at 10 s for 3 s", "link lost at 20 s for 150 ms", "link lost at 25 s for 400 ms", "motor trips at 15 s", "motor trips at 30 s",
			"answers late by 120 ms at 12 s for 1 s", "feedback frozen at 18 s for 4 s", "motor ignores orders at 8 s for 10 s",
		}), 0, 3).Draw(rt, "faults")
		w := &walk{T: rt, rig: newRig(t, mixed(), faults...)}
		w.stopped()
		w.met = w.stops
		stop := func(where string, one int) {
			if rapid.IntRange(0, one).Draw(rt, where) == 0 {
				w.drive.Stop(fault.StopPressed)
				w.stopped()
			}
		}
		on := func(most int) {
			for range rapid.IntRange(1, most).Draw(rt, "ticks") {
				w.pass()
				w.tick(tick)
				w.exchange()
			}
		}
		acts := []func(){
			func() { on(300) },
			func() { // what it takes to swim, so that walks do
				if w.state() == run.Stopped {
					on(60)
				}
				for _, c := range []run.Command{run.Reset, run.Start} {
					w.command(c)
					stop("after a command", 20)
				}
				on(200)
			},
			func() { // one tick with stops in between
				w.pass()
				stop("before the tick", 6)
				w.tick(tick)
				stop("between tick and exchange", 6)
				w.exchange()
				stop("after the exchange", 6)
			},
			func() { w.command(run.Command(rapid.IntRange(0, int(run.Commands)-1).Draw(rt, "which"))) },
			func() {
				w.command(rapid.SampledFrom([]run.Command{run.Pause, run.Resume, run.Skip, run.Finish}).Draw(rt, "which"))
			},
			func() { // a stop, a reset and a start in one breath
				w.drive.Stop(fault.StopPressed)
				w.command(run.Reset)
				w.command(run.Start)
			},
			w.back.Trip,
			func() { // a late tick
				late := time.Duration(rapid.IntRange(2, 6).Draw(rt, "ticks")) * tick
				w.now += late
				w.tick(late)
				w.exchange()
			},
			func() { // the line hangs
				for range rapid.IntRange(1, 40).Draw(rt, "ticks") {
					w.pass()
					w.tick(tick)
					w.back.Pass(w.now)
					w.look()
				}
			},
			func() { // the loop hangs
				n := rapid.IntRange(1, 20).Draw(rt, "ticks")
				for range n {
					w.pass()
					w.exchange()
				}
				w.pass()
				w.tick(time.Duration(n+1) * tick)
				w.exchange()
			},
		}
		likely := []int{0, 0, 0, 1, 1, 1, 2, 3, 4, 4, 5, 6, 7, 8, 9} // of acts: most of the time one swims
		for range rapid.IntRange(20, 600).Draw(rt, "acts") {
			acts[rapid.SampledFrom(likely).Draw(rt, "act")]()
		}
		whole += w.moved
	})
	if whole == 0 {
		t.Error("nothing ever moved")
	}
	t.Logf("the motor was seen turning %d times", whole)
}

// The monitor itself: what it is there to notice.
func TestTheMonitorNoticesAMotorThatNobodyStarted(t *testing.T) {
	r := newRig(t, mixed())
	r.must(r.do(run.Reset))
	r.must(r.do(run.Start))
	r.pass(10 * time.Second)
	moving := r.core.Verdict().Cleared
	for _, m := range []safetytest.Monitor{{}, {Armed: true}, {Armed: true, Started: true, Falling: true, Low: 0.1}} {
		if err := m.Cleared(moving, 1.6, 0.11); err == nil {
			t.Errorf("%+v lets %v through", m, moving)
		}
		if err := m.Cleared(safety.Cleared{}, 1.6, 0.11); err != nil {
			t.Errorf("%+v does not let standstill through: %v", m, err)
		}
	}
	m := safetytest.Monitor{Armed: true, Started: true}
	if err := m.Cleared(moving, 0.1, 0.11); err == nil {
		t.Error("over the cap, and let through")
	}
	if err := m.Cleared(moving, 1.6, 0.11); err != nil {
		t.Errorf("a swim: %v", err)
	}
}
