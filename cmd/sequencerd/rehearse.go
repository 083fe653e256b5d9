package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"time"

	"flume.example/sequencerd/internal/rehearse"
)

type rehearseCommand struct {
	File string        `arg:"" help:"Session file."`
	JSON bool          `name:"json" xor:"form" help:"Print everything as JSON."`
	CSV  bool          `name:"csv" xor:"form" help:"Print the curve as CSV."`
	Step time.Duration `default:"50ms" help:"Time between two rows of the CSV, 1ms to 1h."`
	Plot string        `placeholder:"OUT" help:"Draw the curve to a .svg or .png file."`
}

// Validate is called by kong before Run: its errors are usage errors.
func (r *rehearseCommand) Validate() error {
	if r.Step < time.Millisecond || r.Step > time.Hour {
		return fmt.Errorf("--step %v: allowed is 1ms to 1h", r.Step)
	}
	if r.Plot != "" {
		_, err := rehearse.PlotFormat(r.Plot)
		return err
	}
	return nil
}

func (r *rehearseCommand) Run(c console, line *commandLine) error {
	l, err := load(line, r.File)
	if err != nil {
		return err
	}
	result, err := l.rehearse()
	if err != nil {
		return err
	}
	if r.Plot != "" {
		if err := plotTo(r.Plot, result.WritePlot); err != nil {
			return err
		}
	}
	switch {
	case r.JSON:
		e := json.NewEncoder(c.out)
		e.SetIndent("", "  ")
		return e.Encode(withAsks{result, l.asked()})
	case r.CSV:
		return result.WriteCSV(c.out, r.Step)
	}
	if err := result.WriteTable(c.out); err != nil {
		return err
	}
	return writeAsks(c.out, l.asked())
}

func (l *loaded) rehearse() (*rehearse.Result, error) { return rehearse.Rehearse(l.input()) }

// input is all that a rehearsal of what was loaded needs.
func (l *loaded) input() rehearse.Input {
	return rehearse.Input{
		Plan: l.plan, Remarks: l.remarks, Threshold: l.threshold, Model: l.settings.Model, Safety: l.guard(), Simulated: l.settings.Drive.Simulated,
	}
}

// plotTo writes the picture whole or not at all.
func plotTo(name string, draw func(out io.Writer, format string) error) (err error) {
	format, err := rehearse.PlotFormat(name)
	if err != nil {
		return err
	}
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			os.Remove(name)
		}
	}()
	return draw(f, format)
}
