package main

import (
	"fmt"
	"strings"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// explain is a session as a session file in steps, each with a comment that says in plain words what it asks. said stands at its top.
func (l *loaded) explain(said string) string {
	var b strings.Builder
	for line := range strings.Lines(said) {
		fmt.Fprintf(&b, "# %s\n", strings.TrimSpace(line))
	}
	b.WriteString(l.session.Steps(l.session.Explain(l.threshold), func(e schedule.Explained) []string {
		lines := []string{fmt.Sprintf("line %d: %s", e.Line, e.Text), e.Words, l.asks(e)}
		if e.Text == "" {
			if lines[0] = fmt.Sprintf("line %d", e.Line); e.Short != "" {
				lines[0] += ", on one line: " + e.Short
			}
		}
		return lines
	}))
	return strings.TrimSuffix(b.String(), "\n")
}

// asks is what a line asks in all.
func (l *loaded) asks(e schedule.Explained) string {
	if !e.Known {
		return "what it asks in all depends on the swimmer's threshold"
	}
	return "asks " + l.figures(e.Asked)
}

func (l *loaded) figures(a schedule.Ask) string {
	return fmt.Sprintf("%s, %.0f %s", units.FormatTime(a.Time), a.Distance.In(l.session.Unit), l.session.Unit)
}
