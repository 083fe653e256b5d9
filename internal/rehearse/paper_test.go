package rehearse

import (
	"math"
	"testing"
)

// The advances are those of Helvetica (Adobe's font metrics, thousandths of an em), which the families that an SVG asks for share: what the chart leaves room
// for is what a viewer's own letters take.
func TestLettersAreAsWideAsAViewersOwn(t *testing.T) {
	for _, c := range []struct {
		text        string
		plain, bold float64
	}{{"0", 556, 556}, {"9", 556, 556}, {"W", 944, 944}, {"M", 833, 833}, {"i", 222, 278}, {"a", 556, 556}, {":", 278, 333}, {"12:00", 4*556 + 278, 4*556 + 333}} {
		for bold, want := range map[bool]float64{false: c.plain, true: c.bold} {
			font := plainFont
			if bold {
				font = boldFont
			}
			l, err := newLetters(font, 1000, bold)
			if err != nil {
				t.Fatal(err)
			}
			if w := l.width(c.text); math.Abs(w-want) > 1.5 {
				t.Errorf("%q, bold %v: %.1f thousandths of an em, want %.0f", c.text, bold, w, want)
			}
		}
	}
}

// inked is how much of a paper is inked, in square points.
func inked(d *dots) (area float64) {
	for i := 3; i < len(d.Pix); i += 4 {
		area += float64(d.Pix[i]) / 255
	}
	return area / perPoint / perPoint
}

// A line covers its length times its width [geometry], in any direction, and a dashed one its share of that. Ends and corners add a little.
func TestALineInPixelsIsAsLongAndAsWideAsItIsSaidToBe(t *testing.T) {
	var wave []point
	length := 0.0
	for i := range 601 {
		p := point{20 + float64(i), 150 + 100*math.Sin(float64(i)/20)}
		if i > 0 {
			length += math.Hypot(1, p.y-wave[i-1].y)
		}
		wave = append(wave, p)
	}
	for name, c := range map[string]struct {
		along  []point
		dash   []float64
		length float64
	}{
		"level":                            {[]point{{10, 50}, {410, 50}}, nil, 400},
		"backwards":                        {[]point{{410, 50}, {10, 50}}, nil, 400},
		"upright":                          {[]point{{50, 10}, {50, 310}}, nil, 300},
		"slanting":                         {[]point{{10, 10}, {410, 310}}, nil, 500},
		"there and back, which is no hole": {[]point{{10, 50}, {410, 50}, {10, 50}}, nil, 400},
		"a wave":                           {wave, nil, length},
		"dashed":                           {[]point{{10, 50}, {70, 50}, {410, 50}}, []float64{40, 20}, 7 * 40},
		"a dashed wave":                    {wave, []float64{40, 20}, length * 2 / 3},
		"of one place":                     {[]point{{10, 50}, {10, 50}}, nil, 0},
		"of none":                          {nil, nil, 0},
	} {
		d := newPNG()
		d.line(c.along, stroke{inkPlan, 2, c.dash})
		if got, want := inked(d), 2*c.length; math.Abs(got-want) > 0.03*want+1 {
			t.Errorf("%s: %.1f square points, want %.1f", name, got, want)
		}
	}
}

// The top of a capital is 0.69 of an em above the line [Arial], and that of an O a little higher. Letters have ink where they stand, none where they do not, and counters (the holes) stay open.
func TestLettersInPixels(t *testing.T) {
	l, err := newLetters(plainFont, 200, false)
	if err != nil {
		t.Fatal(err)
	}
	d := newPNG()
	d.text(point{100, 250}, l, inkPlan, "O")
	ink := func(x, y float64) bool { return d.RGBAAt(int(x*perPoint), int(y*perPoint)).A > 200 }
	if middle := 100 + l.width("O")/2; ink(middle, 250-l.middle()) || !ink(middle, 250-0.66*l.size) || !ink(middle, 249) {
		t.Error("the O is no ring that stands on its line")
	}
	if ink(95, 180) || ink(100+l.width("O")+5, 180) || ink(180, 260) {
		t.Error("ink beside the letter")
	}
	empty := newPNG()
	empty.text(point{10, 100}, l, inkPlan, " ")
	if inked(empty) != 0 {
		t.Error("a space has ink")
	}
	missing := newPNG()
	if missing.text(point{10, 200}, l, inkPlan, "泳"); missing.err != nil || inked(missing) == 0 {
		t.Errorf("a letter that the font does not have: %v, want its empty box", missing.err)
	}
}
