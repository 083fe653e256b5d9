package sequencer

import (
	"context"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// mostJog is the longest that an installer may turn the bare motor in one go: floats are timed meanwhile.
const mostJog = 15 * time.Minute

// mostSilence is the longest that an installer may keep the link to the drive silent.
const mostSilence = 10 * time.Second

// mostLent is the longest that another process may turn the motor.
const mostLent = 90 * time.Second

// bench is what an installer has of the loop: the bare motor and the wall, without a swim.
type bench struct {
	on      bool // nothing but a jog moves
	jog     units.MotorSpeed
	down    bool // the jog was ended: its motor comes down with its own ramp, which the guard looks after, before it is switched off
	trial   Trial
	until   time.Duration // of the trial
	button  wall.Kind
	buttons uint64
	watch   func(*Snapshot)
}

// Trial is what an installer has the wall do for a while.
type Trial struct {
	Lamp, Beeper bool
	NoHeartbeat  bool // it does not toggle: what hangs on it has to drop
}

func (b *bench) show(now time.Duration, o *wall.Outputs) {
	if now < b.until {
		o.Lamp, o.Beeper = o.Lamp || b.trial.Lamp, o.Beeper || b.trial.Beeper
	}
}

// comesDown reports whether a motor is still on its way down from a jog that was ended.
func (b *bench) comesDown(now units.MotorSpeed) bool {
	b.down = b.down && now.RPM() > 1
	return b.down
}

func (b *bench) still(now time.Duration) bool { return b.trial.NoHeartbeat && now < b.until }

// Install begins or ends an installer's work. While it is on, no swim starts, the wall's buttons are only told, and watch gets every tick: on the loop's
// goroutine, so that it must be quick, and keep nothing that it is handed. It is refused while a swim is under way.
func (s *Sequencer) Install(ctx context.Context, on bool, watch func(*Snapshot)) error {
	return s.between(ctx, func(c *Core) error {
		if st, _ := c.swim.State(); st.Under() {
			return fault.Of(fault.UnderWay)
		}
		c.bench = bench{on: on, button: c.bench.button, buttons: c.bench.buttons}
		if on {
			c.bench.watch = watch
		}
		return nil
	})
}

// Jog turns the bare motor at so many rpm for so long, at most a quarter of an hour, under the guard. The error is a fault.Fault that says why it does not.
func (s *Sequencer) Jog(ctx context.Context, n units.MotorSpeed, length time.Duration) error {
	return s.between(ctx, func(c *Core) error {
		if !c.bench.on {
			return fault.Of(fault.NotInstalling)
		}
		c.press = true
		if err := c.guard.StartJog(c.learn(), n, min(length, mostJog)); err != nil {
			return err
		}
		c.bench.jog, c.bench.down = n, false
		return nil
	})
}

// EndJog lets the motor come to rest with its own ramp.
func (s *Sequencer) EndJog(ctx context.Context) error {
	return s.between(ctx, func(c *Core) error {
		c.bench.down = c.bench.down || c.bench.jog != (units.MotorSpeed{})
		c.bench.jog = units.MotorSpeed{}
		return nil
	})
}

// Try has the wall do something for so long.
func (s *Sequencer) Try(ctx context.Context, t Trial, length time.Duration) error {
	return s.between(ctx, func(c *Core) error { c.bench.trial, c.bench.until = t, c.now+length; return nil })
}

// Hush keeps the link to the drive silent for so long, at most ten seconds, to see the drive's own link-loss stop. A person's stop ends it.
func (s *Sequencer) Hush(ctx context.Context, length time.Duration) error {
	return s.between(ctx, func(c *Core) error {
		if !c.bench.on {
			return fault.Of(fault.NotInstalling)
		}
		c.cfg.Drive.Hush(min(length, mostSilence), nil)
		return nil
	})
}

// Lend keeps the link silent for so long, at most a minute and a half, because another process turns the motor over it. It is refused where a jog would be:
// the guard looks after none of this. Every stop that the silence does not itself bring about ends it, and so does its
// time; broken is called first, which has to end that process, and must not block.
func (s *Sequencer) Lend(ctx context.Context, length time.Duration, broken func()) error {
	return s.between(ctx, func(c *Core) error {
		if !c.bench.on {
			return fault.Of(fault.NotInstalling)
		}
		if err := c.guard.MayJog(c.learn()); err != nil {
			return err
		}
		c.cfg.Drive.Hush(min(length, mostLent), broken)
		return nil
	})
}

// Commissioned says whether people may swim here from now on. That they may is refused while something moves.
func (s *Sequencer) Commissioned(ctx context.Context, done bool) error {
	return s.between(ctx, func(c *Core) error {
		if !c.guard.Commission(done) {
			return fault.Of(fault.UnderWay)
		}
		return nil
	})
}
