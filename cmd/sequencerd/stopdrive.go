package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/settings"
)

// stopDriveCommand is run by the supervisor after the program died: it never guesses which drive.
type stopDriveCommand struct{}

const (
	stopLockWait = 200 * time.Millisecond // for a program that is ending
	stopPatience = 15 * time.Second       // for a motor that runs down
)

func (stopDriveCommand) Run(ctx context.Context, c console, line *commandLine) error {
	records, bad := drive.Records()
	errs := []error{bad} // a record that cannot be read keeps nobody from the drives of the others
	if len(records) == 0 {
		err := stopConfigured(ctx, c, line)
		if bad == nil {
			return err
		}
		errs = append(errs, err)
	}
	for _, r := range records { // mostly one; whatever was in use here and was not seen at rest
		var d resolvedDrive
		if err := json.Unmarshal([]byte(r.Drive), &d); err != nil || d.Backend != "serial" && d.Backend != "mqtt" {
			errs = append(errs, fmt.Errorf("the drive on %s, last used by %q, cannot be stopped from here", r.Link, r.Command))
			continue
		}
		errs = append(errs, stopNow(ctx, c, &d))
	}
	if err := errors.Join(errs...); err != nil {
		return refused{exitUncertain, err}
	}
	return nil
}

// stopConfigured stops the drive of an explicit configuration: nothing is recorded.
func stopConfigured(ctx context.Context, c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return refused{exitUncertain, err}
	}
	if s.File == "" {
		return refused{exitUncertain, errors.New("no drive was in use here and no configuration names one, so nothing was stopped: " +
			"name it by --config or $" + settings.Variable + ", and press the emergency stop if the water moves")}
	}
	if s.Drive.Backend == "simulated" {
		fmt.Fprintf(c.out, "The drive in %s is simulated: it ended with the process that it lived in. Nothing moves.\n", s.File)
		return nil
	}
	d, err := resolve(s)
	if err == nil {
		err = stopNow(ctx, c, d)
	}
	if err != nil {
		return refused{exitUncertain, err}
	}
	return nil
}

// stopNow stops a drive, whoever holds it, and waits until its motor is seen at rest.
func stopNow(ctx context.Context, c console, r *resolvedDrive) error {
	r.MQTT.StopOnly = true
	b, err := r.open()
	if err != nil {
		return err
	}
	lock, err := drive.AcquireWithin(stopLockWait, r.link(), "sequencerd stop-drive", r.String())
	if err != nil { // held by a program that hangs, or without a place for locks: the motor comes first
		fmt.Fprintf(c.err, "sequencerd: stopping it all the same: %v\n", err)
	} else {
		defer lock.Release()
	}
	d := drive.New(b, drive.Config{})
	defer d.Close()
	ctx, cancel := context.WithTimeout(ctx, stopPatience)
	defer cancel()
	tick := time.NewTicker(drive.DefaultEvery)
	defer tick.Stop()
	begun := time.Now()
	for {
		d.Exchange(time.Since(begun))
		if p := d.Report(); p.Link == nil && p.Carried == p.Stops && p.Reads > 0 && rests(p.Feedback) {
			fmt.Fprintf(c.out, "The drive on %s is stopped, its motor is at rest.\n", r.link())
			if lock != nil {
				return lock.Forget()
			}
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			p := d.Report()
			if p.Link != nil {
				return fmt.Errorf("the drive on %s could not be seen at rest; press the emergency stop if the water moves: %w", r.link(), p.Link)
			}
			return fmt.Errorf("the drive on %s has taken the stop, but its motor still turns at %v; press the emergency stop", r.link(), p.Motor)
		}
	}
}
