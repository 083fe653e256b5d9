// Package doctor looks at an installation and says in plain words what it lacks. It moves nothing, opens no drive, and works beside a daemon that runs.
package doctor

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Verdict says how something is.
type Verdict string

// The verdicts. A fault keeps the flume from being what it should; a caution will, one day, or has to be known.
const (
	Good    Verdict = "good"
	Caution Verdict = "caution"
	Fault   Verdict = "fault"
)

// Finding is what one look has shown.
type Finding struct {
	Verdict Verdict `json:"verdict"`
	Saw     string  `json:"saw"`
	Do      string  `json:"do,omitzero"` // empty where nothing is to be done
}

// Check is one look. Look may take seconds, and must not move anything; it gives at least one finding.
type Check struct {
	Name string
	Look func() []Finding
}

// Result is a finding with the name of its check.
type Result struct {
	Check string `json:"check"`
	Finding
}

// Run looks at everything, one after the other. A check that panics is a fault of its own, and the others go on.
func Run(checks []Check) (all []Result) {
	for _, c := range checks {
		for _, f := range safely(c) {
			all = append(all, Result{c.Name, f})
		}
	}
	return all
}

func safely(c Check) (found []Finding) {
	defer func() {
		if p := recover(); p != nil {
			found = []Finding{{Fault, fmt.Sprintf("This could not be looked at: %v.", p), "Tell whoever looks after this program."}}
		}
	}()
	return c.Look()
}

// Worst is the weightiest verdict.
func Worst(all []Result) Verdict {
	worst := Good
	for _, r := range all {
		if r.Verdict == Fault || r.Verdict == Caution && worst == Good {
			worst = r.Verdict
		}
	}
	return worst
}

// Write tells all of it, and sums up.
func Write(out io.Writer, all []Result) error {
	var b strings.Builder
	count := map[Verdict]int{}
	for _, r := range all {
		count[r.Verdict]++
		mark := string(r.Verdict)
		if r.Verdict != Good {
			mark = strings.ToUpper(mark)
		}
		fmt.Fprintf(&b, "%-8s %-14s %s\n", mark, r.Check, wrap(r.Saw))
		if r.Do != "" {
			fmt.Fprintf(&b, "%23s → %s\n", "", wrap(r.Do))
		}
	}
	switch faults, cautions := count[Fault], count[Caution]; {
	case faults == 0 && cautions == 0:
		b.WriteString("\nAll is well.\n")
	default:
		fmt.Fprintf(&b, "\nTo mend: %d. To know or look at: %d.\n", faults, cautions)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// wrap breaks a text into lines that stand below each other.
func wrap(text string) string {
	const room = 92 // characters behind verdict and name
	var b strings.Builder
	col := 0
	for i, w := range strings.Fields(text) {
		switch n := utf8.RuneCountInString(w); {
		case i > 0 && col+1+n > room:
			b.WriteString("\n" + strings.Repeat(" ", 24))
			col = 0
		case i > 0:
			b.WriteByte(' ')
			col++
		}
		b.WriteString(w)
		col += utf8.RuneCountInString(w)
	}
	return b.String()
}

func good(format string, args ...any) Finding {
	return Finding{Verdict: Good, Saw: fmt.Sprintf(format, args...)}
}

func caution(do, format string, args ...any) Finding {
	return Finding{Caution, fmt.Sprintf(format, args...), do}
}

func bad(do, format string, args ...any) Finding {
	return Finding{Fault, fmt.Sprintf(format, args...), do}
}
