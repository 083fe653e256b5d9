package simulated

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// State is what the motor's drive is doing.
type State uint8

// The states. An order leads from Disabled over Enabling to Running; a stop over QuickStop to Disabled. Link loss leads over QuickStop, a trip at once, to Fault,
// which only a stop ends: no order restarts a motor that has stopped by itself.
const (
	Disabled State = iota
	Enabling
	Running
	QuickStop
	Fault
)

var stateNames = [...]string{"disabled", "enabling", "running", "quick stop", "fault"}

func (s State) String() string { return stateNames[s] }

// What Feedback.Fault says.
const (
	tripped  = "motor tripped"
	linkLoss = "link lost, stopped by itself"
)

// command is an order, or a stop, on its way to its effect.
type command struct {
	at   time.Duration
	rpm  float64
	stop bool
}

// motor is the motor and its drive. It goes from event to event; between them the shaft ramps or turns evenly, and the water has a closed form.
type motor struct {
	shaft
	plant plant

	max, ramp, quick         float64 // rpm, rpm/s, rpm/s
	dead, linkLoss, enabling time.Duration
	sensor                   float64         // shows this share of the water's speed; 0 for none
	trips                    []time.Duration // those to come, in order

	now     time.Duration
	state   State
	pending []command // in the order of time
	want    float64   // rpm ordered last, for when it is enabled
	again   bool      // an order came after the stop: enable again when at rest
	heard   time.Duration
	ready   time.Duration // while Enabling: when it runs
	rest    time.Duration // while QuickStop or Fault: when the shaft is at rest
	fault   string
	stopped bool // a stop was heard since the fault began
}

func (m *motor) feedback() drive.Feedback {
	f := drive.Feedback{Motor: units.RPM(m.rpm), Enabled: m.state == Running || m.state == QuickStop, Fault: m.fault}
	if m.sensor > 0 {
		v, _ := m.plant.truth(m.now)
		f.Sensed = drive.Sensed{Known: true, Speed: units.MetresPerSecond(v.MetresPerSecond() * m.sensor)}
	}
	return f
}

// refuses reports whether the motor takes no order because it has stopped by itself.
func (m *motor) refuses() bool { return m.fault != "" && !m.stopped }

// order takes a command that was heard now.
func (m *motor) order(c command) {
	if c.stop {
		m.stopped = true
	}
	if m.dead == 0 {
		m.act(c)
		return
	}
	c.at = m.now + m.dead
	m.pending = append(m.pending, c)
}

// advance lets time go on. A time that has passed already changes nothing.
func (m *motor) advance(to time.Duration) {
	if to < m.now {
		return
	}
	for {
		at, event := m.next(to)
		m.now = max(m.now, at)
		if event == nil {
			break
		}
		event(m)
	}
	m.follow(m.now)
}

// next is the first event until then, or that time.
func (m *motor) next(to time.Duration) (at time.Duration, event func(*motor)) {
	at = to
	if len(m.pending) > 0 && m.pending[0].at <= at {
		at, event = m.pending[0].at, (*motor).actNext
	}
	switch m.state {
	case Enabling:
		if m.ready <= at {
			at, event = m.ready, (*motor).run
		}
	case QuickStop:
		if m.rest <= at {
			at, event = m.rest, (*motor).atRest
		}
	case Fault:
		if m.stopped && m.rest <= at {
			at, event = m.rest, (*motor).atRest
		}
	}
	if lost := m.heard + m.linkLoss; lost <= at && (m.state == Enabling || m.state == Running || m.again) {
		at, event = lost, (*motor).loseLink
	}
	if len(m.trips) > 0 && m.trips[0] <= at {
		at, event = m.trips[0], (*motor).trip
	}
	return at, event
}

func (m *motor) actNext() {
	c := m.pending[0]
	m.pending = m.pending[:copy(m.pending, m.pending[1:])]
	m.act(c)
}

