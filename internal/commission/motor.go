package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

const (
	atRest     = 5.0              // rpm: below this a motor counts as at rest, as for the guard
	steadily   = time.Second      // so long a motor keeps its speed before it counts as steady
	toRest     = 60 * time.Second // the longest that a motor may take to come to rest with its own ramp
	quickStop  = 3 * time.Second  // what the guard takes a drive's quick stop to need at most, where no ramp is configured
	stopSlack  = 500 * time.Millisecond
	shareOff   = 0.02             // a motor that turns as ordered is within 2 % and 5 rpm: the project's own choice
	unplugged  = time.Second      // a link that says nothing for so long has lost its cable
	resetAfter = 20 * time.Second // the longest that what goes by itself may hinder a start
	hindered   = 2 * time.Second  // what hinders for so long after a go takes another one
	mostGoes   = 10
)

// near reports whether a motor turns as it is told.
func near(rpm, ordered float64) bool { return math.Abs(rpm-ordered) <= shareOff*ordered+atRest }

// motorError is a motor that did not do what it was told: a fault's code where the guard said so.
type motorError struct {
	code fault.Code
	text string
}

func (e *motorError) Error() string { return e.text }

// brokenOff: it says nothing of the motor. Somebody pressed stop, or this computer was too busy.
func (e *motorError) brokenOff() bool {
	switch e.code {
	case fault.StopPressed, fault.PersonStop, fault.TickLate, fault.LoopSilent, fault.WallUnread, fault.ProgramEnds:
		return true
	}
	return false
}

// BrokenOff reports whether an error of Do says only that the part was interrupted, so that it can be gone through again.
func BrokenOff(err error) bool {
	var m *motorError
	return errors.As(err, &m) && m.brokenOff()
}

// begin starts a jog, or whatever turns the motor: it resets what is latched, and waits a while for what forbids it to go by itself. A stop that somebody has pressed since the installer
// was last asked for a go is taken back by nothing but another go; so is what stays, or is made well by hand: that it goes away is no permission.
func (w *work) begin(ctx context.Context, start func() error) error {
	w.afresh()
	var no error
	for range mostGoes {
		var err error
		if no, err = w.try(ctx, start); no == nil || err != nil {
			return err
		}
		if err := w.go_(ctx, "The motor will turn once that is well."); err != nil {
			return err
		}
	}
	return fmt.Errorf("the motor could not be started: %w", no)
}

// try is begin for one go. no is what a person has to do something about, which was said.
func (w *work) try(ctx context.Context, start func() error) (no, err error) {
	since := time.Duration(-1) // when something began to hinder that does not go by itself
	ok, err := w.until(ctx, resetAfter, func(s *sequencer.Snapshot) bool {
		if s.Drive.Pressed > w.agreed {
			no = fault.Of(fault.StopPressed)
			return true
		}
		if s.State == run.Stopped {
			no = w.cfg.Sequencer.Do(ctx, sequencer.Command{What: run.Reset})
		} else if no = start(); no == nil {
			return true
		}
		var f fault.Fault
		switch {
		case no == nil, errors.As(no, &f) && (f.Code == fault.LinkSettling || f.Code == fault.StillTurning || f.Code == fault.NotReset):
			since = -1
		case since < 0:
			since = s.At
		}
		return since >= 0 && s.At-since >= hindered
	})
	var f fault.Fault
	switch {
	case err != nil || no == nil:
		return no, err
	case !ok || !errors.As(no, &f): // nothing that a go could change
		return no, fmt.Errorf("the motor could not be started: %w", no)
	case f.Code == fault.StopPressed:
		w.say("Stop was pressed. Release the stop button.")
	default:
		w.say("The motor does not turn yet: %s", f.Text())
	}
	return no, nil
}

// turn starts the bare motor and waits until it keeps its speed. A *motorError says what it did instead.
func (w *work) turn(ctx context.Context, n units.MotorSpeed, length time.Duration) error {
	if err := w.begin(ctx, func() error { return w.cfg.Sequencer.Jog(ctx, n, length) }); err != nil {
		return err
	}
	ramp := 10 * time.Second
	if r := w.cfg.Settings.Drive.Motor.RPMPerSecond; r > 0 {
		ramp = 3*time.Second + 3*seconds(n.RPM()/r)
	}
	since := time.Duration(-1)
	var ended error
	kept, err := w.until(ctx, ramp, func(s *sequencer.Snapshot) bool {
		if ended = over(s); ended != nil {
			return true
		}
		switch {
		case !near(s.Motor.RPM(), n.RPM()):
			since = -1
		case since < 0:
			since = s.At
		}
		return since >= 0 && s.At-since >= steadily
	})
	switch {
	case err != nil:
		return err
	case ended != nil:
		return ended
	case !kept:
		s, _ := w.cfg.Sequencer.Snapshot()
		return errors.Join(&motorError{text: fmt.Sprintf("ordered %v, and it turns at %v", n, s.Motor)}, w.halt(ctx))
	}
	return nil
}

