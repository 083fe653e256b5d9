package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// tellNo turns a motor that did not do as it was told into a finding; any other error stays one.
func (w *work) tellNo(what string, n units.MotorSpeed, err error) error {
	var m *motorError
	if !errors.As(err, &m) || m.brokenOff() {
		return err
	}
	w.bad(what, m.text, fmt.Sprintf("%.0f rpm, within %g %% and %g rpm", n.RPM(), 100*shareOff, atRest), w.motorDo(m.code))
	return nil
}

// motorDo is what to look at, by what the guard said.
func (w *work) motorDo(c fault.Code) string {
	switch c {
	case fault.MotorSlow:
		return fmt.Sprintf("the motor follows slower than its ramp: set the drive's ramp to %g rpm/s, or drive.accel_rpm_per_s to what the drive has", w.cfg.Settings.Drive.Motor.RPMPerSecond)
	case fault.MotorFast:
		return "the motor turns faster than ordered: look at the scale of speeds in the drive, in its map, and at the pole pairs"
	case fault.DriveFault:
		return "read the fault on the drive's own display, and mend its cause"
	case fault.LinkLost, fault.FeedbackOld:
		return "look at the link to the drive: connectors, shield, terminating resistors"
	}
	return "look at the scale of speeds in the drive and in its map, and at the pole pairs"
}

// driveAnswers: the link works both ways, and the drive has no fault.
func driveAnswers(ctx context.Context, w *work) error {
	answers := func(s *sequencer.Snapshot) bool { return s.Drive.Reads > 1 && s.Drive.Link == nil }
	ok, err := w.until(ctx, 10*time.Second, answers)
	if err != nil {
		return err
	}
	s, _ := w.cfg.Sequencer.Snapshot()
	if !ok {
		said := "no answer"
		if s.Drive.Link != nil {
			said += ": " + s.Drive.Link.Error()
		}
		w.bad("The drive answers", said, "an answer", w.linkDo())
		return nil
	}
	w.good("The drive answers", "yes", "an answer")
	w.within(s.Drive.Fault == "", "Its fault", map[bool]string{true: "none", false: s.Drive.Fault}[s.Drive.Fault == ""], "none", w.motorDo(fault.DriveFault))
	w.within(math.Abs(s.Motor.RPM()) <= atRest, "Its motor", s.Motor.String(), "at rest", "it turns although nothing was ordered: switch the drive off, and have it looked at")
	w.sensor("Flow sensor, the motor at rest")
	w.noted(linkLossFinding, w.linkLoss().String())
	return nil
}

// sensor notes what a flow sensor shows, where there is one.
func (w *work) sensor(what string) {
	if s, _ := w.cfg.Sequencer.Snapshot(); s.Drive.Sensed.Known {
		w.noted(what, s.Drive.Sensed.Speed.String())
	}
}

// linkLossFinding is what the page that is handed over looks for.
const linkLossFinding = "Link-loss time in the configuration"

// linkDo is what to look at where a drive does not answer.
func (w *work) linkDo() string {
	switch d := w.cfg.Settings.Drive; d.Backend {
	case "serial":
		c := d.Serial
		return fmt.Sprintf("compare with the drive: %d baud, parity %s, %d stop bits, address %d; then look whether A and B are swapped, at shield and terminating resistors", c.Baud, c.Parity, c.StopBits, c.Address)
	case "mqtt":
		return fmt.Sprintf("look whether node and broker %s are switched on and in one network, and whether user, password and topic %s are the node's", d.MQTT.URL, d.MQTT.Topic)
	}
	return "look at the simulated faults in the configuration"
}

