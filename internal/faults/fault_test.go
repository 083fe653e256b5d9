package faults

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"
)

// fault is one fault at a random instant in a random state.
type fault struct {
	*place
	*campaign
	class  *class
	random *rand.Rand
	then   time.Duration // when
	paused bool          // on the way to it: the motor of a swim that is resumed may be on
	result result
}

// moments are where a swim can be when a fault comes, as often as they are named.
var moments = []string{"running", "running", "running", "running", "running", "running", "count-in", "pausing", "paused", "resuming"}

// again is how long the motor is watched after a fault and after it has healed: nothing may restart by itself. The reset after that, and the count-in of
// the next start, are watched as well.
const again = 1500 * time.Millisecond

// verdict is what became of a case.
type verdict int

const (
	judged verdict = iota
	missed         // the machine was too busy: the guard stopped the swim before the fault came
	behind         // all was well but for a stop that came too late
)

// play is a whole case: reset and start, as they have to work after whatever was before; the way to a random moment; the fault; the stop; the
// watch over what must not move.
func (f *fault) play() (result, verdict) {
	f.result.Class = f.class.name
	from := f.motor.now()
	f.wrong("reset before it", f.reset())
	if from.rests() { // else it was left alone, and stopped only now
		f.still(from.at)
	}
	if len(f.result.Wrong) == 0 {
		f.wrong("start before it", f.begin())
	}
	if len(f.result.Wrong) > 0 {
		return f.result, judged
	}
	err := f.approach()
	if f.early() {
		return f.result, missed
	}
	if err != nil {
		f.wrong("on the way to it", err)
		return f.result, judged
	}
	f.result.State, _ = f.daemon.says()
	before := f.motor.now()
	f.result.Moving = before.follows()
	if f.result.Moving && f.result.State == "count-in" && !f.paused {
		f.wrong("the motor", fmt.Errorf("it is on before the swim begins: %+v", before))
	}
	f.motor.forget(before.at)
	f.then = monotonic()
	done := make(chan error, 1)
	go func() { done <- f.class.do(f.place, f.random) }()
	late := false
	if f.class.goesOn {
		f.wrong("it", <-done)
		pass(again)
		f.heal()
		if f.early() {
			return f.result, missed
		}
		f.untouched()
	} else {
		late = f.stops(done)
	}
	if f.daemon.gone() && !f.class.ends {
		f.wrong("the daemon", errors.New("it has ended"))
	}
	if late && len(f.result.Wrong) == 1 {
		return f.result, behind
	}
	return f.result, judged
}

func (f *fault) wrong(when string, err error) {
	if err != nil {
		f.result.Wrong = append(f.result.Wrong, fmt.Sprintf("%s: %v", when, err))
	}
}

// early: the guard has stopped the swim before the fault came, since this machine was late. That is a stop too, but of another fault.
func (f *fault) early() bool {
	_, why := f.daemon.says()
	return f.daemon.in("stopped") && (why == "tick-late" || why == "loop-silent" || why == "feedback-old" || why == "link-lost")
}

// approach goes to a random moment of the swim.
func (f *fault) approach() error {
	moment := moments[f.random.IntN(len(moments))]
	if f.class.swims {
		moment = "running"
	}
	within := func(d time.Duration) { pass(time.Duration(f.random.Int64N(int64(d)))) }
	if moment == "count-in" {
		within(9500 * time.Millisecond)
		return nil
	}
	if err := until("the swim runs", 12*time.Second, func() bool { return f.daemon.in("running", "stopped") }); err != nil {
		return err
	}
	if err := until("the motor is on", 10*time.Second, func() bool { return f.motor.now().follows() || f.daemon.in("stopped") }); err != nil {
		return err
	}
	within(6 * time.Second)
	if moment == "running" {
		return nil
	}
	f.paused = true
	if err := f.hand("press"); err != nil {
		return err
	}
	if moment == "pausing" {
		within(1500 * time.Millisecond)
		return nil
	}
	if err := until("the pause is there", 10*time.Second, func() bool { return f.daemon.in("paused", "stopped") }); err != nil {
		return err
	}
	within(time.Second)
	if moment == "paused" || f.daemon.in("stopped") {
		return nil
	}
	if err := f.hand("press"); err != nil {
		return err
	}
	within(4500 * time.Millisecond)
	return nil
}

// stops waits for the motor's rest and for the fault to be done, heals it, and looks on. It reports whether all was well but for a stop that came too late.
func (f *fault) stops(done <-chan error) (late bool) {
	patience := f.class.rest() + 5*time.Second
	var begun, rest time.Duration
	var began, rested bool
	_ = until("", patience, func() bool {
		begun, rest, began, rested = stopped(f.motor.since(f.then), f.then)
		return rested
	})
	switch {
	case !began && f.result.Moving:
		f.wrong("the motor", fmt.Errorf("nothing has stopped it within %v: %+v", patience, f.motor.now()))
	case !rested:
		f.wrong("the motor", fmt.Errorf("it is not at rest after %v: %+v", patience, f.motor.now()))
	case f.result.Moving:
		f.result.Begun, f.result.Rest = begun-f.then, rest-f.then
		late = f.judge()
	}
	f.wrong("it", <-done)
	if !f.result.Moving { // what was about to begin would have by then
		pass(2 * time.Second)
	}
	pass(time.Duration(f.random.Int64N(int64(again))))
	f.heal()
	pass(again)
	if rested || !f.result.Moving {
		f.still(max(rest, f.then))
	}
	return late
}

func (f *fault) heal() {
	if f.class.heal != nil {
		f.wrong("healing it", f.class.heal(f.place, f.random))
	}
}

// judge holds the times to their bounds. For as long as this machine was away before a bound was over, nobody can have done anything.
func (f *fault) judge() (late bool) {
	within := func(what string, took, bound time.Duration) {
		away := f.noise.within(f.then-tick, f.then+bound)
		f.result.Away = max(f.result.Away, away)
		if took > bound+away {
			f.wrong("the motor", fmt.Errorf("%s after %v, bound %v (%s), this machine was away for %v", what, took, bound, f.class.why, away))
			late = true
		}
	}
	if b := f.class.begun; b > 0 {
		within("its stop began", f.result.Begun, b)
	}
	if !late {
		within("it was at rest", f.result.Rest, f.class.rest())
	}
	return late
}

// still looks for anything that moved by itself after an instant.
func (f *fault) still(from time.Duration) {
	for _, s := range f.motor.since(from) {
		if s.at > from && !s.rests() {
			f.wrong("the motor", fmt.Errorf("it moved by itself: %+v, %v later", s, s.at-from))
			return
		}
	}
}

// untouched looks at a swim that a fault must leave alone.
func (f *fault) untouched() {
	for _, s := range f.motor.since(f.then) {
		if f.result.Moving && !s.follows() {
			f.wrong("the motor", fmt.Errorf("it was stopped: %+v", s))
			return
		}
	}
	if f.daemon.in("stopped") {
		_, why := f.daemon.says()
		f.wrong("the daemon", fmt.Errorf("it was stopped: %s", why))
	}
}
