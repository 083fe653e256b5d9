package simulated

import (
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/units"
)

// witness looks at the motor behind the link, and makes faults at once.
type witness struct{ b *Backend }

func (w witness) Motor(now time.Duration) units.MotorSpeed {
	w.b.Pass(now)
	return w.b.Motor()
}

func (w witness) Enabled(now time.Duration) bool {
	w.b.Pass(now)
	s := w.b.State()
	return s == Running || s == QuickStop
}

func (w witness) Cut(now time.Duration) {
	w.b.faults = faults{{kind: linkLost, at: now, until: math.MaxInt64}}
}

func (w witness) Restore(now time.Duration) { w.b.faults[0].until = now }

func (w witness) Delay(now time.Duration) {
	w.b.faults = faults{{kind: answersLate, at: now, until: now + drive.DefaultEvery, late: 150 * ms}}
}

func (w witness) Trip(now time.Duration) { w.b.motor.trips = []time.Duration{now} }

func TestConformance(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"default":         func(*Config) {},
		"answers at once": func(c *Config) { *c = Config{Model: c.Model} },
		"dead time longer than a tick": func(c *Config) {
			c.DeadTime = 130 * ms
		},
	} {
		t.Run(name, func(t *testing.T) {
			drivetest.Suite(t, drivetest.Options{
				New: func(t testing.TB) (drive.Backend, drivetest.Witness) {
					b := newBench(t, change).Backend
					return b, witness{b}
				},
				Model: flume(t), Settle: 4 * time.Second, LinkLoss: DefaultLinkLoss,
			})
		})
	}
}
