package drive_test

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const every = drive.DefaultEvery

// model is a flume in which 500 rpm keep up 1 m/s, and so on in proportion.
func model(t testing.TB) *water.Model {
	t.Helper()
	m, err := water.New([]water.Point{
		{Motor: units.RPM(250), Water: units.MetresPerSecond(0.5)},
		{Motor: units.RPM(500), Water: units.MetresPerSecond(1)},
		{Motor: units.RPM(1000), Water: units.MetresPerSecond(2)},
	}, units.Metres(2), water.Motor{Min: units.RPM(100), Max: units.RPM(1000)})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// clear is a permission for steady water.
func clear(mps float64) safety.Cleared {
	return drivetest.Clear(units.MetresPerSecond(mps), units.Accel{})
}

// wire is a motor with a place to step in before each call; an error from there is the call's.
type wire struct {
	drivetest.Motor
	mu    sync.Mutex
	calls []string
	step  func(call string, r drive.Round) error
}

// before steps in from now on; nil no more.
func (w *wire) before(step func(call string, r drive.Round) error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.step = step
}

// called is what the backend was called for since it was last asked.
func (w *wire) called() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	calls := w.calls
	w.calls = nil
	return calls
}

func (w *wire) call(name string, r drive.Round) error {
	w.mu.Lock()
	w.calls = append(w.calls, name)
	step := w.step
	w.mu.Unlock()
	if step == nil {
		return nil
	}
	return step(name, r)
}

func (w *wire) Set(r drive.Round, o drive.Order) error {
	if err := w.call(fmt.Sprintf("set %.0f", o.Motor().RPM()), r); err != nil {
		return err
	}
	return w.Motor.Set(r, o)
}

func (w *wire) Read(r drive.Round) (drive.Feedback, error) {
	if err := w.call("read", r); err != nil {
		return drive.Feedback{}, err
	}
	return w.Motor.Read(r)
}

func (w *wire) Stop(r drive.Round) error {
	if err := w.call("stop", r); err != nil {
		return err
	}
	return w.Motor.Stop(r)
}

func (w *wire) want(t *testing.T, calls ...string) {
	t.Helper()
	if got := w.called(); fmt.Sprint(got) != fmt.Sprint(calls) {
		t.Errorf("the backend was called for %v, want %v", got, calls)
	}
}

// released is a drive on a wire after its first stop and a reset.
func released(t *testing.T) (*drive.Drive, *wire) {
	w := new(wire)
	d := drive.New(w, drive.Config{Model: model(t)})
	d.Exchange(0)
	if !d.Unlatch(drivetest.Release(1)) {
		t.Fatal("a release of the first stop does not unlatch")
	}
	w.called()
	return d, w
}

func TestMain(m *testing.M) {
	holdIfAsked()
	goleak.VerifyTestMain(m)
}

func TestNewDriveIsLatched(t *testing.T) {
	w := new(wire)
	d := drive.New(w, drive.Config{Model: model(t)})
	if p := d.Report(); !p.Latched || p.Stops != 1 || p.Why != fault.NotReset || p.Carried != 0 {
		t.Errorf("a new drive reports %+v", p)
	}
	d.Set(clear(1))
	d.Exchange(0)
	w.want(t, "stop", "read")
	d.Set(clear(1))
	d.Exchange(every)
	w.want(t, "read")
	if d.Unlatch(safety.Release{}) {
		t.Error("the zero Release has unlatched a drive")
	}
}

func TestMailbox(t *testing.T) {
	d, w := released(t)
	d.Exchange(1 * every)
	w.want(t, "read") // nothing permitted yet
	d.Set(clear(0.5))
	d.Set(clear(1)) // over the one before
	d.Exchange(2 * every)
	w.want(t, "set 500", "read")
	if p := d.Report(); p.Ordered != units.RPM(500) || p.At != 2*every || p.Now != 2*every {
		t.Errorf("report after an order: %+v", p)
	}
	d.Exchange(3 * every) // repeated
	w.want(t, "set 500", "read")
	d.Set(clear(2))
	d.Stop(fault.StopPressed) // empties it
	d.Exchange(4 * every)
	w.want(t, "stop", "read")
	d.Set(clear(2)) // dropped
	if !d.Unlatch(drivetest.Release(2)) {
		t.Fatal("still latched")
	}
	for i := 5; i < 20; i++ {
		d.Exchange(time.Duration(i) * every)
	}
	if got := w.called(); slices.ContainsFunc(got, func(c string) bool { return c != "read" }) {
		t.Errorf("after a reset, with nothing permitted: %v", got)
	}
	d.Set(clear(0.5))
	if !d.Unlatch(drivetest.Release(2)) {
		t.Fatal("latched by an Unlatch")
	}
	d.Exchange(20 * every)
	w.want(t, "set 250", "read") // an Unlatch with nothing latched takes nothing away
}

