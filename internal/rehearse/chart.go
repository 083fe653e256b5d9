package rehearse

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"

	"flume.example/sequencerd/internal/units"
)

// Lengths of a chart are in points, from the top left. It is 30 by 13 cm.
const (
	chartWidth, chartHeight     = 850.0, 368.0
	dataLeft, dataTop           = 42.0, 66.0 // above it title, what the lines are, what the axes are in
	dataRight, dataBottom       = chartWidth - 48, chartHeight - 40
	margin                      = 11.0
	nameGap                     = 7.0  // between two names under the curve
	leastName                   = 37.0 // a name is shortened to this, but no further, to leave room for the next
	mostName                    = 79.0
	paceGap                     = 15.0 // between two paces
	gridGap                     = 3.0  // between two lines of the grid
	textSize, titleSize         = 10.0, 14.0
	lineOfText                  = 12.0
	mark                        = 4.0             // on an axis
	shown, shownGap, betweenTwo = 26.0, 5.0, 16.0 // of a line, beside its name
)

// Ink that colour-blind eyes tell apart, by darkness and dash as well as hue. The ground is white wherever the picture is shown.
var (
	inkPlan  = color.NRGBA{0x10, 0x30, 0x50, 0xff}
	inkWater = color.NRGBA{0xc8, 0x5a, 0x00, 0xff}
	inkGrid  = color.NRGBA{0xd8, 0xdc, 0xe0, 0xff}
	inkRest  = color.NRGBA{0xf1, 0xf4, 0xf7, 0xff}
	inkPaper = color.NRGBA{0xff, 0xff, 0xff, 0xff}
)

// point is a place on the paper.
type point struct{ x, y float64 }

// stroke is how a line is drawn.
type stroke struct {
	ink   color.NRGBA
	width float64
	dash  []float64 // drawn and left out in turn; nil for a line drawn through
}

var (
	planStroke  = stroke{inkPlan, 1.8, nil}
	waterStroke = stroke{inkWater, 1.3, []float64{4, 2}}
	gridStroke  = stroke{inkGrid, 0.5, nil}
	axisStroke  = stroke{inkPlan, 0.5, nil}
)

// paper is what a chart is drawn on.
type paper interface {
	fill(from, to point, ink color.NRGBA)
	line(along []point, s stroke)
	text(at point, l *letters, ink color.NRGBA, text string) // at is the left end of the line that the letters stand on
	write(out io.Writer) error
}

// chart is one drawing.
type chart struct {
	paper
	plain, bold *letters
	curve       *Curve
	end, top    float64 // of the axes, s and m/s
}

// Write draws the curve as "svg" or "png".
func (c *Curve) Write(out io.Writer, format string) error {
	g := chart{curve: c, end: math.Max(c.End.Seconds(), 1), paper: newSVG()}
	if format == "png" {
		g.paper = newPNG()
	}
	var err error
	if g.plain, err = newLetters(plainFont, textSize, false); err != nil {
		return err
	}
	if g.bold, err = newLetters(boldFont, titleSize, true); err != nil {
		return err
	}
	for _, l := range []Line{c.Asked, c.Water} {
		for _, w := range l.Water {
			g.top = math.Max(g.top, w.Speed.MetresPerSecond())
		}
	}
	g.top = math.Max(g.top*1.06, 0.3)
	g.fill(point{0, 0}, point{chartWidth, chartHeight}, inkPaper)
	for _, s := range c.Stretches {
		if s.Rest {
			g.fill(point{g.x(s.Begin.Seconds()), dataTop}, point{g.x(s.End.Seconds()), dataBottom}, inkRest)
		}
	}
	g.names()
	g.speeds()
	g.paces()
	g.head()
	g.draw(c.Asked, planStroke)
	g.draw(c.Water, waterStroke)
	return g.write(out)
}

func (g *chart) x(seconds float64) float64 { return dataLeft + seconds/g.end*(dataRight-dataLeft) }
func (g *chart) y(mps float64) float64     { return dataBottom - mps/g.top*(dataBottom-dataTop) }

// draw leaves out the points that a level line does not need.
func (g *chart) draw(l Line, s stroke) {
	var along []point
	for i, w := range l.Water {
		if i > 0 && i+1 < len(l.Water) && l.Water[i-1].Speed == w.Speed && l.Water[i+1].Speed == w.Speed {
			continue
		}
		along = append(along, point{g.x(w.Time.Seconds()), g.y(w.Speed.MetresPerSecond())})
	}
	g.line(along, s)
}

