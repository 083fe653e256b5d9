package mqtt

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/units"
)

// witness is the pool's motor, at the pace of the suite.
type witness struct {
	*pool
	wire *wire
	time *pace
}

func (w witness) Motor(now time.Duration) units.MotorSpeed {
	w.time.wait(now)
	return units.RPM(w.rpm())
}

func (w witness) Enabled(now time.Duration) bool {
	w.time.wait(now)
	return w.enabled()
}

func (w witness) Cut(now time.Duration)     { w.time.wait(now); w.wire.cut() }
func (w witness) Restore(now time.Duration) { w.time.wait(now); w.wire.restore() }
func (w witness) Trip(now time.Duration)    { w.time.wait(now); w.Backend.Trip() }

// TestConformance: the suite of all backends, over a broker that nobody here wrote, on real time.
func TestConformance(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	drivetest.Suite(t, drivetest.Options{
		New: func(t testing.TB) (drive.Backend, drivetest.Witness) {
			m := newMosquitto(t, "")
			p := newPool(t, m.as("node", 0))
			w := newWire(t, m.port)
			pace := new(pace)
			return paced{open(t, m.as("flume", w.port)), pace}, witness{p, w, pace}
		},
		Model: flume(t), Settle: 600 * ms, LinkLoss: nodeLinkLoss, AtOnce: true,
	})
}
