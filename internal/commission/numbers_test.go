package commission

import (
	"strings"
	"testing"
)

// FuzzNumbers: what an installer types where numbers are asked is so many numbers within their bounds, or is answered with the bounds.
func FuzzNumbers(f *testing.F) {
	for _, s := range []string{"4.2 4.3", "4,2", "", "NaN", "1e400", "-Inf 3", "0x1p3", "1_0", " 3\t4\u00a05", "0.5 60 61", "١"} {
		f.Add(s, uint8(1), uint8(6), 0.5, 60.0)
	}
	f.Add("7", uint8(0), uint8(0), -1.0, 0.0)
	f.Fuzz(func(t *testing.T, text string, least, more uint8, lo, hi float64) {
		if !(lo <= hi) {
			return
		}
		most := int(least) + int(more)
		out, wrong := parseNumbers(text, int(least), most, lo, hi, "s")
		if wrong != "" {
			if out != nil || !strings.Contains(wrong, "allowed is") && !strings.Contains(wrong, "asked") && !strings.Contains(wrong, "a point") {
				t.Errorf("%q: %v, with %q", text, out, wrong)
			}
			return
		}
		if len(out) < int(least) || len(out) > most || len(out) != len(strings.Fields(text)) {
			t.Errorf("%q: %v, asked were %d to %d", text, out, least, most)
		}
		for _, v := range out {
			if !(v >= lo && v <= hi) {
				t.Errorf("%q: %v, allowed was %v to %v", text, v, lo, hi)
			}
		}
	})
}
