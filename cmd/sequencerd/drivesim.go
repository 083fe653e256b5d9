package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/drive/serial/pty"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
)

// driveSimCommand plays a drive at the end of a serial line that is not there, with the simulated motor and water of the configuration behind it.
type driveSimCommand struct {
	Map  string `help:"Which drive: tarnholm-v, oxbow-f, siltmark-2, or a map's path; else [drive.serial] says." placeholder:"MAP"`
	Link string `help:"Also give the line this name, so that a configuration can name it beforehand; gone with the command." placeholder:"PATH"`
}

func (d *driveSimCommand) Run(ctx context.Context, c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	name := cmp.Or(d.Map, s.Drive.SerialMap)
	if name == "" {
		return errors.New("which drive? Name a map by --map, or in [drive.serial] of the configuration")
	}
	text, err := readMap(name)
	if err != nil {
		return err
	}
	how := s.Drive.Serial
	if how.Map, err = serial.ParseMap(name, text); err != nil {
		return err
	}
	how.Highest = s.Drive.Motor.Max
	sim, err := simulated.New(s.Drive.Simulated)
	if err != nil {
		return err
	}
	player, err := serial.NewPlayer(how, sim)
	if err != nil {
		return err
	}
	end, err := pty.Open()
	if err != nil {
		return err
	}
	defer end.Close()
	device := end.Device()
	if d.Link != "" {
		if err := os.Symlink(device, d.Link); err != nil { // never over what is there
			return fmt.Errorf("cannot name the line: %w", err)
		}
		defer os.Remove(d.Link)
		device = d.Link
	}
	fmt.Fprintf(c.out, "SIMULATED %s with motor and water, on a line without wires. Ctrl-C ends it.\n", how.Map.Title)
	fmt.Fprintf(c.out, "port = %q, baud = %d, parity = %q, stop_bits = %d, address = %d, map = %q\n",
		device, how.Baud, how.Parity, how.StopBits, how.Address, name)

	ctx, cancel := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer cancel()
	start := time.Now()
	clock := func() time.Duration { return time.Since(start) }
	return task.Run(ctx, func(fault.Code) { _ = sim.Stop(drive.Round{Elapsed: clock()}) },
		task.Task{Name: "drive", Run: func(ctx context.Context) error { return player.Serve(ctx, end, clock) }},
		task.Task{Name: "report", Run: func(ctx context.Context) error { return reportMotor(ctx, c, sim, clock, nil) }})
}
