package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

// table is what was seen, with the time since its begin.
type table struct {
	began time.Time
	rows  []string
	file  string // where rows are written at once; empty for nowhere
}

func (t *table) saw(what, format string, args ...any) {
	seen := strings.Join(strings.Fields(fmt.Sprintf(format, args...)), " ")
	t.rows = append(t.rows, fmt.Sprintf("%7.1f s  %-44s  %s", time.Since(t.began).Seconds(), what, seen))
	if t.file != "" { // a table that is cut off tells how far it came
		_ = os.WriteFile(t.file, []byte(strings.Join(t.rows, "\n")+"\n"), 0o644)
	}
}

func (t *table) print(w io.Writer) {
	for _, r := range t.rows {
		fmt.Fprintln(w, r)
	}
}

// until waits for something that is looked at every 20 ms, and says how long that took.
func until(what string, patience time.Duration, is func() bool) (time.Duration, error) {
	began := time.Now()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		if time.Since(began) > patience {
			return patience, fmt.Errorf("waited %v in vain for: %s", patience, what)
		}
		<-tick.C
	}
	return time.Since(began), nil
}
