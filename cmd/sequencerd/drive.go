package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// driveCommand is the installer's view of the drive.
type driveCommand struct {
	Status    driveStatusCommand    `cmd:"" help:"Say how the drive is. Stops it first."`
	Jog       jogCommand            `cmd:"" help:"Turn the bare motor for a few seconds, with nobody in the water."`
	Apart     apartCommand          `cmd:"" hidden:"" help:"Turn the bare motor from a process of its own, for the installer's course, which kills it."`
	Registers driveRegistersCommand `cmd:"" help:"Read the registers of a drive on a serial line, each beside what it must be."`
}

type driveStatusCommand struct{}

func (driveStatusCommand) Run(ctx context.Context, c console, line *commandLine) error {
	b, err := openBench(line)
	if err != nil {
		return err
	}
	return b.run(ctx, func(ctx context.Context) error {
		r, err := b.answers(ctx)
		if err != nil {
			return err
		}
		state := "switched off"
		if r.Enabled {
			state = "switched on"
		}
		fmt.Fprintf(c.out, "%s: %s, motor %v, answered %v ago%s\n", b.settings.Drive.Backend, state, r.Motor, (r.Now - r.At).Round(time.Millisecond), b.simulated())
		if r.Sensed.Known {
			fmt.Fprintf(c.out, "Its flow sensor: %.3f m/s at the reference\n", r.Sensed.Speed.MetresPerSecond())
		}
		if r.Fault != "" {
			fmt.Fprintf(c.out, "Its fault: %s\n", r.Fault)
		}
		return nil
	})
}

type jogCommand struct {
	RPM float64       `name:"rpm" required:"" help:"Motor speed."`
	For time.Duration `default:"5s" help:"How long, 1s to 60s."`
	Yes bool          `help:"Do not ask for the flume's name."`
}

func (j *jogCommand) Validate() error {
	switch {
	case !(j.RPM > 0 && j.RPM < 1e5):
		return fmt.Errorf("--rpm %g: allowed is more than 0", j.RPM)
	case j.For < time.Second || j.For > time.Minute:
		return fmt.Errorf("--for %v: allowed is 1s to 60s", j.For)
	}
	return nil
}

// Run jogs under the guard: what stops a swim stops a jog.
func (j *jogCommand) Run(ctx context.Context, c console, line *commandLine) error {
	b, err := openBench(line)
	if err != nil {
		return err
	}
	if m := b.settings.Drive.Motor; j.RPM < m.Min.RPM() || j.RPM > m.Max.RPM() {
		return errors.Join(fmt.Errorf("--rpm %g: this motor turns at %g to %g rpm", j.RPM, m.Min.RPM(), m.Max.RPM()), b.close())
	}
	if !j.Yes {
		fmt.Fprintf(c.out, "The motor will turn at %g rpm for %v. Nobody in the water, nobody at outlet or suction?\nType the flume's name, %q, to go on: ",
			j.RPM, j.For, b.settings.Flume.Name)
		name, _ := bufio.NewReader(c.in).ReadString('\n')
		if strings.TrimSpace(name) != b.settings.Flume.Name {
			return errors.Join(errors.New("not the flume's name; nothing was started"), b.close())
		}
	}
	return b.run(ctx, func(ctx context.Context) error {
		var turned units.MotorSpeed // while it was to turn
		i, simulated := 0, b.simulated()
		err := b.jog(ctx, c, units.RPM(j.RPM), j.For, func(n units.MotorSpeed) {
			if i%20 == 0 {
				sensed := ""
				if r := b.drive.Report().Sensed; r.Known {
					sensed = fmt.Sprintf(", flow sensor %.3f m/s", r.Speed.MetresPerSecond())
				}
				fmt.Fprintf(c.out, "%4.1f s  %v%s%s\n", float64(i)*sequencer.Tick.Seconds(), n, sensed, simulated)
			}
			turned = n
			i++
		})
		if err == nil {
			fmt.Fprintf(c.out, "Done: %v of %v ordered%s. The water still moves for a while.\n", turned, units.RPM(j.RPM), simulated)
		}
		return err
	})
}

type driveRegistersCommand struct{}

func (driveRegistersCommand) Run(c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	if s.Drive.Backend != "serial" {
		return fmt.Errorf("the drive is %q: only a drive on a serial line has registers", s.Drive.Backend)
	}
	d, err := resolve(s)
	if err != nil {
		return err
	}
	lock, err := drive.Acquire(d.link(), "sequencerd drive registers", d.String())
	if err != nil {
		return err
	}
	defer lock.Release()
	b, err := d.serial()
	if err != nil {
		return err
	}
	defer b.Close()
	registers, err := b.Registers(drive.Round{Until: 5 * time.Second})
	for _, r := range registers {
		switch {
		case r.Err != nil:
			fmt.Fprintf(c.out, "%04Xh  %-28s %s\n", r.Address, r.Name, r.Err)
		default:
			fmt.Fprintf(c.out, "%04Xh  %-28s %6d (%Xh)  %s\n", r.Address, r.Name, r.Value, r.Value, r.Means)
		}
	}
	return err
}