func TestStandstillEnablesNothing(t *testing.T) {
	d, w := released(t)
	for i := range 5 {
		d.Set(safety.Cleared{})
		d.Exchange(time.Duration(1+i) * every)
	}
	w.want(t, "read", "read", "read", "read", "read")
	d.Set(clear(1))
	d.Exchange(6 * every)
	d.Set(safety.Cleared{})
	d.Exchange(7 * every)
	w.want(t, "set 500", "read", "set 0", "read")
}

func TestLoopWatchdog(t *testing.T) {
	d, w := released(t)
	d.Set(clear(1))
	d.Exchange(every)
	for i := 2; i <= 5; i++ {
		d.Exchange(time.Duration(i) * every)
		if p := d.Report(); p.Latched {
			t.Fatalf("latched (%s) %v after the last permission", p.Why, time.Duration(i-1)*every)
		}
	}
	w.called()
	d.Exchange(6 * every) // 250 ms after the permission
	w.want(t, "stop", "read")
	if p := d.Report(); !p.Latched || p.Why != fault.LoopSilent || p.Stops != 2 {
		t.Errorf("report: %+v", p)
	}
	if d.Unlatch(drivetest.Release(1)) {
		t.Error("a release from before the watchdog's stop has taken it back")
	}
}

func TestLoopWatchdogIsQuietAtStandstill(t *testing.T) {
	d, _ := released(t)
	d.Set(clear(1))
	d.Exchange(every)
	d.Set(safety.Cleared{})
	for i := 2; i < 100; i++ {
		d.Exchange(time.Duration(i) * every)
	}
	if p := d.Report(); p.Latched {
		t.Errorf("latched (%s) while the motor was ordered to stand", p.Why)
	}
}

func TestStopIsRepeatedUntilSeen(t *testing.T) {
	d, w := released(t)
	d.Set(clear(1))
	d.Exchange(every)
	d.Exchange(3 * every) // 100 ms: 100 rpm
	d.Stop(fault.StopPressed)
	w.called()
	for i := 4; i < 9; i++ {
		d.Exchange(time.Duration(i) * every)
	}
	w.want(t, "stop", "read", "stop", "read", "stop", "read", "stop", "read", "read")
}

// A stop is repeated while the motor turns. Where the answer to the last of them is lost, it is given once more, though the motor is at rest by then: on the
// virtual board the next start failed otherwise, since a serial backend starts nothing after a stop of which it knows nothing.
func TestAStopWhoseAnswerIsLostIsGivenAgain(t *testing.T) {
	d, w := released(t)
	d.Set(clear(1))
	d.Exchange(every)
	d.Exchange(3 * every)
	d.Stop(fault.StopPressed)
	d.Exchange(4 * every)
	w.called()
	lost := errors.New("no answer")
	w.before(func(call string, r drive.Round) error {
		if call != "stop" {
			return nil
		}
		return errors.Join(w.Motor.Stop(r), lost)
	})
	now := 5 * every
	for ; d.Report().Enabled; now += every {
		d.Exchange(now)
	}
	if d.Report().Carried != d.Report().Stops {
		t.Fatal("the first stop was not carried out")
	}
	w.before(nil)
	if !d.Unlatch(drivetest.Release(d.Report().Stops)) {
		t.Fatal("it cannot be taken back")
	}
	d.Set(clear(1))
	w.called()
	d.Exchange(now)
	w.want(t, "stop", "read")
	d.Set(clear(1))
	d.Exchange(now + every)
	w.want(t, "set 500", "read")
}

