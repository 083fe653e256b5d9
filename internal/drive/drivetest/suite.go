// Package drivetest is the conformance suite that every drive backend passes, in front of the real Drive, with the motor itself as the witness.
package drivetest

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Witness looks at the motor itself, never at what a backend says of it. Times are the elapsed times of the exchanges, and never run back;
// the motor turns on up to the time asked for, whether or not anybody has spoken to its drive since.
type Witness interface {
	Motor(now time.Duration) units.MotorSpeed
	Enabled(now time.Duration) bool // the power stage
}

// Faulter is a witness that can also cut the link. Without it, the cases about the link are left out.
type Faulter interface {
	Cut(now time.Duration)
	Restore(now time.Duration)
}

// Tripper is a witness that can also give the drive a fault of its own, which a reset clears. Without it, the cases about that are left out.
type Tripper interface {
	Trip(now time.Duration)
}

// Garbler is a witness that can also garble what the drive says next. Without it, that case is left out.
type Garbler interface {
	Garble(now time.Duration)
}

// Delayer is a witness that can also hold back the drive's next answer for longer than it counts. Without it, that case is left out.
type Delayer interface {
	Delay(now time.Duration)
}

// Rival is a witness that can also let somebody else on the link try to move the motor. Without it, as where a link has one owner by its wire and lock, that
// case is left out.
type Rival interface {
	Rival(now time.Duration, m units.MotorSpeed)
}

// Options say what to test.
type Options struct {
	// New makes a backend on a fresh motor at rest, and its witness. The suite closes the backend.
	New func(t testing.TB) (drive.Backend, Witness)

	Model     *water.Model     // whose motor limits are those of the motor behind
	Settle    time.Duration    // within this the motor has reached any order, or come to rest and been disabled after a stop
	LinkLoss  time.Duration    // within this the drive begins its own stop when nobody speaks to it
	Timeout   time.Duration    // of one exchange; default drive.DefaultTimeout
	Tolerance units.MotorSpeed // between an order and the settled motor; default 5 rpm

	// AtOnce runs all cases at the same time: for links whose calls wait until the elapsed time has really passed.
	AtOnce bool
}

// Suite runs all cases, each on a fresh motor.
func Suite(t *testing.T, o Options) {
	if o.Timeout == 0 {
		o.Timeout = drive.DefaultTimeout
	}
	if o.Tolerance == (units.MotorSpeed{}) {
		o.Tolerance = units.RPM(5)
	}
	var reports []func()
	for _, c := range cases {
		b, w := o.New(t)
		if !c.possible(w) {
			t.Logf("left out, this link cannot play it: %s", c.name)
			if err := b.Close(); err != nil {
				t.Errorf("Close of an unused backend: %v", err)
			}
			continue
		}
		check := func() error { return c.check(newRig(o, b, w)) }
		if o.AtOnce {
			found := make(chan error, 1)
			go func(check func() error) { found <- check() }(check)
			check = func() error { return <-found }
		}
		reports = append(reports, func() {
			t.Run(c.name, func(t *testing.T) {
				t.Cleanup(func() { b.Close() })
				if err := check(); err != nil {
					t.Errorf("%v\nThe rule: %s", err, c.rule)
				}
			})
		})
	}
	for _, report := range reports {
		report()
	}
}

// testCase is one way to go wrong. Its rule is what is broken when it fails.
type testCase struct {
	name, rule string
	needs      func(Witness) bool // nil: any will do
	check      func(*rig) error
}

func (c testCase) possible(w Witness) bool { return c.needs == nil || c.needs(w) }

// can is a need for a witness that is also a T.
func can[T any](w Witness) bool { _, ok := w.(T); return ok }

var cases = []testCase{
	{name: "a motor stands until something is permitted", check: standsByItself,
		rule: "No surprise start: neither opening the link, nor a stop, nor a reset, nor a permission to stand still turns a motor or switches it on."},
	{name: "start and follow", check: startAndFollow,
		rule: "The motor does what was ordered, faster and slower, and the feedback says what the motor does."},
	{name: "the motor's limits", check: limits,
		rule: "An order is standstill or lies between the motor's lowest and highest speed; what is negative or no number is standstill."},
	{name: "the first exchange is a stop", check: firstIsStop,
		rule: "A program that finds a motor turning stops it before it does anything else."},
	{name: "stop before start", check: stopBeforeStart,
		rule: "Stop works before any Set, and the motor can be started afterwards."},
	{name: "stop at speed", check: stopAtSpeed,
		rule: "Stop brings the motor to rest and disables it; while it is latched no permission moves it, and after the reset it stands until the next."},
	{name: "stop while the motor speeds up", check: stopOnTheWayUp,
		rule: "Stop acts at any moment, also before an order has been reached."},
	{name: "stop twice", check: stopTwice,
		rule: "Stop works again while it is being carried out, and after that; a reset given for the first does not take back the second."},
	{name: "stop at the same time as a Set", check: stopDuringSet,
		rule: "A Set that finds a stop latched sends nothing, and the stop goes out in the very next exchange."},
	{name: "stop during a read", check: stopDuringRead,
		rule: "A wait gives way to a stop, which goes out in the very next exchange and raises no alarm about the link."},
	{name: "stop after the end", check: stopAfterCancel,
		rule: "An I/O goroutine that is told to end stops the motor first."},
	{name: "close", check: closing,
		rule: "Close stops first and works twice; after it nothing reaches the motor, and every call says so."},
	{name: "a control loop that fell silent", check: loopSilent,
		rule: "Without fresh permissions the drive latches a stop by itself, and a late permission starts nothing."},
	{name: "a program that fell silent", check: programSilent,
		rule: "The last watchdog is beyond the link: a drive that hears nothing stops by itself, with no software of ours left to tell it."},
	{name: "the link cut and restored", check: linkCut, needs: can[Faulter],
		rule: "With the link gone the drive stops by itself; when it comes back nothing starts until a person has reset and something is permitted anew."},
	{name: "a stop while the link is cut", check: stopWithoutLink, needs: can[Faulter],
		rule: "A stop that did not get through is tried until it does, and is not forgotten by a reset."},
	{name: "time-outs", check: deadlines, needs: can[Faulter],
		rule: "No call outlasts its time-out on a dead link, nor the closing of Round.Stop, and each says that it failed."},
	{name: "the age of feedback", check: feedbackAge, needs: can[Faulter],
		rule: "Feedback from before the link was lost is not handed out as news."},
	{name: "a fault of the drive's own", check: driveFault, needs: can[Tripper],
		rule: "A drive's own fault is reported, stops the motor, and stays until a stop acknowledges it; then the motor stands until something is permitted anew."},
	{name: "garbage", check: garbage, needs: can[Garbler],
		rule: "What is garbled is neither feedback nor the end of a swim, and a stop gets through it."},
	{name: "late answers, and replies to older requests", check: lateAnswers, needs: can[Delayer],
		rule: "An answer that comes too late is an error when it is missed, and never the answer to a later question."},
	{name: "a second owner", check: secondOwner, needs: can[Rival],
		rule: "Nobody else moves a motor that somebody owns."},
}