func (m *motor) act(c command) {
	if c.stop {
		m.again = false
		switch m.state {
		case Enabling:
			m.state = Disabled
		case Running:
			m.runDown(QuickStop)
		}
		return
	}
	if m.refuses() { // it was heard before the fault
		return
	}
	m.want = c.rpm
	switch m.state {
	case Disabled:
		m.enable()
	case Running:
		m.steer(m.target(), m.ramp)
	case QuickStop, Fault:
		m.again = true
	}
}

// target is the wanted speed as the motor can turn: below its lowest speed it stands.
func (m *motor) target() float64 {
	if !(m.want >= m.lowest) {
		return 0
	}
	return math.Min(m.want, m.max)
}

func (m *motor) enable() {
	m.state, m.ready = Enabling, m.now+m.enabling
	if m.enabling == 0 {
		m.run()
	}
}

func (m *motor) run() {
	m.state = Running
	m.steer(m.target(), m.ramp)
}

// runDown is the quick stop, and the run-down of a motor without power, which the water brakes about as fast.
func (m *motor) runDown(s State) {
	m.steer(0, m.quick)
	m.state, m.rest = s, m.now+m.toRest()
}

// atRest ends a run-down.
func (m *motor) atRest() {
	m.follow(m.now)
	m.rpm = 0 // where a nanosecond of rounding is missing
	if m.fault != "" && !m.stopped {
		m.state = Fault
		m.again = false
		return
	}
	m.state, m.fault = Disabled, ""
	if m.again {
		m.again = false
		m.enable()
	}
}

func (m *motor) loseLink() {
	m.again = false
	switch m.state {
	case Enabling, Running:
		m.fault, m.stopped = linkLoss, false
		m.runDown(QuickStop)
	}
}

func (m *motor) trip() {
	m.trips = m.trips[1:]
	m.fault, m.stopped, m.again = tripped, false, false
	m.runDown(Fault)
}

// steer gives the shaft a new goal from now on.
func (m *motor) steer(goal, rate float64) {
	if goal == m.goal && (rate == m.rate || m.rpm == goal) {
		return
	}
	m.follow(m.now)
	m.goal, m.rate = goal, rate
	m.jump()
}

// Longest pieces of time that are taken at once: while the shaft ramps (the square of the steady speed is taken as a straight line over a piece: below
// 1e-5 m/s of error a piece on any ramp of a motor), and while the noise wanders.
const (
	rampPiece  = 20 * time.Millisecond
	noisePiece = 250 * time.Millisecond
)

// follow lets the water follow the shaft until then.
func (m *motor) follow(until time.Duration) {
	for m.plant.at < until {
		dt := until - m.plant.at
		n := m.rpm
		if n != m.goal {
			dt = min(dt, rampPiece)
			dt = m.turn(dt)
		} else if m.plant.noise.size > 0 {
			dt = min(dt, noisePiece)
		}
		m.plant.follow(n, m.rpm, dt)
		m.jump()
	}
}

// shaft turns towards its goal with its rate, at 0 or at its lowest speed and above, never between: that step it takes at once.
type shaft struct {
	rpm, goal, rate float64 // rate in rpm/s; 0 is at once
	lowest          float64
}

// jump takes the steps that need no time.
func (s *shaft) jump() {
	switch {
	case s.rpm == s.goal:
	case s.rate == 0, s.goal == 0 && s.rpm <= s.lowest:
		s.rpm = s.goal
	default:
		s.rpm = math.Max(s.rpm, s.lowest)
	}
}

// turn ramps for at most dt, and says for how long.
func (s *shaft) turn(dt time.Duration) time.Duration {
	to := math.Max(s.goal, s.lowest)
	way := to - s.rpm
	if needed := duration(math.Abs(way) / s.rate); needed <= dt {
		s.rpm = to
		return max(needed, 1)
	}
	s.rpm += math.Copysign(s.rate*dt.Seconds(), way)
	return dt
}

// toRest is how long a shaft on its way to 0 needs.
func (s *shaft) toRest() time.Duration {
	if s.rpm == 0 {
		return 0
	}
	return duration((s.rpm - s.lowest) / s.rate)
}

// duration is so many seconds, rounded up to the nanosecond; at most a century.
func duration(seconds float64) time.Duration {
	return time.Duration(math.Ceil(math.Min(seconds, 3e9) * 1e9))
}
