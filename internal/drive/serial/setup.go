package serial

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// setup sees to it that a drive holds the parameters without which it is not to be run: each is read; where it differs it is written and read again.
// It does one request a round, and starts over after every stop: a drive that was switched off and on may have lost them.
type setup struct {
	want   []parameter
	unit   byte
	write  byte  // the function that writes single registers
	next   int   // index of what is to be looked at; len(want) when all is well
	wrote  bool  // and it was written, so the next look is the last
	differ bool  // and it has to be written
	failed error // a parameter that the drive does not take; it is tried again after a while
	again  time.Duration
}

// retryAfter is how long a drive that lacks a parameter is left alone before the next look: somebody may be setting it there.
const retryAfter = time.Second

func (c *Config) parameters() ([]parameter, error) {
	m := c.Map
	loss, err := m.lossNumber(c.LinkLoss)
	if err != nil {
		return nil, err
	}
	list := append([]parameter{{"link-loss time", m.lossTime, loss}}, m.parameters...)
	for _, r := range []struct {
		name string
		ramp
		rpmPerSecond float64
	}{{"acceleration", m.accel, c.RampRPMPerSecond}, {"deceleration", m.decel, c.RampRPMPerSecond}, {"quick-stop ramp", m.quick, c.QuickStopRPMPerSecond}} {
		if !r.speed.there || r.rpmPerSecond == 0 {
			continue
		}
		// So many rpm in the time of one second, or in what the drive counts next to it.
		seconds := max(1, math.Round(1/r.seconds.perUnit))
		speed := math.Round(r.rpmPerSecond * seconds * r.seconds.perUnit / r.speed.perUnit)
		if speed < 1 || speed > math.MaxUint32 || seconds > math.MaxUint16 {
			return nil, fmt.Errorf("%s of %g rpm/s: this drive cannot count that", r.name, r.rpmPerSecond)
		}
		list = append(list, parameter{r.name + ", speed", r.speed, uint32(speed)}, parameter{r.name + ", time", r.seconds, uint32(seconds)})
	}
	return list, nil
}

func (s *setup) restart() {
	s.next, s.wrote, s.differ, s.failed, s.again = 0, false, false, nil, 0
}

func (s *setup) done() bool { return s.next == len(s.want) }

// step is the next request; none where there is nothing to do now.
func (s *setup) step(now time.Duration) (request, bool) {
	if s.done() || s.failed != nil && now < s.again {
		return request{}, false
	}
	p := s.want[s.next]
	switch {
	case s.differ && p.wide: // high word first: MODBUS does not say so, most drives do
		return writeRequest(s.unit, writeMultiple, p.address, uint16(p.want>>16), uint16(p.want)), true
	case s.differ:
		return writeRequest(s.unit, s.write, p.address, uint16(p.want)), true
	case p.wide:
		return readRequest(s.unit, p.function, p.address, 2), true
	}
	return readRequest(s.unit, p.function, p.address, 1), true
}

// took is told what became of the step.
func (s *setup) took(now time.Duration, held []uint16, err error) {
	p := s.want[s.next]
	var no refusal
	var other notTaken
	switch {
	case err == nil || errors.As(err, &other): // then it is read once more, and told
	case errors.As(err, &no) && no.code != busy:
		s.fail(now, fmt.Errorf("the drive's %s (register %04Xh) must be %d: %w", p.name, p.address, p.want, no))
		return
	default:
		return // the line's trouble, or soon over
	}
	if s.differ {
		s.differ, s.wrote = false, true
		return
	}
	got := uint32(0)
	for _, w := range held {
		got = got<<16 | uint32(w)
	}
	switch {
	case got == p.want:
		s.next++
		s.wrote, s.failed = false, nil
	case s.wrote:
		s.fail(now, fmt.Errorf("the drive's %s (register %04Xh) stays at %d: it must be %d, set it at the drive", p.name, p.address, got, p.want))
	default:
		s.differ = true
	}
}

func (s *setup) fail(now time.Duration, why error) {
	s.failed, s.again, s.wrote, s.differ = why, now+retryAfter, false, false
}
