package commission

import (
	"fmt"
	"math"
	"strings"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// drawing is the calibration as a picture, in its own units: 680 wide, 300 high.
type drawing struct {
	Line, Band string // of an SVG path
	Points     []mark
	X, Y       []tick
	Right      []tick // paces
	Left, Top  float64
	Width      float64 // of the field
	Bottom     float64
}

// mark is a measured point with its band.
type mark struct{ X, Y, Low, High float64 }

type tick struct {
	At   float64
	Text string
}

// draw makes the picture. The error says why the points are no curve.
func (c *Calibrated) draw() (*drawing, error) {
	if len(c.Points) < 2 {
		return nil, fmt.Errorf("%d points: at least two are needed", len(c.Points))
	}
	var points []water.Point
	top := 0.0
	for _, p := range c.Points {
		points = append(points, water.Point{Motor: units.RPM(p.RPM), Water: units.MetresPerSecond(p.MPS)})
		top = math.Max(top, math.Max(p.MPS, p.HighMPS))
	}
	last := c.Points[len(c.Points)-1].RPM
	curve, err := water.New(points, units.Distance{}, water.Motor{Max: units.RPM(last)})
	if err != nil {
		return nil, err
	}
	d := &drawing{Left: 52, Top: 26, Width: 560, Bottom: 256}
	stepX, stepY := pleasant(last/6), pleasant(top/5)
	endX, endY := stepX*math.Ceil(last/stepX), stepY*math.Ceil(top*1.02/stepY)
	x := func(rpm float64) float64 { return d.Left + d.Width*rpm/endX }
	y := func(mps float64) float64 { return d.Bottom - (d.Bottom-d.Top)*mps/endY }
	for i := 0; float64(i)*stepX <= endX*1.001; i++ {
		d.X = append(d.X, tick{x(float64(i) * stepX), fmt.Sprintf("%g", float64(i)*stepX)})
	}
	for i := 0; float64(i)*stepY <= endY*1.001; i++ {
		d.Y = append(d.Y, tick{y(float64(i) * stepY), fmt.Sprintf("%.4g", float64(i)*stepY)})
	}
	for _, s := range []float64{60, 70, 80, 100, 120, 180, 300} {
		if p := units.PacePer100(s, units.Metre); p.Speed().MetresPerSecond() <= endY {
			d.Right = append(d.Right, tick{y(p.Speed().MetresPerSecond()), p.Clock()})
		}
	}
	var line, upper, lower strings.Builder
	const pieces = 120
	for i := range pieces + 1 {
		rpm := c.Points[0].RPM + (last-c.Points[0].RPM)*float64(i)/pieces
		v := curve.Steady(units.RPM(rpm)).MetresPerSecond()
		_, high := c.band(rpm)
		fmt.Fprintf(&line, "%s%.1f %.1f", letter(i, "M", " L"), x(rpm), y(v))
		fmt.Fprintf(&upper, "%s%.1f %.1f", letter(i, "M", " L"), x(rpm), y(v+high))
		rpm = last - (last-c.Points[0].RPM)*float64(i)/pieces // and back below it
		low, _ := c.band(rpm)
		fmt.Fprintf(&lower, " L%.1f %.1f", x(rpm), y(math.Max(curve.Steady(units.RPM(rpm)).MetresPerSecond()-low, 0)))
	}
	d.Line, d.Band = line.String(), upper.String()+lower.String()+" Z"
	for _, p := range c.Points {
		d.Points = append(d.Points, mark{x(p.RPM), y(p.MPS), y(math.Max(p.LowMPS, 0)), y(p.HighMPS)})
	}
	return d, nil
}

// band is how far below and above the curve the true speed may be, between two points as a straight line has it.
func (c *Calibrated) band(rpm float64) (low, high float64) {
	for i := 1; i < len(c.Points); i++ {
		a, b := c.Points[i-1], c.Points[i]
		if rpm <= b.RPM || i == len(c.Points)-1 {
			share := (rpm - a.RPM) / (b.RPM - a.RPM)
			return (a.MPS-a.LowMPS)*(1-share) + (b.MPS-b.LowMPS)*share, (a.HighMPS-a.MPS)*(1-share) + (b.HighMPS-b.MPS)*share
		}
	}
	return 0, 0
}

func letter(i int, first, others string) string {
	if i == 0 {
		return first
	}
	return others
}

// pleasant is 1, 2, 2.5 or 5 times a power of ten, at least v.
func pleasant(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*ten >= v {
			return m * ten
		}
	}
	return 10 * ten
}
