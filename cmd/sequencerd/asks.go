package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/roster"
)

// withAsks is a rehearsal as JSON, with what it asks of the swimmer.
type withAsks struct {
	*rehearse.Result
	Asks *roster.Asks `json:"asks"`
}

func (l *loaded) asked() *roster.Asks {
	return roster.AskedOf(l.session, l.plan.Blocks, l.threshold, l.known, l.given, time.Now())
}

// writeAsks writes what a session asks for a person.
func writeAsks(out io.Writer, a *roster.Asks) error {
	var b strings.Builder
	if words := a.Sentences(); len(words) > 0 {
		b.WriteString("\n" + strings.Join(words, "\n") + "\n")
	}
	for _, r := range a.Cautions {
		fmt.Fprintf(&b, "Caution: %s [%s]\n", r.Text, r.Code)
	}
	_, err := io.WriteString(out, b.String())
	return err
}
