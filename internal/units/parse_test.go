package units

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestParseTime(t *testing.T) {
	const s, ms = time.Second, time.Millisecond
	for text, want := range map[string]time.Duration{
		"4:00":       240 * s,
		"1:40.5":     100*s + 500*ms,
		":20":        20 * s,
		":20.5":      20*s + 500*ms,
		"0:20":       20 * s,
		"58.2":       58*s + 200*ms,
		"58.25":      58*s + 250*ms,
		"58.257":     58*s + 257*ms,
		"45":         45 * s,
		"0":          0,
		"0:00":       0,
		"90:00":      5400 * s,
		"01:05":      65 * s,
		"1:05:00":    3900 * s,
		"12:03:20":   43400 * s,
		"9999:59:59": 9999*3600*s + 3599*s,
	} {
		if got, err := ParseTime(text); err != nil || got != want {
			t.Errorf("%q is %v (%v), want %v", text, got, err, want)
		}
	}
	for text, why := range map[string]string{
		"":           "nothing",
		":":          "no figures",
		"1:":         "no seconds",
		"1:5":        "one figure of seconds",
		"1:60":       "sixty seconds",
		"1:005":      "three figures of seconds",
		"60":         "a minute without a colon",
		"100":        "seconds without a colon, 60 or more",
		"1:60:00":    "sixty minutes after hours",
		"1:5:00":     "one figure of minutes after hours",
		":20:30":     "no hours",
		"1:00:00:00": "days",
		"10000:00":   "too long",
		"-1:00":      "a minus",
		"+1:00":      "a plus",
		"1:00.":      "a point and nothing",
		"1:00.1234":  "four decimals",
		"1.5:00":     "a point before the colon",
		"1:00.5.5":   "two points",
		"1:0O":       "a letter",
		" 1:00":      "a blank",
		"1:00 ":      "a blank",
		"1 :00":      "a blank",
		"1:4０":       "a full-width figure",
		"1:00.é":     "no figure after the point",
		"4m":         "letters",
		"1:40/100":   "a pace",
		"NaN":        "no number",
		"1e1":        "an exponent",
	} {
		if got, err := ParseTime(text); err == nil {
			t.Errorf("%q (%s) was read as %v", text, why, got)
		} else if !strings.HasPrefix(err.Error(), "allowed is minutes:seconds") {
			t.Errorf("%q: %v does not say what is allowed", text, err)
		}
	}
}

func TestParsePace(t *testing.T) {
	for _, c := range []struct {
		text string
		bare Unit
		want Pace
	}{
		{"1:40", Metre, Pace{100, Metre}},
		{"1:40", Yard, Pace{100, Yard}},
		{"1:40.5", Yard, Pace{100.5, Yard}},
		{"58.2", Metre, Pace{58.2, Metre}},
		{"1:40/100yd", Metre, Pace{100, Yard}},
		{"1:40/100m", Yard, Pace{100, Metre}},
		{"1:40 / 100 m", Yard, Pace{100, Metre}},
		{" 1:40 ", Metre, Pace{100, Metre}},
	} {
		if got, err := ParsePace(c.text, c.bare); err != nil || got != c.want {
			t.Errorf("%q per 100 %v is %v (%v), want %v", c.text, c.bare, got, err, c.want)
		}
	}
	for text, says := range map[string]string{
		"":               "allowed is minutes:seconds per 100",
		"fast":           "allowed is minutes:seconds per 100",
		"100":            "allowed is minutes:seconds per 100",
		"-1:40":          "allowed is minutes:seconds per 100",
		"/100m":          "allowed is minutes:seconds per 100",
		"1.2 m/s":        "only /100m or /100yd is allowed",
		"1:40/":          "only /100m or /100yd is allowed",
		"1:40/100":       "only /100m or /100yd is allowed",
		"1:40/50m":       "only /100m or /100yd is allowed",
		"1:40/1 00m":     "only /100m or /100yd is allowed",
		"1:40/100ft":     "only /100m or /100yd is allowed",
		"1:40/100m/100m": "only /100m or /100yd is allowed",
		"0:00":           "more than 0:00",
		"0":              "more than 0:00",
	} {
		got, err := ParsePace(text, Metre)
		if err == nil {
			t.Errorf("%q was read as %v", text, got)
		} else if !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), `"`+text+`"`) {
			t.Errorf("%q: %v; want the value and %q", text, err, says)
		}
	}
}

