package drive

import (
	"time"

	"flume.example/sequencerd/internal/fault"
)

// Hush keeps the link silent for so long from the next exchange on, as if the program or the wire were gone: so an installer sees that the motor stops by
// itself. Every stop ends the silence, but for those that the silence itself brings about.
func (d *Drive) Hush(length time.Duration) {
	d.mu.Lock()
	d.hush, d.silent = length, false
	d.mu.Unlock()
}

// hushed reports whether the exchange that would begin now is left out.
func (d *Drive) hushed(now time.Duration) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.hush == 0 {
		return false
	}
	if !d.silent {
		d.hush, d.silent = d.hush+now, true
	}
	if now >= d.hush {
		d.hush = 0
	}
	return d.hush != 0
}

// unhush ends a silence for a stop that is not its own work.
func (d *Drive) unhush(why fault.Code) {
	switch why {
	case fault.FeedbackOld, fault.LinkLost, fault.LoopSilent, fault.MotorSlow:
	default:
		d.hush = 0
	}
}