// Where nothing is under way the motor is switched off, until it is seen off; that is no stop that anybody would have to take back.
func TestRest(t *testing.T) {
	d, w := released(t)
	d.Set(clear(1))
	d.Exchange(every)
	d.Exchange(3 * every)
	stops := d.Report().Stops
	d.Set(safety.Cleared{})
	d.Exchange(4 * every)
	w.called()
	for i := 5; i < 12; i++ {
		d.Rest()
		d.Exchange(time.Duration(i) * every)
	}
	calls := w.called()
	if n := len(calls); n < 4 || calls[0] != "stop" || calls[n-1] != "read" || calls[n-2] != "read" || slices.Contains(calls, "set") {
		t.Errorf("at rest: %v", calls)
	}
	if r := d.Report(); r.Latched || r.Stops != stops || r.Enabled || r.Ordered.RPM() != 0 {
		t.Errorf("after it %+v", r)
	}
	d.Set(clear(1))
	d.Exchange(12 * every)
	d.Exchange(13 * every)
	if r := d.Report(); !r.Enabled || !(r.Motor.RPM() > 0) {
		t.Errorf("the next permission finds %+v", r)
	}
	d.Stop(fault.StopPressed)
	d.Rest()
	d.Set(clear(1))
	if r := d.Report(); !r.Latched || r.Why != fault.StopPressed {
		t.Errorf("a stop that was latched is %+v", r)
	}
}

func TestStopOutlivesReset(t *testing.T) {
	d, w := released(t)
	noAnswer := errors.New("no answer")
	w.before(func(string, drive.Round) error { return noAnswer })
	d.Stop(fault.StopPressed)
	d.Exchange(every)
	w.want(t, "stop", "read")
	if p := d.Report(); p.Link != noAnswer || p.Carried != 1 || p.Stops != 2 {
		t.Errorf("report after a stop that failed: %+v", p)
	}
	if !d.Unlatch(drivetest.Release(2)) {
		t.Error("a stop that did not get through cannot be taken back")
	}
	d.Set(clear(1))
	d.Exchange(2 * every)
	w.before(nil)
	d.Set(clear(1))
	d.Exchange(3 * every)
	w.want(t, "stop", "read", "stop", "read")
	d.Exchange(4 * every)
	w.want(t, "read") // what was permitted while the stop was on its way is gone
	d.Set(clear(1))
	d.Exchange(5 * every)
	w.want(t, "set 500", "read")
}

func TestLinkErrors(t *testing.T) {
	d, w := released(t)
	no := errors.New("illegal value")
	d.Set(clear(1))
	w.before(func(call string, _ drive.Round) error {
		if call != "read" {
			return no
		}
		return nil
	})
	reads := d.Report().Reads
	d.Exchange(every)
	w.want(t, "set 500", "read") // read all the same: the drive's own fault may be the reason
	if p := d.Report(); p.Link != no || p.Reads != reads+1 || p.At != every {
		t.Errorf("report after a Set that failed: %+v", p)
	}
	w.before(func(call string, _ drive.Round) error {
		if call == "read" {
			return no
		}
		return nil
	})
	d.Set(clear(1))
	d.Exchange(2 * every)
	if p := d.Report(); p.Link != no || p.Reads != reads+1 || p.At != every {
		t.Errorf("report after a read that failed: %+v", p)
	}
	w.before(nil)
	d.Exchange(3 * every)
	if p := d.Report(); p.Link != nil || p.At != 3*every {
		t.Errorf("report after a good exchange: %+v", p)
	}
}

// TestFailedStopShows: that a further stop came meanwhile is no excuse for one that failed.
func TestFailedStopShows(t *testing.T) {
	d, w := released(t)
	no := errors.New("no answer")
	w.before(func(call string, _ drive.Round) error {
		d.Stop(fault.LinkLost)
		return no
	})
	d.Stop(fault.StopPressed)
	d.Exchange(every)
	w.want(t, "stop")
	if p := d.Report(); p.Link != no || p.Carried != 1 || p.Stops != 3 {
		t.Errorf("report after a stop that failed: %+v", p)
	}
}

func TestDriveWithoutModelOnlyStops(t *testing.T) {
	m := new(drivetest.Motor)
	turning := drive.New(m, drive.Config{Model: model(t)})
	turning.Exchange(0)
	turning.Unlatch(drivetest.Release(1))
	turning.Set(clear(2))
	turning.Exchange(every)
	if got := m.Motor(10 * every); got.RPM() < 100 {
		t.Fatalf("the motor turns at %v, want it turning", got)
	}
	d := drive.New(m, drive.Config{})
	d.Exchange(10 * every)
	d.Unlatch(drivetest.Release(1))
	d.Set(clear(2))
	d.Exchange(11 * every)
	if got := m.Motor(100 * every); got.RPM() != 0 || m.Enabled(100*every) {
		t.Errorf("the motor turns at %v, want it at rest and disabled", got)
	}
}

