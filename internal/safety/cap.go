package safety

import "flume.example/sequencerd/internal/units"

// SetCap puts another swimmer's cap in the place of the last one's, while the motor is to be off: before a start, or in a pause. It reports whether it did.
// A lower cap than the present one is taken at any time.
func (g *Guard) SetCap(v units.Speed) bool {
	off := g.phase < moving || g.ceiling == 0
	if !(v.MetresPerSecond() > 0) || !off && v.MetresPerSecond() > g.cfg.Cap.MetresPerSecond() {
		return false
	}
	g.cfg.Cap = v
	return true
}
