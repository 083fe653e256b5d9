// Package serial is a drive backend for a motor drive on a serial line (MODBUS RTU over RS-485): drives with the velocity mode of CiA 402, and plain
// variable-frequency drives, each by a map of its registers.
package serial

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// Config is the line, the drive at its end, and what is set in that drive.
type Config struct {
	Port      string        // the device, as /dev/serial/by-id/…
	Baud      int           // one of Speeds
	Parity    string        // None, Even or Odd
	StopBits  int           // 1 or 2
	Address   int           // of the drive on the line, 1 to 247
	Answer    time.Duration // the drive begins its answer within this, 5 to 100 ms; what is later counts as none
	Slowest   time.Duration // and none can come after this, Answer to 1 s
	LinkLoss  time.Duration // is set in the drive: without being spoken to for so long it stops by itself, 200 ms to 10 s
	PolePairs int           // of the motor, 1 to 12, for drives that count in Hz: 2 is a motor of about 1450 rpm at 50 Hz

	RampRPMPerSecond      float64          // is set in the drive, where its map has ramps; 0: left as it is
	QuickStopRPMPerSecond float64          // likewise, for stops
	Highest               units.MotorSpeed // the fastest that will be ordered
	Map                   *Map             `json:"-"`
}

func (c Config) check() error {
	var errs []error
	within := func(name string, v, low, high float64, unit string) {
		if !(v >= low && v <= high) {
			errs = append(errs, fmt.Errorf("serial drive, %s %g%s: allowed is %g to %g%s", name, v, unit, low, high, unit))
		}
	}
	if c.Port == "" {
		errs = append(errs, errors.New("serial drive: port names no device"))
	}
	if _, ok := speeds[c.Baud]; !ok {
		errs = append(errs, fmt.Errorf("serial drive, baud %d: allowed is one of %v", c.Baud, Speeds()))
	}
	if !slices.Contains([]string{None, Even, Odd}, c.Parity) {
		errs = append(errs, fmt.Errorf("serial drive, parity %q: allowed is %q, %q or %q", c.Parity, None, Even, Odd))
	}
	within("stop bits", float64(c.StopBits), 1, 2, "")
	within("address", float64(c.Address), 1, 247, "")
	within("answer", c.Answer.Seconds(), .005, .1, " s")
	within("slowest answer", c.Slowest.Seconds(), c.Answer.Seconds(), 1, " s")
	within("link loss", c.LinkLoss.Seconds(), .2, 10, " s")
	within("pole pairs", float64(c.PolePairs), 1, 12, "")
	within("ramp", c.RampRPMPerSecond, 0, 100_000, " rpm/s")
	within("quick stop", c.QuickStopRPMPerSecond, 0, 100_000, " rpm/s")
	return errors.Join(errs...)
}

// phase is how far a drive has been let.
type phase int

const (
	idle     phase = iota // nothing moves it before a stop has got through
	stopped               // a stop has got through; the next Set may start it
	starting              // it has been told to start, and has not yet said that it follows
	running               // it follows; when it says that it does not, that is the end of it
)

// At rest, and in how much time a drive has to follow once it is told to.
const (
	atRest      = 1.0 // rpm, as everywhere in the drive
	startWithin = 3 * time.Second
)

// Between two tries to open a line that is gone.
const (
	firstBackoff = 100 * time.Millisecond
	lastBackoff  = 2 * time.Second
)

// preparing is how far into a read one more parameter is looked at. At 19200 baud it is over after the first, so that an exchange fits a tick.
const preparing = 20 * time.Millisecond

// A flow sensor that takes a request of its own is read so often; where no answer comes, each time after twice as long, up to a minute: a drive that is silent at it
// costs the line as much as any answer that is missing. What it showed counts for so long after it should have been read again.
const (
	senseEvery = time.Second
	senseRare  = time.Minute
	senseLate  = 2 * time.Second

	senseSlowest = 200 * time.Millisecond // of any answer of the drive: the line is kept for as long after one that is missed
)

// closing is how long the last stop may take.
const closing = 100 * time.Millisecond

var errClosed = errors.New("serial drive: closed")