// bench is a drive and its wall under loop and guard, without a swim.
type bench struct {
	settings *settings.Settings
	drive    *drive.Drive
	wall     *wall.Wall
	seq      *sequencer.Sequencer
}

func openBench(line *commandLine) (*bench, error) {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return nil, err
	}
	d, err := (&loaded{settings: s}).openDrive()
	if err != nil {
		return nil, err
	}
	return newBench(s, d)
}

func newBench(s *settings.Settings, d *drive.Drive) (*bench, error) {
	w, err := wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) })
	if err != nil {
		return nil, errors.Join(err, d.Close())
	}
	guard := (&loaded{settings: s}).guard()
	guard.Uncommissioned = true
	seq := sequencer.New(sequencer.Config{Drive: d, Model: s.Model, Safety: guard, Wall: w}, 1)
	return &bench{settings: s, drive: d, wall: w, seq: seq}, nil
}

func (b *bench) close() error { return errors.Join(b.wall.Close(), b.drive.Close()) }

func (b *bench) simulated() string {
	if b.drive.Simulated() {
		return " (SIMULATED)"
	}
	return ""
}

// run does something while drive and wall are at work, and stops the motor behind it.
func (b *bench) run(ctx context.Context, do func(context.Context) error) error {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGTSTP, syscall.SIGPIPE) // see run
	defer stop()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var done error // told to the person, and no failure of the program
	err := task.Run(ctx, b.drive.Stop,
		task.Task{Name: "drive", Run: b.drive.Run},
		task.Task{Name: "loop", Run: b.seq.Run},
		task.Task{Name: "wall", Run: b.wall.Run},
		task.Task{Name: "installer", Run: func(ctx context.Context) error { defer cancel(); done = do(ctx); return nil }},
	)
	if errors.Is(err, task.ErrHangs) {
		return err
	}
	return cmp.Or(done, errors.Join(err, b.close()))
}

// answers waits for the drive to answer.
func (b *bench) answers(ctx context.Context) (drive.Report, error) {
	tick := time.NewTicker(sequencer.Tick)
	defer tick.Stop()
	for range 60 {
		select {
		case <-ctx.Done():
			return drive.Report{}, errors.New("ended before the drive answered")
		case <-tick.C:
		}
		if r := b.drive.Report(); r.Reads > 1 && r.Link == nil {
			return r, nil
		}
	}
	r := b.drive.Report()
	return r, fmt.Errorf("the drive does not answer: %w", errors.Join(r.Link, fault.Of(fault.LinkLost)))
}

// jog resets once, starts once, and turns the motor until the time is over or the guard says stop. At each tick it tells how fast it turns.
func (b *bench) jog(ctx context.Context, c console, n units.MotorSpeed, length time.Duration, tell func(units.MotorSpeed)) error {
	if _, err := b.answers(ctx); err != nil {
		return err
	}
	tick := time.NewTicker(sequencer.Tick)
	defer tick.Stop()
	begun := false
	for {
		select {
		case <-ctx.Done():
			b.drive.Stop(fault.PersonStop)
			return refused{exitByPerson, errors.New("stopped by a person; the water still moves for a while")}
		case <-tick.C:
		}
		s, _ := b.seq.Snapshot()
		switch {
		case !begun && s.Seq == 0: // a guard resets only what it has met
			continue
		case !begun:
			if err := b.begin(ctx, c, n, length); err != nil {
				return err
			}
			begun = true
			continue
		case s.State == run.Stopped:
			return refused{exitByGuard, fault.Of(s.Reason)}
		case s.Jog == (units.MotorSpeed{}):
			b.drive.Stop(fault.PersonStop)
			return nil
		}
		tell(s.Motor)
	}
}

// begin has the stop button tried where there is one, which a guard wants to have seen, resets and starts.
func (b *bench) begin(ctx context.Context, c console, n units.MotorSpeed, length time.Duration) error {
	if err := b.seq.Install(ctx, true, nil); err != nil {
		return err
	}
	tried := func() bool {
		s, _ := b.seq.Snapshot()
		return s.Wall.Stop == safety.Absent || s.Wall.StopSeen && s.Wall.Stop == safety.Good
	}
	if !tried() {
		fmt.Fprintln(c.out, "Press the stop button, and release it.")
	}
	look := time.NewTicker(sequencer.Tick)
	defer look.Stop()
	for patience := time.After(time.Minute); !tried(); {
		select {
		case <-look.C:
		case <-patience:
			return fault.Of(fault.StopUntried)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if err := b.seq.Do(ctx, sequencer.Command{What: run.Reset}); err != nil {
		return err
	}
	settles := time.After(5 * time.Second) // a link that has missed an answer at first
	for {
		err := b.seq.Jog(ctx, n, length)
		if !errors.Is(err, fault.Of(fault.LinkSettling)) {
			return err
		}
		select {
		case <-look.C:
		case <-settles:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
