package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// apartCommand turns the motor from a process of its own, which the installer's course starts to kill it. The drive's lock is its parent's, who has let go
// of the link; so are the wall's pins, and the parent ends it for whatever is seen there. It ends by itself where its parent, who says at each tick that
// all is well, says nothing more.
type apartCommand struct {
	RPM float64       `name:"rpm" required:"" help:"Motor speed."`
	For time.Duration `default:"5s" help:"How long, 1s to 60s."`
}

// Validate is that of a jog.
func (a *apartCommand) Validate() error { return (&jogCommand{RPM: a.RPM, For: a.For}).Validate() }

// parentSilent is how long a parent may say nothing: ten ticks.
const parentSilent = 500 * time.Millisecond

// Run prints the motor's speed in rpm at each tick.
func (a *apartCommand) Run(ctx context.Context, c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	if s.Drive.Backend == "simulated" {
		return errors.New("a simulated drive is in the program that uses it: nothing else can turn it")
	}
	r, err := resolve(s)
	if err != nil {
		return err
	}
	switch by, err := drive.ReadRecord(r.link()); {
	case err != nil || by.PID != os.Getppid():
		return errors.New("this is for the installer's course alone, which starts it: the drive is not held by whoever started this one")
	case by.Drive != r.String():
		return errors.New("the configuration has changed since the drive was opened: begin again with the new one")
	}
	r.MQTT.Lent = true
	b, err := r.open()
	if err != nil {
		return err
	}
	s.Wall = wall.Config{}
	t, err := newBench(s, drive.New(b, drive.Config{Model: s.Model}))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	silent := time.AfterFunc(parentSilent, cancel)
	defer silent.Stop()
	task.Start("parent", func(error) { cancel() }, func() {
		defer cancel()
		for well := make([]byte, 64); ; silent.Reset(parentSilent) {
			if n, err := c.in.Read(well); n == 0 || err != nil {
				return
			}
		}
	})
	return t.run(ctx, func(ctx context.Context) error {
		return t.jog(ctx, c, units.RPM(a.RPM), a.For, func(n units.MotorSpeed) { fmt.Fprintf(c.out, "%.1f\n", n.RPM()) })
	})
}

// apart makes that command, of the file that this program runs from, whatever lies in its place by now.
func apart(s *settings.Settings) func(n units.MotorSpeed, length time.Duration) *exec.Cmd {
	return func(n units.MotorSpeed, length time.Duration) *exec.Cmd {
		return exec.Command("/proc/self/exe", "--config", s.File, "drive", "apart", "--rpm", strconv.FormatFloat(n.RPM(), 'f', -1, 64), "--for", length.String())
	}
}
