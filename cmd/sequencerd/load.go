package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

// loaded is what the commands that plan a session work on.
type loaded struct {
	settings  *settings.Settings
	session   *schedule.Session
	text      string // the session as it was written
	person    settings.Person
	known     *roster.Known // what the store knows of them; nil where it does not
	threshold units.Pace
	given     bool // the threshold is the command line's
	planner   *ramp.Planner
	simulated *simulated.Backend // the drive that was opened, where it is not a real one
	plan      run.Plan
	remarks   []fault.Remark
}

// load reads configuration, session and swimmer, and plans.
func load(line *commandLine, file string) (*loaded, error) {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return nil, err
	}
	if line.uncommissioned {
		hold(s)
	}
	return loadFor(line, s, file)
}

// loadFor is load with a configuration that was read already.
func loadFor(line *commandLine, s *settings.Settings, file string) (*loaded, error) {
	text, err := readFile(file)
	if err != nil {
		return nil, err
	}
	session, err := schedule.Parse(file, text)
	if err != nil {
		return nil, err
	}
	l := &loaded{settings: s, session: session, text: string(text)}
	if err := l.who(line, session.Unit); err != nil {
		return nil, err
	}
	return l, l.lay()
}

// who finds the swimmer, and the threshold: the one given on the command line, per 100 of u where it says nothing else, stands in for the swimmer's own.
func (l *loaded) who(line *commandLine, u units.Unit) (err error) {
	if l.person, l.known, err = findPerson(l.settings, line.Swimmer); err != nil {
		return err
	}
	l.threshold = l.person.Threshold
	if line.Threshold != "" {
		l.given = true
		if l.threshold, err = units.ParsePace(line.Threshold, u); err != nil {
			return refused{exitUsage, fmt.Errorf("--threshold: %w", err)}
		}
		if s := l.threshold.Seconds(); s < 40 || s > 360 {
			return refused{exitUsage, fmt.Errorf("--threshold: pace %q: allowed is 0:40 to 6:00 per 100", line.Threshold)}
		}
	}
	return nil
}

// lay plans the session for the swimmer; what the flume cannot give is told at its place in the file.
func (l *loaded) lay() (err error) {
	if l.planner, err = ramp.NewPlanner(l.settings.Limits, l.settings.Model, l.settings.Ceiling(l.person)); err != nil {
		return err
	}
	l.plan, l.remarks, err = run.NewPlan(l.session, l.person.Name, l.threshold, l.planner)
	l.plan.Text = l.text
	if err == nil {
		l.remarkLength()
		return nil
	}
	var cannot ramp.PlanErrors
	if !errors.As(err, &cannot) {
		return err
	}
	var problems fault.Problems
	for _, e := range cannot {
		problems = append(problems, l.session.Problem(e.Step, e.Text))
	}
	return problems.Sorted()
}

// remarkLength tells of a session that the longest swim ends before its own end.
func (l *loaded) remarkLength() {
	total, _ := l.plan.Profile.Total()
	if most := l.settings.Safety.LongestSwim; total >= most {
		l.remarks = append(l.remarks, fault.Remark{Code: fault.LongestSwim, Block: -1, Text: fmt.Sprintf(
			"The session takes %s, and the longest swim allowed here is %s: the water comes to rest before the end.", units.FormatTimeWhole(total), units.FormatTimeWhole(most))})
	}
}

// guard is what the guard needs for this swimmer. A change is never cleared with more acceleration than a tenth above the comfort limit.
func (l *loaded) guard() safety.Config {
	s, top := l.settings, l.settings.Ceiling(l.person)
	fastest := s.Ceiling(settings.Person{}) // somebody else may be laid out later
	down := fastest.MetresPerSecond()/s.Limits.Decel.MetresPerSecond2() + 2*s.Limits.Decel.MetresPerSecond2()/s.Limits.Jerk.MetresPerSecond3()
	return safety.Config{
		Cap:         top,
		MaxAccel:    units.MetresPerSecond2(1.1 * s.Limits.Accel.MetresPerSecond2()),
		IdleShutoff: s.Safety.IdleShutoff, LongestSwim: s.Safety.LongestSwim,
		MotorRamp: s.Drive.Motor.RPMPerSecond,
		SoftTime:  secondsToDuration(1.5*down + 5),
	}
}

// readFile reads a file of ours, "-" for standard input, no further than what is too large.
func readFile(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(io.LimitReader(os.Stdin, tomlplace.MaxBytes+1))
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, cannotRead(name, err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, tomlplace.MaxBytes+1))
	if err != nil {
		return nil, cannotRead(name, err)
	}
	return text, nil
}

func cannotRead(name string, err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return fault.Problem{File: name, Text: "cannot be read: " + err.Error()}
}
