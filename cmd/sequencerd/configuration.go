package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
)

// configCommand is all about the configuration file.
type configCommand struct {
	Check   configCheckCommand   `cmd:"" help:"Check the configuration that would be read, or another file: everything wrong at once, each at its line."`
	Show    configShowCommand    `cmd:"" help:"Show every value in force and where it is from, as a configuration that can be read back."`
	Default configDefaultCommand `cmd:"" help:"Print the default configuration with its comments, to begin a file of one's own with."`
}

type configCheckCommand struct {
	File string `arg:"" optional:"" help:"Configuration file; else the one that would be read."`
}

func (k *configCheckCommand) Run(c console, line *commandLine) error {
	path := line.Config
	if k.File != "" {
		path = k.File
	}
	file, text, err := settings.Find(path)
	if err != nil {
		return err
	}
	s, err := settings.Parse(file, text, config.Default())
	if err == nil {
		err = checkFiles(s, text)
	}
	if err != nil {
		return err
	}
	if file == "" {
		fmt.Fprintf(c.out, "There is no configuration file: the defaults are in force, all well: %s, drive %s.\n", s.Flume.Name, s.Drive.Backend)
		return nil
	}
	fmt.Fprintf(c.out, "%s: a configuration, all well: %s, drive %s.\n", file, s.Flume.Name, s.Drive.Backend)
	return nil
}

// checkFiles looks at what a configuration names and a program needs to begin: the map of a drive, and files that must be readable.
func checkFiles(s *settings.Settings, text []byte) error {
	var problems fault.Problems
	if s.Drive.Backend == "serial" {
		var ps fault.Problems
		if _, err := resolve(s); errors.As(err, &ps) {
			problems = append(problems, ps...)
		} else if err != nil {
			problems = append(problems, settings.Problem(s.File, text, "drive.serial", "map", err.Error()))
		}
	}
	for _, f := range s.Files() {
		if err := readable(f.Path); err != nil {
			problems = append(problems, settings.Problem(s.File, text, f.Table, f.Key, fmt.Sprintf("%s = %q: the file cannot be read: %v", f.Key, f.Path, err)))
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// readable tries to read a file's first byte.
func readable(path string) error {
	f, err := os.Open(path)
	if err == nil {
		defer f.Close()
		if _, err = f.Read(make([]byte, 1)); errors.Is(err, io.EOF) {
			err = errors.New("it is empty")
		}
	}
	var p *os.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return err
}

type configShowCommand struct{}

func (configShowCommand) Run(c console, line *commandLine) error {
	file, text, err := settings.Find(line.Config)
	if err != nil {
		return err
	}
	shown, err := settings.Show(file, text, config.Default(), settings.Secrets)
	if err != nil {
		return err
	}
	_, err = io.WriteString(c.out, shown)
	return err
}

type configDefaultCommand struct{}

func (configDefaultCommand) Run(c console) error {
	_, err := c.out.Write(config.Default())
	return err
}
