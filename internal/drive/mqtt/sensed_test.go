package mqtt

import (
	"math"
	"sync"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// tampered is a motor whose flow sensor can be made to show something else.
type tampered struct {
	Motor
	mu    sync.Mutex
	shows func(drive.Sensed) drive.Sensed
}

func (m *tampered) Read(r drive.Round) (drive.Feedback, error) {
	f, err := m.Motor.Read(r)
	m.mu.Lock()
	defer m.mu.Unlock()
	f.Sensed = m.shows(f.Sensed)
	return f, err
}

func (m *tampered) show(what func(drive.Sensed) drive.Sensed) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.shows = what
}

// TestFlowSensorOfANode: over a broker that nobody here wrote, what the node's sensor shows of the water arrives. One that is absent, out of range or no number
// is none, and the motor turns on.
func TestFlowSensorOfANode(t *testing.T) {
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := newMosquitto(t, "")
	motor := &tampered{shows: func(s drive.Sensed) drive.Sensed { return s }}
	p := newPoolWith(t, m.as("node", 0), 0.92, func(m Motor) Motor { motor.Motor = m; return motor })
	s := newSwim(open(t, m.as("flume", 0)), flume(t))
	defer s.end()
	s.begin(t, 1000)
	until(t, "the motor turns", 5*time.Second, func() bool { return p.rpm() > 995 })
	arrives := func() bool {
		r := s.Report().Sensed
		p.Pass(p.clock())
		water, _ := p.Water()
		return r.Known && r.Speed.MetresPerSecond() > 0.8 && math.Abs(r.Speed.MetresPerSecond()-0.92*water.MetresPerSecond()) < 0.02
	}
	until(t, "the sensor shows the water", 10*time.Second, arrives)
	showing := func(mps float64) func(drive.Sensed) drive.Sensed {
		return func(drive.Sensed) drive.Sensed { return drive.Sensed{Known: true, Speed: units.MetresPerSecond(mps)} }
	}
	for what, shows := range map[string]func(drive.Sensed) drive.Sensed{
		"absent":       func(drive.Sensed) drive.Sensed { return drive.Sensed{} },
		"out of range": showing(7),
		"backwards":    showing(-1),
		"no number":    showing(math.NaN()),
		"no end of it": showing(math.Inf(1)),
	} {
		motor.show(shows)
		until(t, what+" is none", 5*time.Second, func() bool { return !s.Report().Sensed.Known })
		reads := s.Report().Reads
		until(t, "the node answers on", 5*time.Second, func() bool { return s.Report().Reads > reads+10 })
		if r := s.Report(); r.Sensed.Known || r.Link != nil || r.Fault != "" || r.Latched {
			t.Errorf("%s: %+v", what, r)
		}
		motor.show(func(s drive.Sensed) drive.Sensed { return s })
		until(t, "the sensor shows the water again", 5*time.Second, arrives)
	}
	if p.rpm() < 995 {
		t.Errorf("the motor turns at %v", p.rpm())
	}
}