// Backend is a drive on a serial line. The line is opened by the first call, and opened anew when its device was gone.
type Backend struct {
	cfg    Config
	unit   byte
	blocks []block
	master master
	setup  setup
	closed bool

	phase  phase
	why    error // that it is idle
	fell   error // it is idle by its own doing: since the last stop it has stopped by itself, or did not start
	clear  bool  // a stop has got through since it was last looked at: a fault is to be acknowledged
	begun  time.Duration
	said   said
	rpm    float64 // actual
	code   uint16
	alone  bool          // the flow sensor takes a request of its own
	due    time.Duration // when that is to be made
	rhythm time.Duration // and how long after that again
	sensed drive.Sensed
	heard  time.Duration // when a request was sent that was answered
	retry  time.Duration // when a line that is gone may be opened again
	wait   time.Duration
	rounds struct { // the call under way
		elapsed time.Duration
		at      time.Time
	}
}

// New makes a backend. The error names each value that is not allowed, and what is. Nothing is opened yet.
func New(c Config) (*Backend, error) {
	if c.Map == nil {
		return nil, errors.New("serial drive: it needs a map of its registers")
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	if most := c.Map.highest(c.PolePairs); c.Highest.RPM() > most.RPM() {
		return nil, fmt.Errorf("serial drive: %v cannot be told to this drive; by its map and %d pole pairs it counts to %v", c.Highest, c.PolePairs, most)
	}
	want, err := c.parameters()
	if err != nil {
		return nil, fmt.Errorf("serial drive: %w", err)
	}
	b := &Backend{cfg: c, unit: byte(c.Address), blocks: c.Map.blocks(true), why: errors.New("nothing was stopped yet on this line")}
	b.alone = c.Map.flow.there && !slices.ContainsFunc(b.blocks, func(bl block) bool { return bl.has(roleFlow) })
	if b.alone && c.Slowest > senseSlowest {
		return nil, fmt.Errorf("serial drive: slowest answer %v: allowed is at most %v where a flow sensor takes a request of its own, or one that is missed stops a swim", c.Slowest, senseSlowest)
	}
	b.master.timing = timingFor(c.Baud, c.Parity, c.StopBits, c.Answer, c.Slowest)
	b.setup = setup{want: want, unit: b.unit, write: c.Map.control.function}
	return b, nil
}

// Set brings the drive a step nearer to following, and gives it its target. It starts a drive only after a stop, and only one whose parameters have been
// looked at; until they have, it does nothing.
func (b *Backend) Set(r drive.Round, o drive.Order) error {
	c, err := b.enter(r)
	if err != nil {
		return err
	}
	switch {
	case closed(r.Stop):
		return errGaveUp
	case b.phase == idle:
		return fmt.Errorf("the drive is left idle until the next stop: %w", b.why)
	case b.said.fault:
		return fmt.Errorf("the drive has a fault: %s", b.said)
	case b.setup.failed != nil:
		return b.setup.failed
	case !b.said.known || !b.setup.done() && b.phase == stopped:
		return nil
	case b.phase == stopped && b.said.enabled: // not yet done with its stop
		return b.control(c, b.halt())
	case b.phase == stopped:
		b.phase, b.begun = starting, b.now()
	case b.phase == starting && b.now()-b.begun > startWithin:
		b.fell = fmt.Errorf("the drive does not start: %s after %v", b.said, startWithin)
		b.leave(b.fell)
		return b.fell
	}
	return b.command(c, b.cfg.Map.profile.next(b.said), b.cfg.Map.target.number(o.Motor(), b.cfg.PolePairs))
}

// Read asks how the drive is, and, while it does not run, looks at one of its parameters.
func (b *Backend) Read(r drive.Round) (drive.Feedback, error) {
	c, err := b.enter(r)
	if err != nil {
		return drive.Feedback{}, err
	}
	if err := b.look(c); err != nil {
		return drive.Feedback{}, err
	}
	switch {
	case b.phase == starting && b.said.running:
		b.phase = running
	case b.phase == running && !b.said.running:
		b.fell = fmt.Errorf("the drive has stopped by itself: %s", b.said)
		b.leave(b.fell)
	case b.clear && !b.turning():
		if b.said.fault {
			err = b.acknowledge(c)
		}
		b.clear = err != nil // once, but it has to get through
	case b.phase == idle || b.phase == stopped:
		b.prepare(c)
	}
	if err != nil {
		return drive.Feedback{}, fmt.Errorf("cannot acknowledge the drive's fault: %w", err)
	}
	f := drive.Feedback{Motor: units.RPM(b.rpm), Enabled: b.said.enabled, Fault: b.fault()}
	b.sense(c)
	f.Sensed = b.sensed
	return f, nil
}

// sense reads a flow sensor that is not read with all else. It comes last, so that a stop waits for it no longer than for any other request under way, and what
// becomes of it is no error.
func (b *Backend) sense(c call) {
	if !b.alone || b.now() < b.due {
		return
	}
	g := b.cfg.Map.flow
	held, err := b.ask(c, readRequest(b.unit, g.function, g.address, 1))
	switch no := (refusal{}); {
	case err == nil:
		b.sensed, b.rhythm = g.sensed(held[0]), senseEvery
	case errors.As(err, &no):
		b.sensed, b.rhythm = drive.Sensed{}, senseEvery
	case errors.Is(err, errGaveUp) || errors.Is(err, errDeadline) || errors.Is(err, errLate): // no time for it in this round
		if b.now()-b.due > senseLate {
			b.sensed = drive.Sensed{}
		}
		return
	default:
		b.sensed, b.rhythm = drive.Sensed{}, min(max(2*b.rhythm, senseEvery), senseRare)
	}
	b.due = b.now() + b.rhythm
}

// Stop begins the drive's quick stop. A fault that the next Read finds is acknowledged once, as soon as the motor is at rest.
func (b *Backend) Stop(r drive.Round) error {
	c, err := b.enter(r)
	if err != nil {
		return err
	}
	c.first = true
	b.leave(errors.New("the stop has not got through"))
	b.setup.restart()
	if err := b.control(c, b.halt()); err != nil {
		return err
	}
	b.phase, b.fell, b.clear = stopped, nil, true
	return nil
}

// Close stops the drive, as far as the line carries the stop, and closes the line.
func (b *Backend) Close() error {
	if b.closed {
		return nil
	}
	b.retry = 0
	err := b.Stop(drive.Round{Elapsed: b.rounds.elapsed, Until: b.rounds.elapsed + closing})
	b.drop()
	b.closed = true
	if err != nil {
		return fmt.Errorf("the drive could not be stopped before its line was closed: %w", err)
	}
	return nil
}

// LetGo closes the line without a word, so that another process can use it. The next call opens it anew.
func (b *Backend) LetGo() { b.drop() }

// enter begins a call: it sees to an open line, and to what has become of the drive since the last.
func (b *Backend) enter(r drive.Round) (call, error) {
	b.rounds.elapsed, b.rounds.at = r.Elapsed, time.Now()
	c := call{until: b.rounds.at.Add(r.Until - r.Elapsed), stop: r.Stop}
	if b.closed {
		return c, errClosed
	}
	if silent := r.Elapsed - b.heard; (b.phase == starting || b.phase == running) && silent > b.cfg.LinkLoss/2 {
		b.leave(fmt.Errorf("it did not answer for %v, and may have stopped by itself", silent.Round(time.Millisecond)))
	}
	if b.master.port != nil {
		return c, nil
	}
	if r.Elapsed < b.retry {
		return c, fmt.Errorf("the serial line %s is gone; it is tried again every %v", b.cfg.Port, b.wait)
	}
	p, err := openPort(b.cfg.Port, b.cfg.Baud, b.cfg.Parity, b.cfg.StopBits)
	if err != nil {
		b.backOff()
		return c, err
	}
	b.master = master{timing: b.master.timing, port: p}
	return c, nil
}

// now is the elapsed time.
func (b *Backend) now() time.Duration { return b.rounds.elapsed + time.Since(b.rounds.at) }

// leave lets go of the drive: nothing moves it before the next stop.
func (b *Backend) leave(why error) { b.phase, b.why = idle, why }

// drop closes the line; what was known of the drive is no longer.
func (b *Backend) drop() {
	if b.master.port != nil {
		b.master.port.close()
		b.master.port = nil
	}
	b.said, b.sensed, b.due = said{}, drive.Sensed{}, 0
	b.setup.restart()
	b.leave(errors.New("the serial line was gone"))
}

func (b *Backend) backOff() {
	b.wait = min(max(2*b.wait, firstBackoff), lastBackoff)
	b.retry = b.now() + b.wait
}

// ask is one request.
func (b *Backend) ask(c call, q request) ([]uint16, error) {
	registers, sent, err := b.master.ask(c, q)
	var no refusal
	var other notTaken
	switch {
	case err == nil || errors.As(err, &no) || errors.As(err, &other):
		b.heard = b.rounds.elapsed + sent.Sub(b.rounds.at)
		b.wait = 0
		return registers, err
	case b.master.port.broken():
		b.drop()
		b.backOff()
	case b.phase == idle || b.phase == stopped:
		b.setup.restart() // whoever does not answer may have been switched off and on
	}
	return nil, err
}

// look reads status, speed, where it stands beside them what a flow sensor shows, and where there is one the code of a fault.
func (b *Backend) look(c call) error {
	var held [roles]uint16
	for i, bl := range b.blocks {
		if len(bl.roles) == 1 && bl.roles[0] == roleCode && !b.said.fault {
			continue
		}
		q := readRequest(b.unit, bl.function, bl.address, len(bl.roles))
		registers, err := b.ask(c, q)
		if err != nil {
			err = fmt.Errorf("cannot read the drive (block %d of %d): %w", i+1, len(b.blocks), err)
			if no := (refusal{}); bl.has(roleFlow) && errors.As(err, &no) && no.code != busy { // a sensor that is not there must not keep the drive from being read
				b.blocks, b.alone = b.cfg.Map.blocks(false), true
			}
			return err
		}
		for j, role := range bl.roles {
			held[role] = registers[j]
		}
		if bl.has(roleFlow) {
			b.sensed = b.cfg.Map.flow.sensed(registers[slices.Index(bl.roles, roleFlow)])
		}
	}
	b.said = b.cfg.Map.profile.understand(held[roleStatus])
	b.rpm = b.cfg.Map.actual.value(held[roleActual], b.cfg.PolePairs).RPM()
	b.code = held[roleCode]
	return nil
}

// prepare looks at a parameter, and at more while there is time. What the line does to that is no trouble: they are looked at again.
func (b *Backend) prepare(c call) {
	for first := true; first || time.Since(b.rounds.at) < preparing; first = false {
		q, ok := b.setup.step(b.now())
		if !ok {
			return
		}
		held, err := b.ask(c, q)
		if b.master.port == nil {
			return
		}
		b.setup.took(b.now(), held, err)
	}
}

// fault is what keeps the drive from running.
func (b *Backend) fault() string {
	switch {
	case b.said.fault && b.cfg.Map.code.there:
		return fmt.Sprintf("%s, code %d (%04Xh)", b.said, b.code, b.code)
	case b.said.fault:
		return b.said.String()
	case b.setup.failed != nil:
		return b.setup.failed.Error()
	case b.fell != nil:
		return b.fell.Error()
	}
	return ""
}

func (b *Backend) halt() uint16 { return b.cfg.Map.profile.halt(b.said, b.turning()) }

func (b *Backend) turning() bool { return !(math.Abs(b.rpm) < atRest) }

// control writes the control register alone.
func (b *Backend) control(c call, word uint16) error {
	g := b.cfg.Map.control
	_, err := b.ask(c, writeRequest(b.unit, g.function, g.address, word))
	return err
}

// command writes the target, and the control word only to a drive that does not follow yet: one that has stopped by itself since it was last read must
// not be started again by a word that was meant for a running one.
func (b *Backend) command(c call, word, target uint16) error {
	g := b.cfg.Map.target
	if _, err := b.ask(c, writeRequest(b.unit, g.function, g.address, target)); err != nil || b.phase == running {
		return err
	}
	if closed(c.stop) {
		return errGaveUp
	}
	return b.control(c, word)
}

// acknowledge makes the edge that resets a fault: up, and down again.
func (b *Backend) acknowledge(c call) error {
	if m := b.cfg.Map; m.reset.there {
		_, err := b.ask(c, writeRequest(b.unit, m.reset.function, m.reset.address, m.resetWith))
		return err
	}
	if err := b.control(c, b.cfg.Map.profile.clear()); err != nil {
		return err
	}
	return b.control(c, b.halt())
}