type pretended struct{ drivetest.Motor }

func (*pretended) Simulated() bool { return true }

func TestSimulated(t *testing.T) {
	if drive.New(new(drivetest.Motor), drive.Config{}).Simulated() {
		t.Error("a motor that says nothing about it counts as simulated")
	}
	if !drive.New(new(pretended), drive.Config{}).Simulated() {
		t.Error("a simulated motor does not count as one")
	}
}

// TestRandomCommands gives commands at random on a link that fails at random, and looks at what reaches the backend.
func TestRandomCommands(t *testing.T) {
	m := model(t)
	rapid.Check(t, func(t *rapid.T) {
		w := new(wire)
		d := drive.New(w, drive.Config{Model: m})
		var (
			now     time.Duration
			stopped = true // a stop was latched and has not got through since
			latched = true
			valid   = map[string]bool{} // orders given since the latest stop or reset; only the last is good
			stops   = uint64(1)
			setAt   time.Duration
		)
		failing := errors.New("no answer")
		w.before(func(call string, r drive.Round) error {
			if r.Elapsed != now || r.Until != now+drive.DefaultTimeout {
				t.Fatalf("round %+v at %v", r, now)
			}
			fails := rapid.IntRange(0, 9).Draw(t, "link") == 0
			switch call {
			case "read":
			case "stop":
				if r.Stop != nil {
					t.Fatal("a stop can be given up")
				}
				stopped = stopped && fails
			default:
				if stopped || latched {
					t.Fatalf("%s while a stop is latched (%v) or on its way (%v)", call, latched, stopped)
				}
				if !valid[call] {
					t.Fatalf("%s, which is not what was permitted last", call)
				}
				if call != "set 0" && now-setAt >= drive.DefaultSilence {
					t.Fatalf("%s, permitted %v ago", call, now-setAt)
				}
			}
			if fails {
				return failing
			}
			return nil
		})
		t.Repeat(map[string]func(*rapid.T){
			"set": func(t *rapid.T) {
				v := rapid.Float64Range(0, 3).Draw(t, "m/s")
				d.Set(clear(v))
				if !latched {
					n := m.MotorFor(units.MetresPerSecond(v), units.Accel{}).RPM()
					if n < 100 {
						n = 0
					}
					valid = map[string]bool{fmt.Sprintf("set %.0f", min(n, 1000)): true}
					setAt = now + every // inline, it counts from the exchange that takes it
				}
			},
			"stop": func(t *rapid.T) {
				d.Stop(fault.StopPressed)
				stops++
				stopped, latched, valid = true, true, map[string]bool{}
			},
			"reset": func(t *rapid.T) {
				upto := stops - uint64(rapid.IntRange(0, 1).Draw(t, "missed"))
				free := d.Unlatch(drivetest.Release(upto))
				if free != (!latched || upto == stops) {
					t.Fatalf("Unlatch of %d with %d stops: %v", upto, stops, free)
				}
				if free && latched {
					latched, valid = false, map[string]bool{}
				}
			},
			"exchange": func(t *rapid.T) {
				now += every
				d.Exchange(now)
				if p := d.Report(); p.Why == fault.LoopSilent && p.Stops > stops {
					stops = p.Stops
					latched, valid = true, map[string]bool{}
					if p.Carried < p.Stops {
						stopped = true
					}
				}
			},
			"": func(t *rapid.T) {
				p := d.Report()
				if p.Stops != stops || p.Latched != latched {
					t.Fatalf("%d stops, latched %v; report %+v", stops, latched, p)
				}
				if stopped && w.Motor.Motor(now).RPM() > 0 && p.Ordered.RPM() > 0 {
					t.Fatalf("stopped, and yet ordered: %+v", p)
				}
			},
		})
	})
}

func TestNoAllocations(t *testing.T) {
	m := new(drivetest.Motor)
	d := drive.New(m, drive.Config{Model: model(t)})
	d.Exchange(0)
	d.Unlatch(drivetest.Release(1))
	c, now := clear(1), time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		now += every
		d.Set(c)
		d.Exchange(now)
		d.Report()
	}); n != 0 {
		t.Errorf("%v allocations an exchange, want none", n)
	}
	if n := testing.AllocsPerRun(1000, func() { d.Stop(fault.StopPressed) }); n != 0 {
		t.Errorf("%v allocations a stop, want none", n)
	}
}
