package main

import (
	"errors"
	"fmt"
	"io"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

type holdOnCommand struct {
	Blocks int    `default:"4" help:"How many paces: 3 or 4."`
	Out    string `short:"o" placeholder:"FILE" help:"Write to this file, which must not be there yet; else to standard output."`
}

// Run writes a hold-on test for a swimmer as a session. What it will tell goes to standard error, where a person reads it.
func (h *holdOnCommand) Run(c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	l := &loaded{settings: s}
	if err := l.who(line, units.Metre); err != nil {
		return err
	}
	if l.person.Name == "" {
		return refused{exitUsage, errors.New("say for whom: --swimmer NAME")}
	}
	if l.threshold.IsZero() {
		return fmt.Errorf("the threshold of %s is not known: put in two timed swims with sequencerd swimmers swam, or say --threshold", l.person.Name)
	}
	unit, reserve, sure := units.Metre, units.Distance{}, false
	if k := l.known; k != nil {
		unit = k.Unit
		if k.Fit != nil && !l.given {
			reserve, sure = k.Fit.Reserve, k.Fit.Sure() && k.Now.Flume
		}
	}
	test, err := swimmer.PlanHoldOn(l.threshold.Speed(), reserve, sure, h.Blocks, unit, s.Ceiling(l.person))
	if err != nil {
		return err
	}
	err = writeNew(h.Out, c.out, func(out io.Writer) error {
		_, err := io.WriteString(out, test.Session(l.person.Name, l.threshold.Speed()))
		return err
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(c.err, "Never without somebody watching. %s\n", test.Says())
	if test.Assumed {
		fmt.Fprintf(c.err, "The paces are chosen with a reserve of %.0f m, which is assumed: one or the other block may last much longer or shorter.\n", test.Reserve.Metres())
	}
	if l.known == nil {
		fmt.Fprintf(c.err, "What is held goes into the threshold of a swimmer of the store only: sequencerd swimmers add %q\n", l.person.Name)
	}
	return nil
}
