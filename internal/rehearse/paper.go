package rehearse

import (
	"bytes"
	"fmt"
	"html"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/vector"
)

// svg is a paper that writes SVG. Its letters are those of whoever looks at it, at the widths of a common family.
type svg struct{ b bytes.Buffer }

func newSVG() *svg {
	s := &svg{}
	fmt.Fprintf(&s.b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gpt" height="%gpt" viewBox="0 0 %[1]g %[2]g" font-family="Liberation Sans, Arial, Helvetica, sans-serif">`+"\n",
		chartWidth, chartHeight)
	return s
}

func hex(c color.NRGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

func (s *svg) fill(from, to point, ink color.NRGBA) {
	fmt.Fprintf(&s.b, `<rect x="%.2f" y="%.2f" width="%.2f" height="%.2f" style="fill:%s"/>`+"\n", from.x, from.y, to.x-from.x, to.y-from.y, hex(ink))
}

func (s *svg) line(along []point, k stroke) {
	s.b.WriteString(`<polyline points="`)
	for i, p := range along {
		if i > 0 {
			s.b.WriteByte(' ')
		}
		fmt.Fprintf(&s.b, "%.2f,%.2f", p.x, p.y)
	}
	fmt.Fprintf(&s.b, `" style="fill:none;stroke:%s;stroke-width:%g`, hex(k.ink), k.width)
	for i, d := range k.dash {
		fmt.Fprintf(&s.b, "%s%g", [...]string{";stroke-dasharray:", ","}[min(i, 1)], d)
	}
	s.b.WriteString(`"/>` + "\n")
}

func (s *svg) text(at point, l *letters, ink color.NRGBA, text string) {
	weight := "normal"
	if l.bold {
		weight = "bold"
	}
	fmt.Fprintf(&s.b, `<text x="%.2f" y="%.2f" style="font-size:%gpx;font-weight:%s;fill:%s">`, at.x, at.y, l.size, weight, hex(ink))
	s.b.WriteString(html.EscapeString(text))
	s.b.WriteString("</text>\n")
}

func (s *svg) write(out io.Writer) error {
	s.b.WriteString("</svg>\n")
	_, err := s.b.WriteTo(out)
	return err
}

// dots is a paper of pixels, so many a point.
type dots struct {
	*image.RGBA
	r      vector.Rasterizer
	corner image.Point // of what is drawn now
	err    error
}

const perPoint = 2

func newPNG() *dots {
	return &dots{RGBA: image.NewRGBA(image.Rect(0, 0, chartWidth*perPoint, chartHeight*perPoint))}
}

// on begins to draw within a part of the paper.
func (d *dots) on(from, to point) {
	part := image.Rect(int(math.Floor(from.x*perPoint)), int(math.Floor(from.y*perPoint)), int(math.Ceil(to.x*perPoint)), int(math.Ceil(to.y*perPoint)))
	part = part.Intersect(d.Rect)
	d.corner = part.Min
	d.r.Reset(part.Dx(), part.Dy())
}

func (d *dots) at(x, y float64) (float32, float32) {
	return float32(x*perPoint - float64(d.corner.X)), float32(y*perPoint - float64(d.corner.Y))
}

// shape is one outline. All of one drawing turn the same way, as where two overlap that turn otherwise there would be a hole.
func (d *dots) shape(corners ...point) {
	for i, p := range corners {
		x, y := d.at(p.x, p.y)
		if i == 0 {
			d.r.MoveTo(x, y)
		} else {
			d.r.LineTo(x, y)
		}
	}
	d.r.ClosePath()
}

func (d *dots) paint(ink color.NRGBA) {
	d.r.Draw(d.RGBA, d.r.Bounds().Add(d.corner), image.NewUniform(ink), image.Point{})
}

func (d *dots) fill(from, to point, ink color.NRGBA) {
	pixel := func(p point) image.Point {
		return image.Pt(int(math.Round(p.x*perPoint)), int(math.Round(p.y*perPoint)))
	}
	draw.Draw(d.RGBA, image.Rectangle{Min: pixel(from), Max: pixel(to)}, image.NewUniform(ink), image.Point{}, draw.Src)
}

func (d *dots) line(along []point, k stroke) {
	if len(along) == 0 {
		return
	}
	from, to := along[0], along[0]
	for _, p := range along {
		from, to = point{min(from.x, p.x), min(from.y, p.y)}, point{max(to.x, p.x), max(to.y, p.y)}
	}
	d.on(point{from.x - k.width, from.y - k.width}, point{to.x + k.width, to.y + k.width})
	dash := k.dash
	if dash == nil {
		dash = []float64{math.Inf(1)}
	}
	n, left := 0, dash[0] // which part of the dash, and how much of it is left
	for i := 1; i < len(along); i++ {
		p, q := along[i-1], along[i]
		for far := math.Hypot(q.x-p.x, q.y-p.y); far > 0; {
			step := min(far, left)
			end := point{p.x + (q.x-p.x)*step/far, p.y + (q.y-p.y)*step/far}
			if n%2 == 0 {
				d.piece(p, end, k.width/2)
			}
			if left -= step; left <= 0 {
				n++
				left = dash[n%len(dash)]
			}
			p, far = end, far-step
		}
	}
	d.paint(k.ink)
}

// piece is a straight piece of a line, of half a width to each side and with a bevelled end, so that two meet without a notch.
func (d *dots) piece(p, q point, half float64) {
	far := math.Hypot(q.x-p.x, q.y-p.y)
	if far == 0 {
		return
	}
	ux, uy := (q.x-p.x)/far*half, (q.y-p.y)/far*half
	d.shape(point{p.x - uy, p.y + ux}, point{p.x - ux/2, p.y - uy/2}, point{p.x + uy, p.y - ux},
		point{q.x + uy, q.y - ux}, point{q.x + ux/2, q.y + uy/2}, point{q.x - uy, q.y + ux})
}

func (d *dots) text(at point, l *letters, ink color.NRGBA, text string) {
	d.on(point{at.x - l.size, at.y - 1.5*l.size}, point{at.x + l.width(text) + l.size, at.y + l.size})
	for _, r := range text {
		g := l.glyph(r)
		segments, scale, err := l.outline(g)
		if err != nil {
			d.err = fmt.Errorf("cannot draw %q: %w", r, err)
		}
		for _, s := range segments {
			var p [6]float32
			for i, a := range s.Args {
				p[2*i], p[2*i+1] = d.at(at.x+float64(a.X)*scale, at.y+float64(a.Y)*scale)
			}
			switch s.Op {
			case sfnt.SegmentOpMoveTo:
				d.r.ClosePath()
				d.r.MoveTo(p[0], p[1])
			case sfnt.SegmentOpLineTo:
				d.r.LineTo(p[0], p[1])
			case sfnt.SegmentOpQuadTo:
				d.r.QuadTo(p[0], p[1], p[2], p[3])
			case sfnt.SegmentOpCubeTo:
				d.r.CubeTo(p[0], p[1], p[2], p[3], p[4], p[5])
			}
		}
		d.r.ClosePath()
		at.x += l.advance(g)
	}
	d.paint(ink)
}

func (d *dots) write(out io.Writer) error {
	if d.err != nil {
		return d.err
	}
	return png.Encode(out, d.RGBA)
}