// firstTurn: the first time that anything moves. Scale and direction are seen by a person, as the drive cannot know them.
func firstTurn(ctx context.Context, w *work) error {
	n := w.slow()
	if err := w.go_(ctx, fmt.Sprintf("The motor will turn at %.0f rpm for up to five minutes. Nobody in the water, nobody at outlet or suction, a hand at the emergency stop.", n.RPM())); err != nil {
		return err
	}
	if err := w.turn(ctx, n, 5*time.Minute); err != nil {
		return w.tellNo("Ordered and reported speed", n, err)
	}
	s, _ := w.cfg.Sequencer.Snapshot()
	w.good("Ordered and reported speed", fmt.Sprintf("%.0f and %.0f rpm", n.RPM(), s.Motor.RPM()), fmt.Sprintf("within %g %% and %g rpm", 100*shareOff, atRest))
	w.sensor(fmt.Sprintf("Flow sensor, the motor at %.0f rpm", n.RPM()))
	if err := w.scale(ctx, n); err != nil {
		return err
	}
	a, err := w.choose(ctx, "Look at the water: does it leave the outlet towards the swimmer (right), the other way (wrong), or not move at all (none)?", "right", "wrong", "none")
	if err != nil {
		return err
	}
	w.within(a == "right", "The water flows", map[string]string{"right": "from the outlet to the swimmer", "wrong": "the wrong way", "none": "not at all"}[a], "from the outlet to the swimmer",
		map[string]string{"wrong": "the motor turns backwards: have the electrician swap two of the motor's phases, or set its direction in the drive",
			"none": "look at coupling and impeller, and whether air is in the way"}[a])
	return w.halt(ctx)
}