// over says why a jog is over; nil while it goes on.
func over(s *sequencer.Snapshot) error {
	if s.State == run.Stopped {
		return &motorError{code: s.Reason, text: fault.Of(s.Reason).Text()}
	}
	return nil
}

// halt lets the motor come to rest, with its own ramp.
func (w *work) halt(ctx context.Context) error {
	if err := w.cfg.Sequencer.EndJog(ctx); err != nil {
		return err
	}
	rest, err := w.until(ctx, toRest, func(s *sequencer.Snapshot) bool { return math.Abs(s.Motor.RPM()) <= atRest })
	if err == nil && !rest {
		err = &motorError{text: "the motor does not come to rest"}
	}
	return err
}

// bound is how long a stop from a speed may take by the configured ramp of stops, its slack included.
func (w *work) bound(n units.MotorSpeed) time.Duration {
	ramp := 0.0
	switch d := w.cfg.Settings.Drive; d.Backend {
	case "simulated":
		ramp = d.Simulated.QuickStopRPMPerSecond
	case "serial":
		ramp = d.Serial.QuickStopRPMPerSecond
	}
	if ramp > 0 {
		return stopSlack + seconds(n.RPM()/ramp)
	}
	return quickStop
}

// linkLoss is the drive's own link-loss time.
func (w *work) linkLoss() time.Duration {
	switch d := w.cfg.Settings.Drive; d.Backend {
	case "serial":
		return d.Serial.LinkLoss
	case "mqtt":
		return d.MQTT.LinkLoss
	default:
		return d.Simulated.LinkLoss
	}
}

// stopTime is how long the motor took to rest, by the drive's feedback, from the first sign of a stop in the trace.
func stopTime(trace []moment) (time.Duration, bool) {
	if len(trace) == 0 {
		return 0, false
	}
	first := trace[0].stops
	var began time.Duration = -1
	for _, m := range trace {
		if began < 0 && (m.stops > first || m.pressed) {
			began = m.at
		}
		if began >= 0 && math.Abs(m.rpm) <= atRest && m.read >= began {
			return m.read - began, true
		}
	}
	return 0, false
}

// afterSilence is the motor speed of the first report after none for so long, which counts from an instant on.
func afterSilence(trace []moment, from, least time.Duration) (rpm float64, ok bool) {
	for i := 1; i < len(trace); i++ {
		if a, b := trace[i-1], trace[i]; b.reads > a.reads && b.read-max(a.read, from) >= least {
			return b.rpm, true
		}
	}
	return 0, false
}

// rampOf is the motor's ramp in rpm/s between a fifth and four fifths of a speed, going up or coming down, by the drive's feedback.
func rampOf(trace []moment, n float64, up bool) (float64, bool) {
	low, high := n/5, n*4/5
	var at [2]time.Duration
	found := 0
	cross := func(level float64) bool {
		for i := 1; i < len(trace); i++ {
			a, b := trace[i-1], trace[i]
			if b.reads == a.reads || b.read <= a.read {
				continue
			}
			if up && a.rpm < level && b.rpm >= level || !up && a.rpm > level && b.rpm <= level {
				share := (level - a.rpm) / (b.rpm - a.rpm)
				at[found] = a.read + time.Duration(share*float64(b.read-a.read))
				found++
				return true
			}
		}
		return false
	}
	if !up {
		low, high = high, low
	}
	if !cross(low) || !cross(high) || at[1] <= at[0] {
		return 0, false
	}
	return math.Abs(high-low) / (at[1] - at[0]).Seconds(), true
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// speeds are a slow, a middle and the full speed of the motor.
func (w *work) speeds() []namedSpeed {
	m := w.cfg.Settings.Drive.Motor
	return []namedSpeed{{"slow", w.slow()}, {"middle", units.RPM(math.Round((m.Min.RPM() + m.Max.RPM()) / 2))}, {"full", m.Max}}
}

type namedSpeed struct {
	name string
	n    units.MotorSpeed
}

func (s namedSpeed) String() string { return fmt.Sprintf("%s speed, %.0f rpm", s.name, s.n.RPM()) }

// slow is the speed at which things are tried first: a quarter above the lowest, a fifth of the highest at most.
func (w *work) slow() units.MotorSpeed {
	m := w.cfg.Settings.Drive.Motor
	return units.RPM(math.Round(math.Max(m.Min.RPM(), math.Min(m.Min.RPM()*1.25+10, m.Max.RPM()/5))))
}
