package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// listSwimmers lists those of the store, then those whom only the configuration knows.
func listSwimmers(out io.Writer, st *store.Store, cfg *settings.Settings, names []string) error {
	rows := [][]string{{"swimmer", "threshold in the flume", "", "cap", ""}}
	for _, name := range names {
		k, err := roster.Look(st, name, roster.Simulated(cfg))
		if err != nil {
			return err
		}
		rows = append(rows, []string{k.Name, tenths(k.Flume(), k.Unit), plusMinus(k), capText(k.Cap), k.Whence()})
	}
	for _, p := range cfg.People {
		if !slices.ContainsFunc(names, func(n string) bool { return strings.EqualFold(n, p.Name) }) {
			rows = append(rows, []string{p.Name, p.Threshold.String(), "", capText(p.Cap), "from the configuration"})
		}
	}
	if len(rows) == 1 {
		_, err := fmt.Fprintln(out, "Nobody is known by name yet: sequencerd swimmers add NAME.")
		return err
	}
	var b strings.Builder
	rehearse.Columns(&b, rows, "lrlll")
	_, err := io.WriteString(out, b.String())
	return err
}

func capText(v units.Speed) string {
	if v == (units.Speed{}) {
		return "–"
	}
	return fmt.Sprintf("%.4g m/s", v.MetresPerSecond())
}

// tenths is a pace per 100 of a unit, with its tenths even where they are none: whoever rounds differently is seen.
func tenths(p units.Pace, u units.Unit) string {
	if p.IsZero() {
		return "–"
	}
	text := p.In(u).Clock()
	if !strings.Contains(text, ".") {
		text += ".0"
	}
	return text + "/100" + u.String()
}

// plusMinus is how sure a threshold is.
func plusMinus(k *roster.Known) string {
	if k.Now.Error == 0 {
		return ""
	}
	return fmt.Sprintf("±%.1f", k.Now.Error*k.Unit.Metres())
}

// showThreshold says what counts now, and what may be doubted of it.
func showThreshold(out io.Writer, k *roster.Known, today time.Time) error {
	var b strings.Builder
	writeThreshold(&b, k, today)
	_, err := io.WriteString(out, b.String())
	return err
}

func writeThreshold(b *strings.Builder, k *roster.Known, today time.Time) {
	if k.Now.Pace.IsZero() {
		fmt.Fprintf(b, "%s, threshold not known", k.Name)
	} else {
		fmt.Fprintf(b, "%s, threshold %s %s", k.Name, tenths(k.Now.Pace, k.Unit), k.Whence())
		switch {
		case k.Now.Error > 0:
			fmt.Fprintf(b, ", %s s in 95 of 100 cases", plusMinus(k))
		case k.Fit != nil:
			b.WriteString(", with an error that two swims do not tell")
		}
	}
	if !k.Now.Pace.IsZero() && !k.Now.Flume && k.Offset != 0 {
		way := "faster"
		if k.Offset > 0 {
			way = "slower"
		}
		fmt.Fprintf(b, "; in the flume %s, %.3g s per 100 m %s", tenths(k.Flume(), k.Unit), max(k.Offset, -k.Offset), way)
	}
	if k.Cap != (units.Speed{}) {
		fmt.Fprintf(b, "; cap %s", capText(k.Cap))
	}
	b.WriteString(".\n")
	for _, r := range k.Doubts(today) {
		fmt.Fprintf(b, "Note: %s [%s]\n", r.Text, r.Code)
	}
	if k.Now.Pace.IsZero() && k.Why != nil {
		fmt.Fprintf(b, "Note: %v.\n", k.Why)
	}
}

func showSwimmer(out io.Writer, k *roster.Known, today time.Time) error {
	var b strings.Builder
	writeThreshold(&b, k, today)
	if k.Fit != nil {
		writeFit(&b, k)
	}
	if len(k.Timed) > 0 {
		b.WriteString("\nTimed swims:\n")
		rows := [][]string{{"number", "on", "distance", "time", "pace", ""}}
		for _, t := range k.Timed {
			where := swimmer.Pool
			if t.Flume {
				where = swimmer.Flume
			}
			rows = append(rows, []string{fmt.Sprint(t.Number), dayText(t.Day), roster.Metres(t.Distance), units.FormatTime(t.Time), tenths(store.Figure{Time: t.Time, Distance: t.Distance}.Speed().Pace(k.Unit), k.Unit), where.String()})
		}
		rehearse.Columns(&b, rows, "rlrrrl")
	}
	if len(k.Held) > 0 {
		b.WriteString("\nHold-on tests:\n")
		rows := [][]string{{"swim", "on", "block", "pace", "held", "distance", ""}}
		for _, h := range k.Held {
			s, why := roster.AsHeld(h).Counts()
			switch {
			case why != "":
				why = "does not count: " + why
			case s.Simulated:
				why = "SIMULATED"
			}
			rows = append(rows, []string{fmt.Sprint(h.Swim), dayText(h.Day), h.Name, h.Pace.String(), units.FormatTime(h.Swum.Time), fmt.Sprintf("%.1f m", h.Swum.Distance.Metres()), why})
		}
		rehearse.Columns(&b, rows, "rllrrrl")
	}
	if len(k.History) > 0 {
		b.WriteString("\nHistory of the threshold, the latest last:\n")
		rows := [][]string{}
		for _, t := range k.History {
			from, where := t.Swims, "pool"
			if t.Flume {
				where = "flume"
			}
			if t.ByHand {
				from = where + ": set by hand"
			}
			rows = append(rows, []string{dayText(t.Day), tenths(t.Pace, k.Unit), from})
		}
		rehearse.Columns(&b, rows, "lrl")
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// writeFit writes what the fit says besides the threshold.
func writeFit(b *strings.Builder, k *roster.Known) {
	fmt.Fprintf(b, "Reserve above it: %.1f m", k.Fit.Reserve.Metres())
	if e, ok := k.Fit.ReserveError(); ok {
		fmt.Fprintf(b, ", standard error %.1f m", e.Metres())
	}
	b.WriteString(" (not reliable by itself).\n\nPredicted in the " + k.Fit.Where().String() + ":\n")
	var rows [][]string
	for _, d := range roster.Distances(k.Unit) {
		p, err := k.Fit.Time(d)
		if err != nil {
			continue
		}
		note := ""
		if p.Beyond {
			note = "with care: outside 2 to 15 minutes"
		}
		rows = append(rows, []string{roster.Metres(d), p.String(), note})
	}
	rehearse.Columns(b, rows, "rll")
}

func dayText(t time.Time) string {
	if t.IsZero() {
		return "no date"
	}
	return t.Format(time.DateOnly)
}
