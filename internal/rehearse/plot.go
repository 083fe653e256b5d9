package rehearse

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"flume.example/sequencerd/internal/units"
)

const (
	plotWidth, plotHeight = 30 * vg.Centimeter, 13 * vg.Centimeter
	headHeight            = 1.9 * vg.Centimeter // title, what the lines are, what the pace axis is in
	rightMargin           = 1.7 * vg.Centimeter // paces
	margin                = 0.4 * vg.Centimeter
	nameGap               = 0.25 * vg.Centimeter // between two names under the curve
	leastName             = 1.3 * vg.Centimeter  // a name is shortened to this, but no further, to leave room for the next
	mostName              = 2.8 * vg.Centimeter
	paceGap               = 15 // points between two paces
)

// Ink that colour-blind eyes tell apart, by darkness and dash as well as hue.
var (
	inkPlan  = color.NRGBA{0x10, 0x30, 0x50, 0xff}
	inkWater = color.NRGBA{0xc8, 0x5a, 0x00, 0xff}
	inkGrid  = color.NRGBA{0xd8, 0xdc, 0xe0, 0xff}
	inkRest  = color.NRGBA{0xf1, 0xf4, 0xf7, 0xff}
)

// PlotFormat is the picture format for a file name: "svg" or "png".
func PlotFormat(name string) (string, error) {
	switch ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), ".")); ext {
	case "svg", "png":
		return ext, nil
	}
	return "", fmt.Errorf("cannot plot to %q: the name has to end in .svg or .png", name)
}

// WritePlot draws the planned and the simulated water over time, a line each: blocks named at their starts, rests shaded, m/s on the left, pace on the right.
func (r *Result) WritePlot(out io.Writer, format string) error {
	p := plot.New()
	p.BackgroundColor = color.White
	for _, s := range []*draw.TextStyle{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.X.Tick.Label, &p.Y.Label.TextStyle, &p.Y.Tick.Label} {
		s.Font.Variant = "Sans"
		s.Color = inkPlan
	}
	planned, water, err := r.lines()
	if err != nil {
		return err
	}
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = inkGrid, inkGrid
	p.Add(rests(r.Blocks), grid, planned, water)
	total, _ := r.plan.Profile.Total()
	runout, _ := r.plan.Profile.Runout()
	p.X.Min, p.X.Max = 0, (total + runout).Seconds()
	p.Y.Min, p.Y.Max = 0, math.Max(p.Y.Max*1.06, 0.3)
	p.X.Padding, p.Y.Padding = 0, 0
	p.X.Tick.Label.XAlign = draw.XLeft
	p.Y.Label.Text = "water speed, m/s"

	canvas, err := draw.NewFormattedCanvas(plotWidth, plotHeight, format)
	if err != nil {
		return err
	}
	all := draw.New(canvas)
	all.SetColor(color.White)
	all.Fill(all.Rectangle.Path())
	body := draw.Crop(all, margin, -rightMargin, margin, -headHeight)
	p.X.Tick.Marker = plot.ConstantTicks(r.names(p, p.DataCanvas(body)))
	p.Draw(body)
	data := p.DataCanvas(body)
	r.paceAxis(p, data)
	r.head(p, draw.Crop(all, data.Min.X-all.Min.X, -rightMargin, 0, -margin), planned, water)
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
	planned.Color, planned.Width = inkPlan, 1.8
	water.Color, water.Width, water.Dashes = inkWater, 1.3, []vg.Length{4, 2}
	return planned, water, nil
}

// rests shades the blocks in which the motor is off.
type rests []Block

// Plot implements plot.Plotter.
func (bs rests) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	c.SetColor(inkRest)
	for _, b := range bs {
		if b.Pace == nil {
			c.Fill(vg.Rectangle{Min: vg.Point{X: x(b.Start), Y: c.Min.Y}, Max: vg.Point{X: x(b.Start + b.Duration), Y: c.Max.Y}}.Path())
		}
	}
}

