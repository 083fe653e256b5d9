package rehearse

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// mostNameRunes keeps the table within the width of a terminal; rounds come on top.
const mostNameRunes = 24

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
	per := "/100 " + r.unit.String()
	rows := [][]string{{"starts", "block", "asked", "", "swum", "", "pace", ""}, {"", "", "", r.unit.String() + "  ", "", r.unit.String() + "  ", per, ""}}
	told := map[int]bool{} // steps of which it was said why
	for i := range r.Blocks {
		blk, src := &r.Blocks[i], &r.plan.Blocks[i]
		name := shorten(blk.Name, func(s string) bool { return utf8.RuneCountInString(s) <= mostNameRunes })
		if blk.Of > 1 {
			name += fmt.Sprintf(" %d of %d", blk.Round, blk.Of)
		}
		why := ""
		if !told[src.Step] {
			why = r.why(i)
			told[src.Step] = why != ""
		}
		asked, pace := r.column(blk.AskedM), "rest"
		if blk.Pace == nil {
			asked = ""
		} else if pace = src.To.Clock(); src.TwoPace() {
			pace = src.From.Clock() + " to " + pace
		}
		rows = append(rows, []string{clock(blk.Start), name, clock(blk.AskedS), asked, clock(blk.Duration), r.column(blk.Distance), pace, why})
	}
	rows = append(rows, []string{"", "total", clock(r.AskedTime), r.column(r.AskedLength), clock(r.TotalTime), r.column(r.TotalLength), "", ""})
	Columns(&b, rows, "rlrrrrrl")
	fmt.Fprintf(&b, "\nThen the water runs out in %s (%s); stay clear of it until it is still.\n", clock(r.RunoutTime), r.measure(r.RunoutLength))
	fmt.Fprintf(&b, "SIMULATED: a motor and water not quite as calibrated gave %s in %s, at most %.2f m/s off the plan.\n",
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

// Columns writes rows with each column as wide as its widest cell, aligned left or right.
func Columns(b *strings.Builder, rows [][]string, align string) {
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

// why says what makes a block's figures differ from those asked; empty where they hardly do.
func (r *Result) why(i int) string {
	b, src := &r.Blocks[i], &r.plan.Blocks[i]
	seconds, metres := b.Duration-b.AskedS, b.Distance-b.AskedM
	switch {
	case src.Rest && math.Abs(seconds) >= 0.05:
		return "what the send-off leaves"
	case src.Rest && metres >= 0.05:
		return "the water runs on"
	case src.Rest, math.Abs(seconds) < 0.05 && math.Abs(metres) < 0.05:
		return ""
	case !b.Reached:
		return "too short to reach its pace"
	}
	off, word := r.measure(math.Abs(metres)), "less"
	if metres > 0 {
		word = "more"
	}
	if src.Extent == schedule.ByDistance {
		off = fmt.Sprintf("%.1f s", math.Abs(seconds))
		if word = "less"; seconds > 0 {
			word = "more"
		}
	}
	return fmt.Sprintf("%s %s: %.1f s to get to pace", off, word, b.RampS)
}

// measure is a distance in the session's unit.
func (r *Result) measure(m float64) string { return r.number(m) + " " + r.unit.String() }

// column is a number that stands under others, the decimal points in line.
func (r *Result) column(m float64) string {
	n := r.number(m)
	if !strings.Contains(n, ".") {
		n += "  "
	}
	return n
}

// number is a distance in the session's unit without that, to the tenth where it is not whole.
func (r *Result) number(m float64) string {
	n := units.Metres(m).In(r.unit)
	if math.Abs(n-math.Round(n)) < 0.05 {
		return fmt.Sprintf("%.0f", n)
	}
	return fmt.Sprintf("%.1f", n)
}

func clock(s float64) string { return units.FormatTime(duration(s)) }

func duration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
