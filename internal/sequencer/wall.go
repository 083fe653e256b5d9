package sequencer

import (
	"log/slog"
	"time"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/wall"
)

// pressed turns what was done at the wall into a command. One button does what the moment asks for: start, pause, resume, or on in an open block;
// held, it brings the water to rest, and when that is stopped, resets as it is released. No held press makes the water faster.
func (c *Core) pressed(e wall.Event) {
	c.bench.button, c.bench.buttons = e.Kind, c.bench.buttons+1
	if c.bench.on { // the installer is told what was pressed, and nothing else comes of it
		c.press = true
		return
	}
	state, _ := c.swim.State()
	cmd := Command{What: run.Here, By: AtWall}
	switch e.Kind {
	case wall.Pressed:
		switch state {
		case run.Ready, run.Finished, run.CountIn:
			cmd.What, cmd.Again = run.Start, true // after a stop one goes on where one was; laying out afresh begins afresh
		case run.Running:
			cmd.What = run.Pause
			if c.swim.Open() {
				cmd.What = run.On
			}
		case run.Pausing, run.Paused:
			cmd.What = run.Resume
		}
	case wall.Held:
		if state.Under() {
			cmd.What = run.Finish
		}
	case wall.HeldReleased:
		if state == run.Stopped {
			cmd.What = run.Reset
		}
	case wall.Slower:
		cmd.What, cmd.Nudge = run.Nudge, 1
	case wall.Faster:
		cmd.What, cmd.Nudge = run.Nudge, -1
	case wall.Skip:
		cmd.What = run.Skip
	}
	if err := c.Do(cmd); err != nil && cmd.What != run.Here { // the wall has no words: the log has
		slog.Info("refused at the wall", "press", e.Kind.String(), "command", cmd.What.String(), "said", err.Error())
	}
}

// show is what lamp, beeper and heartbeat are to do.
type show struct {
	wall.Outputs
	cue   cue.Cue
	since time.Duration
}

// tick goes on with the rhythm under way, or takes up the one that begins now; the heartbeat toggles for as long as motion is permitted.
func (s *show) tick(c *Core) {
	next := c.wish.Cue
	v := &c.verdict
	switch {
	case v.Stop:
		next = cue.Stop
	case next == cue.None && (v.Ask || v.Level == safety.Caution || v.Level == safety.Slow) && c.now-s.since >= s.cue.Length():
		next = cue.StillThere
	}
	if next != cue.None {
		s.cue, s.since = next, c.now
	}
	// every rhythm sounds once; those that repeat are taken up again each time
	on := c.now-s.since < s.cue.Length() && s.cue.On(c.now-s.since)
	s.Lamp, s.Beeper = on, on
	if (v.Permit || c.stopping()) && !c.bench.still(c.now) {
		s.Heartbeat = !s.Heartbeat
	}
}

// stopping: a stop was latched so lately that the drive's quick stop may still be at work. Whatever the heartbeat holds on must not drop before.
func (c *Core) stopping() bool {
	since, latched := c.guard.LockedSince()
	return latched && c.report.Motor.RPM() > 1 && c.now-since < c.guard.QuickStop()
}
