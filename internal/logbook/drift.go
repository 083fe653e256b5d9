package logbook

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/survey"
	"flume.example/sequencerd/internal/units"
)

const (
	// settled is how much an order may change in a second for the motor to be expected at it: in a ramp it is behind, and after a rest it first switches on.
	settled = 10 // rpm
	// apart is how far two samples may lie apart, which are a second: more is a gap, of which nothing is known.
	apart = 1500 * time.Millisecond
	// even is how much the water may change in a second to count as steady, and steady for how long it has to be before a flow sensor shows it: these are
	// damped by a few seconds (common practice, no source).
	even   = 0.01 // m/s
	damped = 5 * time.Second
)

// drift takes up how fast the motor turned beside what was ordered, wherever the order was steady; and, where there is a flow sensor, what it showed beside the
// model's water, wherever that was driven and steady.
type drift struct {
	survey.Tally
	at      time.Duration
	ordered units.MotorSpeed
	water   units.Speed
	steady  time.Duration // so long the water has been
}

func (d *drift) sampled(e sequencer.Event) {
	dt := e.At - d.at
	constant := dt <= apart && math.Abs(e.Ordered.RPM()-d.ordered.RPM()) <= settled
	if constant {
		d.Motor(dt, e.Ordered, e.Motor)
	}
	if constant && e.Ordered.RPM() > 0 && math.Abs(e.Water.MetresPerSecond()-d.water.MetresPerSecond()) <= even {
		d.steady += dt
	} else {
		d.steady = 0
	}
	if e.Sensed.Known && d.steady > damped {
		d.Water(dt, e.Water, e.Sensed.Speed)
	}
	d.at, d.ordered, d.water = e.At, e.Ordered, e.Water
}
