package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// when is a swim's begin, where the wall clock was set.
func when(w *store.Swim) string {
	if !w.ClockSet() {
		return "clock not set"
	}
	return w.Began.Format("2006-01-02 15:04")
}

func length(d units.Distance, u units.Unit) string { return fmt.Sprintf("%.0f %s", d.In(u), u) }

// outcome is how a swim ended, in a few words.
func outcome(w *store.Swim) string {
	in := fmt.Sprintf(" in block %d of %d", w.At.Block+1, w.Blocks)
	switch w.Outcome {
	case store.UnderWay:
		return "under way" + in
	case store.Finished:
		return "finished"
	case store.ByPerson:
		return "ended" + in
	case store.ByGuard:
		return "stopped" + in
	}
	return "cut off" + in
}

func listSwims(out io.Writer, swims []store.Swim) error {
	if len(swims) == 0 {
		_, err := fmt.Fprintln(out, "No swims yet.")
		return err
	}
	rows := [][]string{{"swim", "began", "swimmer", "session", "time", "distance", ""}}
	for i := range swims {
		w := &swims[i]
		how := outcome(w)
		if w.Code != "" && w.Outcome != store.Finished {
			how += " [" + string(w.Code) + "]"
		}
		if w.Simulated {
			how += ", SIMULATED"
		}
		rows = append(rows, []string{fmt.Sprint(w.ID), when(w), w.Swimmer, w.Title, units.FormatTimeWhole(w.Swum.Time), length(w.Swum.Distance, w.Unit), how})
	}
	var b strings.Builder
	rehearse.Columns(&b, rows, "rlllrrl")
	_, err := io.WriteString(out, b.String())
	return err
}