// scale holds the ordered speed against what the drive's own display shows, in rpm or Hz.
func (w *work) scale(ctx context.Context, n units.MotorSpeed) error {
	for {
		a, err := w.text(ctx, `What does the drive's own display, or a hand tachometer, show? A number with its unit, as in "150 rpm" or "5.0 Hz"; "none" where neither is there`)
		if err != nil {
			return err
		}
		if strings.EqualFold(a, "none") {
			w.noted("The drive's own display", "none to compare with: the scale is not proven")
			return nil
		}
		var unit string
		number := strings.TrimRight(a, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ/ ")
		unit = strings.ToLower(strings.TrimSpace(a[len(number):]))
		v, err := strconv.ParseFloat(number, 64)
		want := n.RPM()
		if unit == "hz" {
			want = n.RPM() / 60 * float64(w.polePairs())
		}
		if err != nil || v < 0 || math.IsInf(v, 0) || math.IsNaN(v) || unit != "hz" && unit != "rpm" {
			w.say("%q: write a number and rpm or Hz, with a point for decimals.", a)
			continue
		}
		if unit == "hz" {
			unit = "Hz"
		}
		off := math.Abs(v-want) / want
		w.within(off <= 0.03, "The drive's own display", fmt.Sprintf("%g %s", v, unit), fmt.Sprintf("%.4g %s, within 3 %%", want, unit),
			fmt.Sprintf("ordered and shown differ by a factor of %.3g: look at the scale in the drive's map and at the pole pairs", v/want))
		return nil
	}
}

// polePairs are the motor's, where the configuration knows them; else those of a motor of about 1450 rpm at 50 Hz.
func (w *work) polePairs() int {
	if d := w.cfg.Settings.Drive; d.Backend == "serial" && d.Serial.PolePairs > 0 {
		return d.Serial.PolePairs
	}
	return 2
}

// silence: the program says nothing for a while, and the motor has to be at rest when it is asked again.
func silence(ctx context.Context, w *work) error {
	if err := w.go_(ctx, fmt.Sprintf("The motor will turn at %.0f rpm, then the program falls silent and the drive has to stop by itself. Nobody in the water.", w.slow().RPM())); err != nil {
		return err
	}
	return w.silent(ctx, namedSpeed{"slow", w.slow()})
}

func (w *work) silent(ctx context.Context, at namedSpeed) error {
	allowed := w.linkLoss() + w.bound(at.n)
	what := fmt.Sprintf("After a silence of %.1f s at %v, the motor", allowed.Seconds(), at)
	if err := w.turn(ctx, at.n, time.Minute); err != nil {
		return w.tellNo(what, at.n, err)
	}
	if err := w.cfg.Sequencer.Hush(ctx, allowed); err != nil {
		return err
	}
	return w.afterwards(ctx, what, allowed)
}

// afterwards asks the drive after a silence of so long whether its motor rests.
func (w *work) afterwards(ctx context.Context, what string, allowed time.Duration) error {
	s, _ := w.cfg.Sequencer.Snapshot()
	from := s.At
	var rpm float64
	heard, err := w.until(ctx, allowed+10*time.Second, func(s *sequencer.Snapshot) (ok bool) {
		rpm, ok = afterSilence(w.moments(), from, allowed*3/4)
		return ok || s.Drive.Pressed > w.agreed || BrokenOff(over(s))
	})
	if err != nil {
		return err
	}
	switch s, _ := w.cfg.Sequencer.Snapshot(); { // it rests, or not, for a reason that is not the drive's own stop
	case s.Drive.Pressed > w.agreed:
		return &motorError{code: fault.StopPressed, text: fault.Of(fault.StopPressed).Text()}
	case BrokenOff(over(&s)):
		return over(&s)
	}
	switch {
	case !heard:
		w.bad(what, "cannot be asked: the link did not come back", "at rest", w.linkDo())
	case math.Abs(rpm) <= atRest:
		w.good(what, "at rest", fmt.Sprintf("at rest, by itself: after %v at most, and the way down", w.linkLoss()))
	default:
		w.bad(what, fmt.Sprintf("turns at %.0f rpm", rpm), "at rest", fmt.Sprintf("the drive goes on without anybody commanding it: set its link-loss time (communication time-out) to %v, with a stop as its answer", w.linkLoss()))
	}
	return w.settle(ctx)
}

// settle waits for the motor to rest after a stop of whatever kind, so that the next thing can begin.
func (w *work) settle(ctx context.Context) error {
	rest, err := w.until(ctx, toRest, func(s *sequencer.Snapshot) bool { return s.Drive.Link == nil && math.Abs(s.Motor.RPM()) <= atRest })
	if err == nil && !rest {
		w.bad("The motor comes to rest", "no", "yes", "press the emergency stop; switch the drive off, and have it looked at")
	}
	return err
}

const relayQuestion = "Is there a relay in the drive's enable line that the heartbeat holds?"

// beats reports whether a heartbeat is wired.
func (w *work) beats() bool {
	_, ok := w.cfg.Settings.Wall.Fitted()[wall.HeartbeatPin]
	return ok
}

// relay: the heartbeat stands still, and the drive's enable has to go.
func relay(ctx context.Context, w *work) error {
	if !w.beats() {
		return w.notFitted("No heartbeat is wired (wall.heartbeat_pin).")
	}
	held, err := w.yes(ctx, relayQuestion)
	if err != nil {
		return err
	}
	if !held {
		return w.notFitted("No relay hangs on the heartbeat.")
	}
	return w.dropped(ctx, namedSpeed{"slow", w.slow()})
}

// dropped: the heartbeat stands still while the motor turns.
func (w *work) dropped(ctx context.Context, at namedSpeed) error {
	n := at.n
	if err := w.go_(ctx, fmt.Sprintf("The motor will turn at %v, then the heartbeat stands still. Nobody in the water, nobody at outlet or suction.", at)); err != nil {
		return err
	}
	what := fmt.Sprintf("Heartbeat still at %v, the motor is at rest after", at)
	if err := w.turn(ctx, n, time.Minute); err != nil {
		return w.tellNo(what, n, err)
	}
	allowed := time.Second + w.bound(n) // a watchdog relay waits for a few beats
	s, _ := w.cfg.Sequencer.Snapshot()
	began := s.At
	if err := w.cfg.Sequencer.Try(ctx, sequencer.Trial{NoHeartbeat: true}, 3*allowed); err != nil {
		return err
	}
	var took time.Duration
	rest, err := w.until(ctx, 2*allowed, func(s *sequencer.Snapshot) bool {
		took = s.At - began
		return math.Abs(s.Motor.RPM()) <= atRest
	})
	if err != nil {
		return err
	}
	if s, _ := w.cfg.Sequencer.Snapshot(); s.State == run.Stopped {
		if err := over(&s); BrokenOff(err) { // it rests for a reason that is not the relay's
			return err
		}
	}
	if !rest {
		w.bad(what, "never: it turns on", inSeconds(allowed)+" at most", "the relay does not drop: welded, bridged, or not in the drive's enable line. Do not use this flume before it does")
		return w.halt(ctx)
	}
	w.within(took <= allowed, what, inSeconds(took), inSeconds(allowed)+" at most", "look at the relay's own delay, and at the drive's reaction to a lost enable")
	if err := w.halt(ctx); err != nil { // first: a drive that gets its enable back would turn again
		return err
	}
	return w.cfg.Sequencer.Try(ctx, sequencer.Trial{}, 0)
}

func inSeconds(d time.Duration) string { return fmt.Sprintf("%.2f s", d.Seconds()) }
