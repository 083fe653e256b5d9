package main

import (
	"errors"
	"fmt"
	"strings"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

type checkCommand struct {
	Explain bool     `help:"Print each session in steps, with each line in plain words."`
	Files   []string `arg:"" name:"file" help:"Session files; also configuration files."`
}

func (k *checkCommand) Run(c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	if _, _, err := findPerson(s, line.Swimmer); err != nil {
		return err
	}
	var problems fault.Problems
	for _, name := range k.Files {
		said, err := check(line, s, name, k.Explain)
		var ps fault.Problems
		var p fault.Problem
		switch {
		case err == nil:
			fmt.Fprintln(c.out, said)
		case errors.As(err, &ps):
			problems = append(problems, ps...)
		case errors.As(err, &p):
			problems = append(problems, p)
		default:
			return err
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// check looks at one file and says in a line what it is.
func check(line *commandLine, s *settings.Settings, name string, explain bool) (string, error) {
	text, err := readFile(name)
	if err != nil {
		return "", err
	}
	if t, err := tomlplace.Parse(name, text); err == nil && serial.IsMap(t) {
		m, err := serial.ParseMap(name, text)
		if err != nil {
			return "", err
		}
		return fmt.Sprintf("%s: a map of a drive, all well: %s.", name, m.Title), nil
	}
	if isConfiguration(name, text) {
		s, err := settings.Parse(name, text, config.Default())
		if err != nil {
			return "", err
		}
		if s.Drive.Backend == "serial" {
			if _, err := resolve(s); err != nil {
				return "", err
			}
		}
		return fmt.Sprintf("%s: a configuration, all well: %s, drive %s.", name, s.Flume.Name, s.Drive.Backend), nil
	}
	session, err := schedule.Parse(name, text)
	if err != nil {
		return "", err
	}
	l := &loaded{settings: s, session: session}
	if err := l.who(line, session.Unit); err != nil {
		return "", err
	}
	if session.NeedsThreshold() && l.threshold.IsZero() {
		out := fmt.Sprintf("%s: %q is well written; its paces need a swimmer's threshold (--swimmer NAME, or --threshold 1:35/100%s) to be checked against the flume.",
			name, session.Title, session.Unit)
		if explain {
			out = l.explain(out)
		}
		return out, nil
	}
	if err := l.lay(); err != nil {
		return "", err
	}
	out := name + ": " + l.summary()
	for _, r := range l.remarks {
		out += "\n  note: " + r.Text + " [" + string(r.Code) + "]"
	}
	if explain {
		out = l.explain(out)
	}
	return out, nil
}

// summary is the session in a line: asked beside what will be swum.
func (l *loaded) summary() string {
	var askedTime, askedLength float64
	for _, a := range schedule.Asked(l.plan.Blocks) {
		askedTime += a.Time.Seconds()
		askedLength += a.Distance.In(l.session.Unit)
	}
	who := ""
	if !l.threshold.IsZero() {
		who = ", threshold " + l.threshold.In(l.session.Unit).String()
	}
	t, d := l.plan.Profile.Total()
	return fmt.Sprintf("%q is all well%s: %d blocks, asked %s and %.0f %s, will be swum in %s, %.0f %s.", l.session.Title, who, len(l.plan.Blocks),
		units.FormatTimeWhole(secondsToDuration(askedTime)), askedLength, l.session.Unit, units.FormatTimeWhole(t), d.In(l.session.Unit), l.session.Unit)
}

// isConfiguration tells a configuration from a session by its first table: a session has steps or lines, and a format.
func isConfiguration(name string, text []byte) bool {
	t, err := tomlplace.Parse(name, text)
	if err != nil {
		return strings.HasSuffix(name, "sequencerd.toml")
	}
	session, configuration := t.Has("format") || t.Has("step") || t.Has("lines"), false
	for _, key := range []string{"ramp", "flume", "drive", "water", "safety", "wall", "panel", "home", "store", "swimmer"} {
		configuration = configuration || t.Has(key)
	}
	return configuration && !session
}