// names are the ticks: blocks named at their starts as far as there is room, the others with a tick alone; and where the water begins to run out.
func (r *Result) names(p *plot.Plot, data draw.Canvas) []plot.Tick {
	x, _ := p.Transforms(&data)
	style := p.X.Tick.Label
	type start struct {
		at   float64
		name string
	}
	var starts []start
	var out []plot.Tick
	for _, b := range r.Blocks {
		if b.Pace != nil {
			starts = append(starts, start{b.Start, b.Name})
		} else {
			out = append(out, plot.Tick{Value: b.Start})
		}
	}
	starts = append(starts, start{r.TotalTime, "runs out"})
	free := vg.Length(math.Inf(-1))
	for i, s := range starts {
		room := data.Max.X + rightMargin - x(s.at)
		if i+1 < len(starts) {
			room = x(starts[i+1].at) - x(s.at) - nameGap
		}
		if room < leastName {
			room = mostName
		}
		t := plot.Tick{Value: s.at}
		if x(s.at) >= free {
			when := units.FormatTimeWhole(duration(s.at))
			t.Label = shorten(s.name, func(text string) bool { return style.Width(text) <= room }) + "\n" + when
			free = x(s.at) + max(style.Width(t.Label), style.Width(when)) + nameGap
		}
		out = append(out, t)
	}
	return out
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

// head writes title and, to the right of it, what the lines are.
func (r *Result) head(p *plot.Plot, c draw.Canvas, planned, water *plotter.Line) {
	title := p.Title.TextStyle
	title.XAlign, title.YAlign = draw.XLeft, draw.YTop
	title.Font.Size, title.Font.Weight = 14, 2 // bold
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XRight, draw.YTop
	x, y := c.Max.X, c.Max.Y
	for _, l := range []struct {
		text string
		line *plotter.Line
	}{{"SIMULATED water", water}, {"planned", planned}} {
		c.FillText(style, vg.Point{X: x, Y: y - 3}, l.text)
		x -= style.Width(l.text) + 5
		c.StrokeLine2(l.line.LineStyle, x-26, y-10, x, y-10)
		x -= 26 + 16
	}
	sub := style
	sub.XAlign = draw.XLeft
	text := fmt.Sprintf("%s and %s of water planned, rests and changes of pace included", units.FormatTimeWhole(duration(r.TotalTime)), r.measure(r.TotalLength))
	if r.Swimmer != "" {
		text = r.Swimmer + ": " + text
	}
	c.FillText(title, vg.Point{X: c.Min.X, Y: y}, shorten(r.Title, func(s string) bool { return c.Min.X+title.Width(s) < x }))
	c.FillText(sub, vg.Point{X: c.Min.X, Y: y - 20}, text)
}

// paceAxis writes the paces of the session's unit at the right: whole minutes first, then what else there is room for. None stands below 0.2 m/s.
func (r *Result) paceAxis(p *plot.Plot, data draw.Canvas) {
	_, y := p.Transforms(&data)
	style := p.Y.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YCenter
	x := data.Max.X
	data.StrokeLine2(p.Y.LineStyle, x, data.Min.Y, x, data.Max.Y)
	var taken []vg.Length
	for _, every := range []int{60, 30, 10} {
		for s := every; s <= 600; s += every {
			pace := units.PacePer100(float64(s), r.unit)
			v := pace.Speed().MetresPerSecond()
			at := y(v)
			near := func(other vg.Length) bool { return math.Abs(float64(at-other)) < paceGap }
			if v < 0.2 || v > p.Y.Max || slices.ContainsFunc(taken, near) {
				continue
			}
			taken = append(taken, at)
			data.StrokeLine2(p.Y.LineStyle, x, at, x+4, at)
			data.FillText(style, vg.Point{X: x + 7, Y: at}, pace.Clock())
		}
	}
	style.XAlign, style.YAlign = draw.XRight, draw.YBottom
	data.FillText(style, vg.Point{X: x + rightMargin - margin, Y: data.Max.Y + 6}, "pace per 100 "+r.unit.String())
}
