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
)

// drift takes up how fast the motor turned beside what was ordered, wherever the order was steady. Whether the water still is what the calibration says
// would take a flow sensor, and none is wired here.
type drift struct {
	survey.Tally
	at      time.Duration
	ordered units.MotorSpeed
}

func (d *drift) sampled(e sequencer.Event) {
	dt := e.At - d.at
	if dt <= apart && math.Abs(e.Ordered.RPM()-d.ordered.RPM()) <= settled {
		d.Motor(dt, e.Ordered, e.Motor)
	}
	d.at, d.ordered = e.At, e.Ordered
}
