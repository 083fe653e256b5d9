package rehearse

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"flume.example/sequencerd/internal/units"
)

const (
	plotWidth, plotHeight = 30 * vg.Centimeter, 12 * vg.Centimeter
	rightMargin           = 2.2 * vg.Centimeter
	nameWidth             = 2.4 * vg.Centimeter // a block's name at its tick needs about this much
)

// Ink that colour-blind eyes tell apart, by darkness and dash as well as hue.
var (
	inkPlan  = color.NRGBA{0x10, 0x30, 0x50, 0xff}
	inkWater = color.NRGBA{0xc8, 0x6a, 0x00, 0xff}
)

// PlotFormat is the picture format for a file name: "svg" or "png".
func PlotFormat(name string) (string, error) {
	switch ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), ".")); ext {
	case "svg", "png":
		return ext, nil
	}
	return "", fmt.Errorf("cannot plot to %q: the name has to end in .svg or .png", name)
}

// WritePlot draws the planned and the simulated water over time, a line each: blocks named at their starts, m/s on the left, pace on the right.
func (r *Result) WritePlot(out io.Writer, format string) error {
	p := plot.New()
	p.Title.Text = r.Title
	if r.Swimmer != "" {
		p.Title.Text += " – " + r.Swimmer
	}
	planned, water, err := r.lines()
	if err != nil {
		return err
	}
	p.Add(plotter.NewGrid(), planned, water)
	p.Legend.Add("planned", planned)
	p.Legend.Add("SIMULATED water", water)
	p.Legend.Top, p.Legend.XOffs, p.Legend.YOffs = true, -0.3*vg.Centimeter, 0.6*vg.Centimeter
	total, _ := r.plan.Profile.Total()
	runout, _ := r.plan.Profile.Runout()
	p.X.Min, p.X.Max = 0, (total + runout).Seconds()
	p.Y.Min = 0
	p.Y.Max = math.Max(p.Y.Max*1.12, 0.5)
	p.Y.Label.Text = "water speed, m/s"
	p.X.Tick.Marker = plot.ConstantTicks(r.ticks(p.X.Max))
	canvas, err := draw.NewFormattedCanvas(plotWidth, plotHeight, format)
	if err != nil {
		return err
	}
	all := draw.New(canvas)
	left := draw.Crop(all, 0, -rightMargin, 0, 0)
	p.Draw(left)
	r.paceAxis(p, p.DataCanvas(left))
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return err
	}
	_, err = b.WriteTo(out)
	return err
}

func (r *Result) lines() (planned, water *plotter.Line, err error) {
	total, _ := r.plan.Profile.Total()
	runout, _ := r.plan.Profile.Runout()
	step := max((total+runout)/4000, 20*time.Millisecond)
	cursor := r.plan.Profile.Cursor()
	var a, b plotter.XYs
	for t := time.Duration(0); t <= total+runout; t += step {
		st, _, _ := cursor.At(t)
		a = append(a, plotter.XY{X: t.Seconds(), Y: st.Speed.MetresPerSecond()})
		_, w := r.at(t)
		b = append(b, plotter.XY{X: t.Seconds(), Y: w})
	}
	if planned, err = plotter.NewLine(a); err != nil {
		return nil, nil, err
	}
	if water, err = plotter.NewLine(b); err != nil {
		return nil, nil, err
	}
	planned.Color, planned.Width = inkPlan, 1.6
	water.Color, water.Width, water.Dashes = inkWater, 1.2, []vg.Length{4, 2}
	return planned, water, nil
}

// ticks names the blocks at their starts, as far as there is room; the others get a tick without a name.
func (r *Result) ticks(max float64) []plot.Tick {
	var out []plot.Tick
	perSecond := float64(plotWidth-rightMargin-2*vg.Centimeter) / max
	free := math.Inf(-1)
	for _, b := range r.Blocks {
		t := plot.Tick{Value: b.Start}
		if b.Pace != nil && (b.Start-free)*perSecond >= 0 {
			t.Label = shorten(b.Name) + "\n" + units.FormatTimeWhole(duration(b.Start))
			free = b.Start + float64(nameWidth)/perSecond
		}
		out = append(out, t)
	}
	return out
}

func shorten(name string) string {
	const most = 14
	if rs := []rune(name); len(rs) > most {
		return string(rs[:most-1]) + "…"
	}
	return name
}

// paceAxis writes the paces of the session's unit at the right.
func (r *Result) paceAxis(p *plot.Plot, data draw.Canvas) {
	_, y := p.Transforms(&data)
	style := p.Y.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YCenter
	x := data.Max.X
	data.StrokeLine2(p.Y.LineStyle, x, data.Min.Y, x, data.Max.Y)
	last := vg.Length(math.Inf(-1))
	for s := 600; s >= 30; s -= 5 {
		pace := units.PacePer100(float64(s), r.unit)
		v := pace.Speed().MetresPerSecond()
		at := y(v)
		if v > p.Y.Max || at-last < 14 {
			continue
		}
		last = at
		data.StrokeLine2(p.Y.LineStyle, x, at, x+4, at)
		data.FillText(style, vg.Point{X: x + 7, Y: at}, pace.Clock())
	}
	style.YAlign = draw.YBottom
	data.FillText(style, vg.Point{X: x + 4, Y: data.Max.Y + 3}, "per 100 "+r.unit.String())
}
