package drive

import (
	"time"

	"flume.example/sequencerd/internal/fault"
)

// Hush keeps the link silent for so long from the next exchange on, as if the program or the wire were gone: so an installer sees that the motor stops by
// itself. A backend that has a method LetGo lets go of its wire meanwhile, which another process may then use. Every stop ends the silence, but for those
// that the silence itself brings about, and none begins over a latched one. broken, where it is not nil, is called when the silence ends otherwise than by
// another Hush, before anything is sent; it must not block, nor use the Drive.
func (d *Drive) Hush(length time.Duration, broken func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.hush, d.silent, d.broken = length, false, broken
	if d.report.Latched {
		d.loud()
	}
}

// hushed reports whether the exchange that would begin now is left out.
func (d *Drive) hushed(now time.Duration) bool {
	d.mu.Lock()
	if d.hush == 0 {
		d.mu.Unlock()
		return false
	}
	begins := !d.silent
	if begins {
		d.hush, d.silent = d.hush+now, true
	}
	if now >= d.hush {
		d.loud()
	}
	silent := d.hush != 0
	d.mu.Unlock()
	if b, ok := d.backend.(interface{ LetGo() }); ok && begins {
		b.LetGo()
	}
	return silent
}

// unhush ends a silence for a stop that is not its own work.
func (d *Drive) unhush(why fault.Code) {
	switch why {
	case fault.FeedbackOld, fault.LinkLost, fault.LoopSilent, fault.MotorSlow:
		return
	}
	d.loud()
}

// loud ends a silence.
func (d *Drive) loud() {
	if d.broken != nil {
		d.broken()
	}
	d.hush, d.broken = 0, nil
}