func TestFormatTime(t *testing.T) {
	const s, ms = time.Second, time.Millisecond
	for d, want := range map[time.Duration]string{
		0:                            "0:00",
		20 * s:                       "0:20",
		100 * s:                      "1:40",
		100*s + 500*ms:               "1:40.5",
		59*s + 949*ms:                "0:59.9",
		59*s + 950*ms:                "1:00",
		3599*s + 960*ms:              "1:00:00",
		3900 * s:                     "1:05:00",
		43400 * s:                    "12:03:20",
		-20*s - 500*ms:               "-0:20.5",
		-40 * ms:                     "0:00",
		time.Duration(math.MinInt64): "-2562047:47:16.9", // the longest there is: no endless loop on the way to it
	} {
		if got := FormatTime(d); got != want {
			t.Errorf("%v printed %q, want %q", d, got, want)
		}
	}
	for d, want := range map[time.Duration]string{
		99*s + 500*ms: "1:40",
		99*s + 499*ms: "1:39",
		-400 * ms:     "0:00",
	} {
		if got := FormatTimeWhole(d); got != want {
			t.Errorf("%v printed whole %q, want %q", d, got, want)
		}
	}
}

// TestTimeRoundTrip: what is printed reads back as what it was, to the tenth that is printed.
func TestTimeRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(0, 9999*36000).Draw(t, "tenths")) * 100 * time.Millisecond
		if got, err := ParseTime(FormatTime(d)); err != nil || got != d {
			t.Fatalf("%v printed %q and read back as %v (%v)", d, FormatTime(d), got, err)
		}
	})
}

func FuzzParseTime(f *testing.F) {
	for _, s := range []string{"4:00", "1:40.5", ":20", "58.2", "12:03:20", "", ":", "1:60", "9999:59:59.999", "1:00.é", "::", "0x1:00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseTime(s)
		if err != nil {
			if d != 0 {
				t.Fatalf("%q: refused, and yet %v", s, d)
			}
			return
		}
		if d < 0 || d >= 10000*time.Hour {
			t.Fatalf("%q is %v", s, d)
		}
		whole := d.Round(100 * time.Millisecond)
		back, err := ParseTime(FormatTime(d))
		if d < 9999*time.Hour && (err != nil || back != whole) {
			t.Fatalf("%q is %v, printed %q, read back as %v (%v)", s, d, FormatTime(d), back, err)
		}
	})
}

func FuzzParsePace(f *testing.F) {
	for _, s := range []string{"1:40", "1:40.5/100yd", "58.2", "1:40 / 100 m", "/", "1:40/100", "0:00", "–", "1:40/100\x00m"} {
		f.Add(s, false)
		f.Add(s, true)
	}
	f.Fuzz(func(t *testing.T, s string, yard bool) {
		u := Metre
		if yard {
			u = Yard
		}
		p, err := ParsePace(s, u)
		if err != nil {
			if p != (Pace{}) {
				t.Fatalf("%q: refused, and yet %v", s, p)
			}
			return
		}
		if v := p.Speed().MetresPerSecond(); !(v > 0) || math.IsInf(v, 0) {
			t.Fatalf("%q is %v, %v m/s", s, p, v)
		}
		if p.Seconds() < 0.1 || p.Seconds() >= 9999*3600 {
			return // prints as 0:00, or with more hours than are read
		}
		back, err := ParsePace(p.String(), u)
		if err != nil || math.Abs(back.Seconds()-p.Seconds()) > 0.05+1e-6 || back.Unit() != p.Unit() {
			t.Fatalf("%q is %v, which reads back as %v (%v)", s, p, back, err)
		}
	})
}
