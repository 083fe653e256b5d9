package wall

import (
	"context"
	"log/slog"

	"periph.io/x/conn/v3/gpio"
)

// Show is called with each tick. It never blocks: the levels are handed on by a goroutine of Run, which makes none of its own, so that a heartbeat
// stands still when no tick toggles it. An output that cannot be written is tried again at the next call.
func (w *Wall) Show(o Outputs) {
	if w == nil {
		return
	}
	w.mu.Lock()
	w.want = o
	w.mu.Unlock()
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// show writes the latest, until ctx is done.
func (w *Wall) show(ctx context.Context) error {
	defer w.dark() // also after a panic
	var failing [pinCount]bool
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-w.wake:
		}
		w.mu.Lock()
		want := [pinCount]bool{LampPin: w.want.Lamp, BeeperPin: w.want.Beeper, HeartbeatPin: w.want.Heartbeat}
		w.mu.Unlock()
		for p := LampPin; p < pinCount; p++ {
			if w.pins[p] == nil {
				continue
			}
			err := w.pins[p].Out(gpio.Level(want[p]))
			if err != nil && !failing[p] {
				slog.Error("an output of the wall cannot be switched", "key", p.Key(), "pin", w.cfg.Pins[p], "error", err)
			}
			failing[p] = err != nil
		}
	}
}

// dark switches all outputs off, as well as it can.
func (w *Wall) dark() {
	for p := LampPin; p < pinCount; p++ {
		if w.pins[p] != nil {
			if err := w.pins[p].Out(gpio.Low); err != nil {
				slog.Error("an output of the wall cannot be switched off", "key", p.Key(), "pin", w.cfg.Pins[p], "error", err)
			}
		}
	}
}
