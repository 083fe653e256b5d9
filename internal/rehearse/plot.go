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
	step := max(c.End/4000, 20*time.Millisecond)
	cursor := r.plan.Profile.Cursor()
	for t := time.Duration(0); t <= c.End; t += step {
		st, _, _ := cursor.At(t)
		_, w := r.at(t)
		c.Asked.Water = append(c.Asked.Water, At{t, st.Speed})
		c.Water.Water = append(c.Water.Water, At{t, units.MetresPerSecond(w)})
	}
	return c.Write(out, format)
}

// Write draws the curve as "svg" or "png".
func (c *Curve) Write(out io.Writer, format string) error {
	p := plot.New()
	p.BackgroundColor = color.White
	for _, s := range []*draw.TextStyle{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.X.Tick.Label, &p.Y.Label.TextStyle, &p.Y.Tick.Label} {
		s.Font.Variant = "Sans"
		s.Color = inkPlan
	}
	asked, err := c.Asked.draw()
	if err != nil {
		return err
	}
	water, err := c.Water.draw()
	if err != nil {
		return err
	}
	asked.Color, asked.Width = inkPlan, 1.8
	water.Color, water.Width, water.Dashes = inkWater, 1.3, []vg.Length{4, 2}
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = inkGrid, inkGrid
	p.Add(rests(c.Stretches), grid, asked, water)
	p.X.Min, p.X.Max = 0, max(c.End.Seconds(), 1)
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
	p.X.Tick.Marker = plot.ConstantTicks(c.names(p, p.DataCanvas(body)))
	p.Draw(body)
	data := p.DataCanvas(body)
	c.paceAxis(p, data)
	c.head(p, draw.Crop(all, data.Min.X-all.Min.X, -rightMargin, 0, -margin), asked, water)
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return err
	}
	_, err = b.WriteTo(out)
	return err
}

func (l *Line) draw() (*plotter.Line, error) {
	points := make(plotter.XYs, len(l.Water))
	for i, w := range l.Water {
		points[i] = plotter.XY{X: w.Time.Seconds(), Y: w.Speed.MetresPerSecond()}
	}
	return plotter.NewLine(points)
}

// rests shades the blocks in which the motor is off.
type rests []Stretch

// Plot implements plot.Plotter.
func (bs rests) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	c.SetColor(inkRest)
	for _, b := range bs {
		if b.Rest {
			c.Fill(vg.Rectangle{Min: vg.Point{X: x(b.Begin.Seconds()), Y: c.Min.Y}, Max: vg.Point{X: x(b.End.Seconds()), Y: c.Max.Y}}.Path())
		}
	}
}

// names are the ticks: blocks named at their starts as far as there is room, the others with a tick alone; and where the water begins to run out.
func (c *Curve) names(p *plot.Plot, data draw.Canvas) []plot.Tick {
	x, _ := p.Transforms(&data)
	style := p.X.Tick.Label
	var starts []Stretch
	var out []plot.Tick
	for _, b := range c.Stretches {
		if b.Rest {
			out = append(out, plot.Tick{Value: b.Begin.Seconds()})
		} else {
			starts = append(starts, b)
		}
	}
	starts = append(starts, Stretch{Name: "runs out", Begin: c.RunsOut})
	free := vg.Length(math.Inf(-1))
	for i, s := range starts {
		room := data.Max.X + rightMargin - x(s.Begin.Seconds())
		if i+1 < len(starts) {
			room = x(starts[i+1].Begin.Seconds()) - x(s.Begin.Seconds()) - nameGap
		}
		if room < leastName {
			room = mostName
		}
		t := plot.Tick{Value: s.Begin.Seconds()}
		if x(s.Begin.Seconds()) >= free {
			when := units.FormatTimeWhole(s.Begin)
			t.Label = shorten(s.Name, func(text string) bool { return style.Width(text) <= room }) + "\n" + when
			free = x(s.Begin.Seconds()) + max(style.Width(t.Label), style.Width(when)) + nameGap
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
func (c *Curve) head(p *plot.Plot, to draw.Canvas, asked, water *plotter.Line) {
	title := p.Title.TextStyle
	title.XAlign, title.YAlign = draw.XLeft, draw.YTop
	title.Font.Size, title.Font.Weight = 14, 2 // bold
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XRight, draw.YTop
	x, y := to.Max.X, to.Max.Y
	for _, l := range []struct {
		text string
		line *plotter.Line
	}{{c.Water.Name, water}, {c.Asked.Name, asked}} {
		to.FillText(style, vg.Point{X: x, Y: y - 3}, l.text)
		x -= style.Width(l.text) + 5
		to.StrokeLine2(l.line.LineStyle, x-26, y-10, x, y-10)
		x -= 26 + 16
	}
	sub := style
	sub.XAlign = draw.XLeft
	to.FillText(title, vg.Point{X: to.Min.X, Y: y}, shorten(c.Title, func(s string) bool { return to.Min.X+title.Width(s) < x }))
	to.FillText(sub, vg.Point{X: to.Min.X, Y: y - 20}, c.Sub)
}

// paceAxis writes the paces of the session's unit at the right: whole minutes first, then what else there is room for. None stands below 0.2 m/s.
func (c *Curve) paceAxis(p *plot.Plot, data draw.Canvas) {
	_, y := p.Transforms(&data)
	style := p.Y.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YCenter
	x := data.Max.X
	data.StrokeLine2(p.Y.LineStyle, x, data.Min.Y, x, data.Max.Y)
	var taken []vg.Length
	for _, every := range []int{60, 30, 10} {
		for s := every; s <= 600; s += every {
			pace := units.PacePer100(float64(s), c.Unit)
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
	data.FillText(style, vg.Point{X: x + rightMargin - margin, Y: data.Max.Y + 6}, "pace per 100 "+c.Unit.String())
}
