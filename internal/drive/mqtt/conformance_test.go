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
	wire  *wire
	time  *pace
	rival *speaker // somebody else on the broker, with all rights
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

// Delay holds the wire for longer than an exchange may take: what was on its way comes all the same.
func (w witness) Delay(now time.Duration) {
	w.time.wait(now)
	w.wire.cut()
	time.AfterFunc(drive.DefaultTimeout+50*ms, w.wire.restore)
}

// Garble says what no node says, where the node speaks.
func (w witness) Garble(now time.Duration) {
	w.time.wait(now)
	for _, text := range []string{"", "state v=1 token=zz motor_rpm=9999 enabled=1", "state v=2", "\x00\xff\x00\xff", "state v=1 token=0123456789abcdef motor_rpm=NaN enabled=1 owner=- fault=- link_loss_ms=500 heard=- seq=0 answer=ok"} {
		_, _ = w.rival.put(stateTopic, text) // the network takes it, or there is no garbage
	}
}

// Rival wants the motor, with the node's newest token.
func (w witness) Rival(now time.Duration, m units.MotorSpeed) {
	w.time.wait(now)
	for i, k := range []string{kindClaim, kindSet} {
		c := command{kind: k, from: "rival.1", seq: uint32(now/ms)*2 + uint32(i) + 1, token: w.rival.last().token, ttl: time.Second, motor: m}
		_, _ = w.rival.put(commandTopic, c.text())
	}
}

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
			return paced{open(t, m.as("flume", w.port)), pace}, witness{p, w, pace, newSpeaker(t, m.as("rival", 0), "rival")}
		},
		Model: flume(t), Settle: 600 * ms, LinkLoss: nodeLinkLoss, AtOnce: true,
	})
}
