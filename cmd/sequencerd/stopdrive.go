package main

import (
	"errors"
	"fmt"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/settings"
)

// stopDriveCommand is run by the supervisor after the program died: it never guesses which drive.
type stopDriveCommand struct{}

func (stopDriveCommand) Run(c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return refused{exitUncertain, err}
	}
	if s.File == "" {
		return refused{exitUncertain, errors.New("no drive was in use here and no configuration names one, so nothing was stopped: " +
			"name it by --config or $" + settings.Variable + ", and press the emergency stop if the water moves")}
	}
	if s.Drive.Backend != "simulated" {
		return refused{exitUncertain, fmt.Errorf("the drive %q cannot be stopped from here", s.Drive.Backend)}
	}
	fmt.Fprintf(c.out, "The drive in %s is simulated: it ended with the process that it lived in. Nothing moves.\n", s.File)
	return nil
}
