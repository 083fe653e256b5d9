package rehearse

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/units"
)

// WriteTable writes the session as a person reads it: asked beside what will be swum, why they differ, once a step, and what must be known beforehand.
func (r *Result) WriteTable(out io.Writer) error {
	var b strings.Builder
	who := ""
	if r.Swimmer != "" {
		who = ", for " + r.Swimmer
	}
	if r.Threshold != nil {
		who += ", threshold " + units.PacePer100(*r.Threshold, units.Metre).In(r.unit).String()
	}
	fmt.Fprintf(&b, "%s%s\n\n", r.Title, who)
	rows := [][]string{{"starts", "block", "asked", "", "will be swum", "", "at", ""}}
	step := -1
	for i := range r.Blocks {
		blk, src := &r.Blocks[i], &r.plan.Blocks[i]
		name := blk.Name
		if blk.Of > 1 {
			name += fmt.Sprintf(" %d of %d", blk.Round, blk.Of)
		}
		why := ""
		if src.Step != step {
			why, step = r.why(i), src.Step
		}
		rows = append(rows, []string{
			clock(blk.Start), name, clock(blk.AskedS), r.measure(blk.AskedM), clock(blk.Duration), r.measure(blk.Distance), paceText(src), why,
		})
	}
	rows = append(rows, []string{"", "total", clock(r.AskedTime), r.measure(r.AskedLength), clock(r.TotalTime), r.measure(r.TotalLength), "", ""})
	columns(&b, rows, "rlrrrrrl")
	fmt.Fprintf(&b, "\nThen the water runs out in %s (%s); stay clear of it until it is still.\n", clock(r.RunoutTime), r.measure(r.RunoutLength))
	fmt.Fprintf(&b, "SIMULATED: %s in %s; the water was at most %.2f m/s beside what was wished.\n",
		r.measure(r.Simulated.Length), clock(r.Simulated.Time), r.Simulated.WorstError)
	if len(r.AsksAt) > 0 {
		times := make([]string, len(r.AsksAt))
		for i, s := range r.AsksAt {
			times[i] = units.FormatTimeWhole(duration(s))
		}
		fmt.Fprintf(&b, "Asks whether you are still there at %s: press any button.\n", strings.Join(times, ", "))
	}
	for _, m := range r.Warnings {
		fmt.Fprintf(&b, "Note: %s [%s]\n", m.Text, m.Code)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// columns writes rows with each column as wide as its widest cell, aligned left or right.
func columns(b *strings.Builder, rows [][]string, align string) {
	widths := make([]int, len(align))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range rows {
		var line strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
			if align[i] == 'l' {
				line.WriteString("  " + cell + pad)
			} else {
				line.WriteString("  " + pad + cell)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
}

// why says what makes a block's figures differ from those asked: the change of speed at its begin.
func (r *Result) why(i int) string {
	b := &r.Blocks[i]
	if b.Pace == nil || math.Abs(b.Duration-b.AskedS) < 0.05 && math.Abs(b.Distance-b.AskedM) < 0.1 {
		return ""
	}
	if b.RampS > b.Duration {
		return "too short for the change of pace"
	}
	return fmt.Sprintf("the change of pace takes %.1f s and %s", b.RampS, r.measure(b.RampM))
}

// measure is a distance in the session's unit, to the tenth where it is not whole.
func (r *Result) measure(m float64) string {
	n := units.Metres(m).In(r.unit)
	if math.Abs(n-math.Round(n)) < 0.05 {
		return fmt.Sprintf("%.0f %s", n, r.unit)
	}
	return fmt.Sprintf("%.1f %s", n, r.unit)
}

func clock(s float64) string { return units.FormatTime(duration(s)) }

func duration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