// names are the blocks, at their starts, as far as there is room, the others with a mark alone; and where the water begins to run out.
func (g *chart) names() {
	var starts []Stretch
	for _, s := range g.curve.Stretches {
		if !s.Rest {
			starts = append(starts, s)
		}
	}
	starts = append(starts, Stretch{Name: "runs out", Begin: g.curve.RunsOut})
	free := math.Inf(-1)
	for i, s := range starts {
		x := g.x(s.Begin.Seconds())
		room := chartWidth - margin - x
		if i+1 < len(starts) {
			room = g.x(starts[i+1].Begin.Seconds()) - x - nameGap
		}
		if room < leastName {
			room = mostName
		}
		if x < free {
			continue
		}
		name := shorten(s.Name, func(text string) bool { return g.plain.width(text) <= room })
		when := units.FormatTimeWhole(s.Begin)
		g.text(point{x, dataBottom + mark + lineOfText}, g.plain, inkPlan, name)
		g.text(point{x, dataBottom + mark + 2*lineOfText}, g.plain, inkPlan, when)
		free = x + max(g.plain.width(name), g.plain.width(when)) + nameGap
	}
	g.line([]point{{dataLeft, dataBottom}, {dataRight, dataBottom}}, axisStroke)
	last := math.Inf(-1)
	for _, s := range append(slices.Clone(g.curve.Stretches), starts[len(starts)-1]) {
		if x := g.x(s.Begin.Seconds()); x >= last+gridGap {
			g.line([]point{{x, dataTop}, {x, dataBottom}}, gridStroke)
			g.line([]point{{x, dataBottom}, {x, dataBottom + mark}}, axisStroke)
			last = x
		}
	}
}

// speeds is the axis at the left, m/s at even steps, ten at most.
func (g *chart) speeds() {
	step := 0.05
	for _, wider := range []float64{0.1, 0.2, 0.5, 1} {
		if g.top/step > 10 {
			step = wider
		}
	}
	for i := 0; float64(i)*step <= g.top; i++ {
		v := float64(i) * step
		y := g.y(v)
		g.line([]point{{dataLeft, y}, {dataRight, y}}, gridStroke)
		g.line([]point{{dataLeft - mark, y}, {dataLeft, y}}, axisStroke)
		label := fmt.Sprintf("%.*f", decimals(step), v)
		g.text(point{dataLeft - mark - 3 - g.plain.width(label), y + g.plain.middle()}, g.plain, inkPlan, label)
	}
	g.line([]point{{dataLeft, dataTop}, {dataLeft, dataBottom}}, axisStroke)
	g.text(point{margin, dataTop - 6}, g.plain, inkPlan, "water speed, m/s")
}

func decimals(step float64) int {
	if step < 0.1 {
		return 2
	}
	return 1
}

// paces is the axis at the right, in the session's unit: whole minutes first, then what else there is room for. None stands below 0.2 m/s.
func (g *chart) paces() {
	g.line([]point{{dataRight, dataTop}, {dataRight, dataBottom}}, axisStroke)
	var taken []float64
	for _, every := range []int{60, 30, 10} {
		for s := every; s <= 600; s += every {
			pace := units.PacePer100(float64(s), g.curve.Unit)
			v := pace.Speed().MetresPerSecond()
			y := g.y(v)
			near := func(other float64) bool { return math.Abs(y-other) < paceGap }
			if v < 0.2 || v > g.top || slices.ContainsFunc(taken, near) {
				continue
			}
			taken = append(taken, y)
			g.line([]point{{dataRight, y}, {dataRight + mark, y}}, axisStroke)
			g.text(point{dataRight + mark + 3, y + g.plain.middle()}, g.plain, inkPlan, pace.Clock())
		}
	}
	label := "pace per 100 " + g.curve.Unit.String()
	g.text(point{chartWidth - margin - g.plain.width(label), dataTop - 6}, g.plain, inkPlan, label)
}

// head writes title and, to the right of it, what the lines are.
func (g *chart) head() {
	x, y := chartWidth-margin, margin+titleSize
	for _, l := range []struct {
		name string
		stroke
	}{{g.curve.Water.Name, waterStroke}, {g.curve.Asked.Name, planStroke}} {
		x -= g.plain.width(l.name)
		g.text(point{x, y}, g.plain, inkPlan, l.name)
		x -= shownGap
		g.line([]point{{x - shown, y - g.plain.middle()}, {x, y - g.plain.middle()}}, l.stroke)
		x -= shown + betweenTwo
	}
	title := shorten(g.curve.Title, func(s string) bool { return margin+g.bold.width(s) < x })
	g.text(point{margin, y}, g.bold, inkPlan, title)
	g.text(point{margin, y + 16}, g.plain, inkPlan, g.curve.Sub)
}
