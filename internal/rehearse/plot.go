package rehearse

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// PlotFormat is the picture format for a file name: "svg" or "png".
func PlotFormat(name string) (string, error) {
	switch ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), ".")); ext {
	case "svg", "png":
		return ext, nil
	}
	return "", fmt.Errorf("cannot plot to %q: the name has to end in .svg or .png", name)
}

// Curve is the water of a swim over time, to be drawn: what was asked and what flowed.
type Curve struct {
	Title, Sub string
	Unit       units.Unit // of the paces
	Asked      Line       // drawn through
	Water      Line       // dashed
	Stretches  []Stretch  // in order
	RunsOut    time.Duration
	End        time.Duration
}

// Line is one line of a curve.
type Line struct {
	Name  string
	Water []At
}

// At is the water at a time.
type At struct {
	Time  time.Duration
	Speed units.Speed
}

// Stretch is a block on a curve.
type Stretch struct {
	Name       string
	Begin, End time.Duration
	Rest       bool // shaded
}

// points is how many a line has at most: two a point of its width.
const points = 1600

// WritePlot draws the planned and the simulated water over time, a line each: blocks named at their starts, rests shaded, m/s on the left, pace on the right.
func (r *Result) WritePlot(out io.Writer, format string) error {
	total, _ := r.plan.Profile.Total()
	runout, _ := r.plan.Profile.Runout()
	c := Curve{Title: r.Title, Unit: r.unit, Asked: Line{Name: "planned"}, Water: Line{Name: "SIMULATED water"}, RunsOut: total, End: total + runout}
	c.Sub = fmt.Sprintf("%s and %s of water planned, rests and changes of pace included", units.FormatTimeWhole(duration(r.TotalTime)), r.measure(r.TotalLength))
	if r.Swimmer != "" {
		c.Sub = r.Swimmer + ": " + c.Sub
	}
	for _, b := range r.Blocks {
		c.Stretches = append(c.Stretches, Stretch{b.Name, duration(b.Start), duration(b.Start + b.Duration), b.Pace == nil})
	}
	step := max(c.End/points, 20*time.Millisecond)
	cursor := r.plan.Profile.Cursor()
	for t := time.Duration(0); t <= c.End; t += step {
		st, _, _ := cursor.At(t)
		_, w := r.at(t)
		c.Asked.Water = append(c.Asked.Water, At{t, st.Speed})
		c.Water.Water = append(c.Water.Water, At{t, units.MetresPerSecond(w)})
	}
	return c.Write(out, format)
}

// shorten cuts a name until it fits.
func shorten(name string, fits func(string) bool) string {
	if fits(name) {
		return name
	}
	rs := []rune(name)
	for n := len(rs) - 1; n > 0; n-- {
		if cut := strings.TrimRight(string(rs[:n]), " ") + "…"; fits(cut) {
			return cut
		}
	}
	return string(rs[:1])
}
