package rehearse

import (
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

var plainFont, boldFont = liberationsansregular.TTF, liberationsansbold.TTF

// letters are a font at a size. It is read when there is something to draw, not before: most runs of the program draw nothing.
type letters struct {
	font *sfnt.Font
	size float64 // points
	bold bool
	buf  sfnt.Buffer
}

func newLetters(ttf []byte, size float64, bold bool) (*letters, error) {
	f, err := sfnt.Parse(ttf)
	return &letters{font: f, size: size, bold: bold}, err
}

// width is how long a text is, in points. Letters stand at their own widths, not kerned.
func (l *letters) width(text string) (w float64) {
	for _, r := range text {
		w += l.advance(l.glyph(r))
	}
	return w
}

// middle is half the height of a figure, in points.
func (l *letters) middle() float64 { return 0.36 * l.size }

// glyph is the picture of a letter; of one that the font does not have, the empty box that it has for those.
func (l *letters) glyph(r rune) sfnt.GlyphIndex {
	g, _ := l.font.GlyphIndex(&l.buf, r)
	return g
}

func (l *letters) advance(g sfnt.GlyphIndex) float64 {
	a, _ := l.font.GlyphAdvance(&l.buf, g, l.em(), font.HintingNone) // of a glyph that the font gave
	return float64(a) / float64(l.em()) * l.size
}

// outline is a glyph's, in units of which scale makes points, y down, from the left end of the line that it stands on.
func (l *letters) outline(g sfnt.GlyphIndex) (s sfnt.Segments, scale float64, err error) {
	s, err = l.font.LoadGlyph(&l.buf, g, l.em(), nil)
	return s, l.size / float64(l.em()), err
}

func (l *letters) em() fixed.Int26_6 { return fixed.Int26_6(l.font.UnitsPerEm()) }
