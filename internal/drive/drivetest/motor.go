package drivetest

import (
	"errors"
	"math"
	"sync"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// Errors of a Motor.
var (
	ErrCut     = errors.New("the link is cut")
	ErrGaveUp  = errors.New("gave up for a stop")
	ErrClosed  = errors.New("the link is closed")
	ErrTripped = errors.New("the drive has tripped")
	ErrSpoilt  = errors.New("the answer was garbled, or came too late")
)

// Motor is the plainest motor that keeps the contract of drive.Backend: backend, witness and faults in one, without dead time or noise.
// Tests of what stands before a backend look at it; the suite's own test breaks it in many ways. It may be used from any goroutine.
type Motor struct {
	Ramp     float64       // rpm/s, up and down; 0 means 1000
	LinkLoss time.Duration // without a word for so long it stops by itself; 0 means 1 s

	mu      sync.Mutex
	now     time.Duration // up to which the motor has been followed
	heard   time.Duration // when the drive last heard anything
	want    float64       // rpm
	rpm     float64
	enabled bool
	stopped bool // a Stop was heard, and no Set since
	tripped bool
	cut     bool
	spoilt  bool // the next answer is
	closed  bool
}

// Set enables the motor and gives it a new speed to go to.
func (m *Motor) Set(r drive.Round, o drive.Order) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.hear(r); err != nil {
		return err
	}
	if m.spoilt {
		m.spoilt = false
		return ErrSpoilt
	}
	if m.tripped {
		return ErrTripped
	}
	m.stopped, m.enabled, m.want = false, true, o.Motor().RPM()
	return nil
}

// Read is how fast the motor turns.
func (m *Motor) Read(r drive.Round) (drive.Feedback, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.hear(r); err != nil {
		return drive.Feedback{}, err
	}
	if m.spoilt {
		m.spoilt = false
		return drive.Feedback{}, ErrSpoilt
	}
	f := drive.Feedback{Motor: units.RPM(m.rpm), Enabled: m.enabled}
	if m.tripped {
		f.Fault = ErrTripped.Error()
	}
	return f, nil
}

// Stop begins the quick stop, and acknowledges a fault.
func (m *Motor) Stop(r drive.Round) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.hear(r); err != nil {
		return err
	}
	m.want, m.stopped, m.tripped = 0, true, false
	return nil
}

// Close stops the motor first.
func (m *Motor) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.cut {
		m.want, m.stopped = 0, true
	}
	m.closed = true
	return nil
}

// Motor is the true speed at that time.
func (m *Motor) Motor(now time.Duration) units.MotorSpeed {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.follow(now)
	return units.RPM(m.rpm)
}

// Enabled is whether the power stage is on at that time.
func (m *Motor) Enabled(now time.Duration) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.follow(now)
	return m.enabled
}

// Cut takes the link away.
func (m *Motor) Cut(now time.Duration) { m.at(now, func() { m.cut = true }) }

// Restore gives the link back.
func (m *Motor) Restore(now time.Duration) { m.at(now, func() { m.cut = false }) }

// Trip gives the drive a fault of its own.
func (m *Motor) Trip(now time.Duration) {
	m.at(now, func() { m.tripped, m.want = true, 0 })
}

// Garble makes the next answer of no use.
func (m *Motor) Garble(now time.Duration) { m.at(now, func() { m.spoilt = true }) }

// Delay does the same.
func (m *Motor) Delay(now time.Duration) { m.at(now, func() { m.spoilt = true }) }

// Rival does nothing: who wants this motor has to have the Motor.
func (m *Motor) Rival(time.Duration, units.MotorSpeed) {}

func (m *Motor) at(now time.Duration, do func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.follow(now)
	do()
}

// hear is what every call does first.
func (m *Motor) hear(r drive.Round) error {
	m.follow(r.Elapsed)
	select {
	case <-r.Stop:
		return ErrGaveUp
	default:
	}
	switch {
	case m.closed:
		return ErrClosed
	case m.cut:
		return ErrCut
	}
	m.heard = r.Elapsed
	return nil
}

// follow lets the motor turn until then: up to its link-loss time it does what it was told, after that it stops.
func (m *Motor) follow(until time.Duration) {
	loss := m.LinkLoss
	if loss == 0 {
		loss = time.Second
	}
	if lost := m.heard + loss; m.enabled && until > lost {
		m.turn(lost)
		m.want, m.stopped = 0, true
	}
	m.turn(until)
	if m.rpm == 0 && (m.stopped || m.tripped) {
		m.enabled = false
	}
}

func (m *Motor) turn(until time.Duration) {
	if until <= m.now {
		return
	}
	ramp := m.Ramp
	if ramp == 0 {
		ramp = 1000
	}
	step := ramp * (until - m.now).Seconds()
	m.rpm += math.Max(-step, math.Min(m.want-m.rpm, step))
	m.now = until
}
