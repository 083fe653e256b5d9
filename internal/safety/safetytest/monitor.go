// Package safetytest is the monitor that guards are held to: what must never be cleared, whatever happened before.
//
// It knows nothing of a guard's insides. It is told what happened and what was cleared, and remembers four things.
package safetytest

import (
	"fmt"

	"flume.example/sequencerd/internal/safety"
)

// Slack is by how much a soft stop may let the water rise once, in m/s: a positive acceleration is taken away with a jerk, not cut.
const Slack = 0.02

// Monitor remembers what decides whether motion may be cleared. Its zero value has seen neither a reset nor a start. It is a comparable value.
type Monitor struct {
	Armed   bool    // a reset was granted since the last unsafe moment
	Started bool    // and after that somebody started
	Falling bool    // and after that a soft stop came
	Low     float64 // m/s: the last that was cleared, while Falling the least
}

// Unsafe is a stop, or a fact that has to be one: from now on only standstill, until a reset and a start.
func (m *Monitor) Unsafe() { *m = Monitor{} }

// Soft is a soft stop: from now on nothing rises.
func (m *Monitor) Soft() { m.Falling = m.Started }

// Over is the end of a swim or of a jog: another takes another start.
func (m *Monitor) Over() { *m = Monitor{Armed: m.Armed} }

// Reset is a reset that was granted.
func (m *Monitor) Reset() { *m = Monitor{Armed: true} }

// Start is a start that was granted.
func (m *Monitor) Start() { m.Started = true }

// Cleared judges what was cleared, under the caps that hold: top in m/s, accel in m/s². The error names the invariant that does not hold.
func (m *Monitor) Cleared(c safety.Cleared, top, accel float64) error {
	speed, change := c.Water()
	v, a := speed.MetresPerSecond(), change.MetresPerSecond2()
	low := m.Low
	if !m.Falling || v < low {
		m.Low = v
	}
	switch {
	case c == safety.Cleared{}:
	case !m.Armed:
		return fmt.Errorf("after a stop only standstill is cleared until a reset and a new start: %v", c)
	case !m.Started:
		return fmt.Errorf("a reset alone, or a cause that went away, never clears motion: %v", c)
	case c.Jog().RPM() != 0:
	case !(v >= 0 && v <= top && a <= accel):
		return fmt.Errorf("never above a cap, and nothing that is no number: %v at most %v m/s", c, top)
	case m.Falling && v > low+Slack:
		return fmt.Errorf("a soft stop never rises: %v after %v m/s", c, low)
	}
	return nil
}