func showSwim(out io.Writer, r *store.Record) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Swim %d, %s: %s", r.ID, when(&r.Swim), r.Title)
	if r.Swimmer != "" {
		fmt.Fprintf(&b, ", %s", r.Swimmer)
	}
	if !r.Threshold.IsZero() {
		fmt.Fprintf(&b, ", threshold %s", r.Threshold.In(r.Unit))
	}
	b.WriteString("\n")
	if r.Simulated {
		b.WriteString("SIMULATED drive: no real water moved.\n")
	}
	if r.Continues != 0 {
		fmt.Fprintf(&b, "Takes up swim %d where that was left.\n", r.Continues)
	}
	b.WriteString("\n")
	head := "swum"
	if r.Simulated {
		head = "SIMULATED"
	}
	rows := [][]string{{"block", "asked", "", "at", "planned", "", head, "", "at", ""}}
	var asked, planned, swum store.Figure
	for _, x := range r.Blocks {
		name := x.Name
		if x.Of > 1 {
			name += fmt.Sprintf(" %d of %d", x.Round, x.Of)
		}
		row := []string{name, units.FormatTime(x.Asked.Time), length(x.Asked.Distance, r.Unit), askedPace(x), units.FormatTime(x.Planned.Time), length(x.Planned.Distance, r.Unit), "", "", "", "not swum"}
		if x.Was {
			row[6], row[7], row[8], row[9] = units.FormatTime(x.Swum.Time), length(x.Swum.Distance, r.Unit), "", ""
			if !x.Rest {
				row[8] = x.Swum.Speed().Pace(r.Unit).String()
			}
			if !x.Done {
				row[9] = "left before its end"
			}
			swum = sum(swum, x.Swum)
		}
		asked, planned = sum(asked, x.Asked), sum(planned, x.Planned)
		rows = append(rows, row)
	}
	rows = append(rows, []string{"total", units.FormatTime(asked.Time), length(asked.Distance, r.Unit), "", units.FormatTime(planned.Time), length(planned.Distance, r.Unit),
		units.FormatTime(swum.Time), length(swum.Distance, r.Unit), "", ""})
	rehearse.Columns(&b, rows, "lrrrrrrrrl")
	fmt.Fprintf(&b, "\n%s swum with what ran out after the last block, in %s with pauses and count-in.\n", length(r.Swum.Distance, r.Unit), units.FormatTimeWhole(r.Passed))
	if r.Outcome != store.Finished {
		fmt.Fprintf(&b, "It was %s, %s into %q.", outcome(&r.Swim), units.FormatTimeWhole(r.At.Time), r.Blocks[min(r.At.Block, len(r.Blocks)-1)].Name)
		if r.Code != "" {
			f := fault.Of(r.Code)
			fmt.Fprintf(&b, " %s [%s]", f.What, f.Code)
		}
		b.WriteString("\n")
	}
	if r.Missed > 0 {
		fmt.Fprintf(&b, "%s [%s]\n", fault.Of(fault.StoreMissed).What, fault.StoreMissed)
	}
	if r.Thinned {
		b.WriteString("Its samples were dropped to make room.\n")
	}
	way := slices.DeleteFunc(slices.Clone(r.Happenings), func(h store.Happening) bool {
		if h.Kind == "drift" {
			fmt.Fprintf(&b, "%s [%s]\n", h.What, h.Code)
		}
		return h.Kind == "drift"
	})
	for i, h := range way {
		if i == 0 {
			b.WriteString("\nOn the way:\n")
		}
		b.WriteString("  " + units.FormatTimeWhole(h.At) + "  " + happening(h) + "\n")
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func sum(a, b store.Figure) store.Figure {
	return store.Figure{Time: a.Time + b.Time, Distance: units.Metres(a.Distance.Metres() + b.Distance.Metres())}
}

func askedPace(b store.Block) string {
	switch {
	case b.Rest:
		return "rest"
	case b.From != b.To:
		return b.From.Clock() + " to " + b.To.String()
	}
	return b.To.String()
}

func happening(h store.Happening) string {
	if h.Kind != "command" {
		if h.Code == "" {
			return "all well"
		}
		return h.What + ": " + fault.Of(h.Code).What
	}
	text := h.What
	if h.What == "nudge" {
		text += fmt.Sprintf(" %+g s per 100", h.Nudge)
	}
	text += ", from the " + h.By
	if h.Code != "" {
		text += ", did nothing [" + string(h.Code) + "]"
	}
	return text
}

// swumCurve is a swim's samples as a curve.
func swumCurve(r *store.Record) *rehearse.Curve {
	c := &rehearse.Curve{Title: r.Title, Unit: r.Unit, Asked: rehearse.Line{Name: "asked"}, Water: rehearse.Line{Name: "water as estimated"}}
	if r.Simulated {
		c.Water.Name = "SIMULATED water"
	}
	c.Sub = fmt.Sprintf("swim %d, %s: %s in %s, %s", r.ID, when(&r.Swim), length(r.Swum.Distance, r.Unit), units.FormatTimeWhole(r.Swum.Time), outcome(&r.Swim))
	if r.Swimmer != "" {
		c.Sub = r.Swimmer + ", " + c.Sub
	}
	for _, s := range r.Samples {
		c.Asked.Water = append(c.Asked.Water, rehearse.At{Time: s.At, Speed: s.Wish})
		c.Water.Water = append(c.Water.Water, rehearse.At{Time: s.At, Speed: s.Water})
	}
	c.End = r.Samples[len(r.Samples)-1].At
	begin := r.Samples[0].At
	for _, b := range byLeaving(r.Blocks) {
		c.Stretches = append(c.Stretches, rehearse.Stretch{Name: b.Name, Begin: begin, End: b.Left, Rest: b.Rest})
		begin = b.Left
	}
	c.RunsOut = begin
	return c
}

// byLeaving are the blocks that were swum, in the order in which they were left.
func byLeaving(blocks []store.Block) (out []store.Block) {
	for _, b := range blocks {
		if b.Was {
			out = append(out, b)
		}
	}
	slices.SortStableFunc(out, func(a, b store.Block) int { return int(a.Left - b.Left) })
	return out
}

func showTrends(out io.Writer, swimmer string, weeks []store.Week, undated int) error {
	var b strings.Builder
	who := "everybody"
	if swimmer != "" {
		who = swimmer
	}
	fmt.Fprintf(&b, "Weeks of %s\n\n", who)
	rows := [][]string{{"week of", "swims", "time", "distance", "below", "at threshold", "above", "unknown", "by kind"}}
	for _, w := range weeks {
		row := []string{w.Monday.Format(time.DateOnly), fmt.Sprint(w.Swims), units.FormatTimeWhole(w.Total.Time), length(w.Total.Distance, units.Metre)}
		if w.Simulated > 0 {
			row[1] += fmt.Sprintf(" (%d SIMULATED)", w.Simulated)
		}
		for _, e := range []store.Effort{store.Below, store.At, store.Above, store.Unknown} {
			row = append(row, length(w.ByEffort[e].Distance, units.Metre))
		}
		var kinds []string
		for k, f := range w.ByKind {
			if k == "" {
				k = "other"
			}
			kinds = append(kinds, k+" "+length(f.Distance, units.Metre))
		}
		slices.Sort(kinds)
		rows = append(rows, append(row, strings.Join(kinds, ", ")))
	}
	rehearse.Columns(&b, rows, "lrrrrrrrl")
	b.WriteString("\nAt threshold is within 3 % of the threshold's speed on that day.\n")
	if undated > 0 {
		fmt.Fprintf(&b, "Swims from before the clock was set, left out: %d.\n", undated)
	}
	_, err := io.WriteString(out, b.String())
	return err
}
