package units

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestYard holds the yard to its definition.
func TestYard(t *testing.T) {
	// 1 yd = 0.9144 m exactly since 1 July 1959 (US National Bureau of Standards, Circular 572 addendum), so a 25 yd pool has 22.86 m.
	if got := Of(25, Yard).Metres(); math.Abs(got-22.86) > 1e-12 {
		t.Errorf("25 yd are %v m, want 22.86", got)
	}
	if got := Metres(0.9144).In(Yard); got != 1 {
		t.Errorf("0.9144 m are %v yd, want 1", got)
	}
	if got := Of(50, Metre).Metres(); got != 50 {
		t.Errorf("50 m are %v m", got)
	}
	if got := Metres(50).In(Metre); got != 50 {
		t.Errorf("50 m count as %v", got)
	}
}

// TestPaceToSpeed holds v = 100·u/T, u = 1 or 0.9144 m, to values worked out by hand from that definition.
func TestPaceToSpeed(t *testing.T) {
	for _, c := range []struct {
		pace string
		mps  float64 // to four decimals
	}{
		{"1:40/100m", 1.0000},
		{"1:30/100m", 1.1111},
		{"2:00/100m", 0.8333},
		{"1:40/100yd", 0.9144},
		{"1:30/100yd", 1.0160},
	} {
		p, err := ParsePace(c.pace, Metre)
		if err != nil {
			t.Errorf("%s: %v", c.pace, err)
			continue
		}
		if got := p.Speed().MetresPerSecond(); math.Abs(got-c.mps) > 0.5e-4 {
			t.Errorf("%s is %.6f m/s, want %.4f", c.pace, got, c.mps)
		}
	}
}

func TestPaceAcrossUnits(t *testing.T) {
	// 1:40 per 100 yd is 1:49.36 per 100 m: 100 s × 1.0936133, the yards in a metre (by the definition of the yard).
	p := PacePer100(100, Yard).In(Metre)
	if math.Abs(p.Seconds()-109.36133) > 1e-5 || p.Unit() != Metre {
		t.Errorf("1:40/100yd is %.5f s/100%s, want 109.36133 s/100m", p.Seconds(), p.Unit())
	}
	if got := p.String(); got != "1:49.4/100m" {
		t.Errorf("printed %q, want 1:49.4/100m", got)
	}
	if got := p.In(Metre); got != p {
		t.Errorf("in its own unit %v became %v", p, got)
	}
}

// TestWholeYards: what a coach works out in the head (common practice, no source): steady pace, whole yards.
func TestWholeYards(t *testing.T) {
	for _, c := range []struct {
		time, pace string
		yards      float64
	}{
		{"2:50", "1:40", 170},
		{"1:20", "1:35", 84},
		{"2:00", "1:40", 120},
	} {
		d, err := ParseTime(c.time)
		if err != nil {
			t.Fatal(err)
		}
		p, err := ParsePace(c.pace, Yard)
		if err != nil {
			t.Fatal(err)
		}
		swum := Metres(p.Speed().MetresPerSecond() * d.Seconds())
		if got := math.Round(swum.In(Yard)); got != c.yards {
			t.Errorf("%s at %s per 100 yd is %v yd, want %v", c.time, c.pace, got, c.yards)
		}
	}
}

// TestPaceRoundTrip goes through every hundredth from 0:40 to 5:00, as a speed and back, and as text, a speed and back.
func TestPaceRoundTrip(t *testing.T) {
	const allowed = 0.001 // s per 100: the project's own goal
	for _, u := range []Unit{Metre, Yard} {
		for i := 4000; i <= 30000; i++ {
			want := float64(i) / 100
			text := fmt.Sprintf("%d:%02d.%02d/100%s", i/6000, i/100%60, i%100, u)
			read, err := ParsePace(text, Metre)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range []Pace{PacePer100(want, u), read} {
				back := p.Speed().Pace(u)
				if math.Abs(back.Seconds()-want) > allowed {
					t.Fatalf("%s came back as %.6f s", text, back.Seconds())
				}
				other := p.In(Metre).In(Yard).In(u)
				if math.Abs(other.Seconds()-want) > allowed {
					t.Fatalf("%s through both units came back as %.6f s", text, other.Seconds())
				}
			}
		}
	}
}

func TestSpeedRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := MetresPerSecond(rapid.Float64Range(1.0/3, 2.5).Draw(t, "mps")) // 5:00 to 0:40 per 100 m
		u := rapid.SampledFrom([]Unit{Metre, Yard}).Draw(t, "unit")
		if got := v.Pace(u).Speed(); math.Abs(got.MetresPerSecond()-v.MetresPerSecond()) > 1e-12 {
			t.Fatalf("%v became %v", v, got)
		}
		w := MetresPerSecond(v.MetresPerSecond() + 0.001)
		if w.Pace(u).Seconds() >= v.Pace(u).Seconds() {
			t.Fatalf("a faster speed than %v has no shorter pace", v)
		}
	})
}

// TestNoPace: standstill, and what is no number, is no pace; no pace is standstill.
func TestNoPace(t *testing.T) {
	for _, v := range []float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1)} {
		if p := MetresPerSecond(v).Pace(Yard); !p.IsZero() || p.Unit() != Yard || p.String() != "–" || p.Clock() != "–" {
			t.Errorf("speed %v has the pace %v", v, p)
		}
		if p := PacePer100(v, Metre); !p.IsZero() || p.Speed() != (Speed{}) {
			t.Errorf("%v s per 100 is %v", v, p.Speed())
		}
	}
	if !(Pace{}).IsZero() || (Pace{}).Speed().MetresPerSecond() != 0 {
		t.Error("the zero pace is not standstill")
	}
}

func TestUnit(t *testing.T) {
	for _, u := range []Unit{Metre, Yard} {
		if got, err := ParseUnit(u.String()); err != nil || got != u {
			t.Errorf("%v read back as %v, %v", u, got, err)
		}
	}
	for _, s := range []string{"", "M", "yard", "yds", "metres", " m"} {
		_, err := ParseUnit(s)
		if want := fmt.Sprintf("unit %q: allowed are \"m\" and \"yd\"", s); err == nil || err.Error() != want {
			t.Errorf("unit %q: %v, want %s", s, err, want)
		}
	}
}

func TestPrinted(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{MetresPerSecond(1.0364).String(), "1.036 m/s"},
		{RPM(899.6).String(), "900 rpm"},
		{PacePer100(100, Metre).String(), "1:40/100m"},
		{PacePer100(100.5, Yard).String(), "1:40.5/100yd"},
		{PacePer100(59.96, Metre).Clock(), "1:00"},
		{PacePer100(58.2, Metre).Clock(), "0:58.2"},
	} {
		if c.got != c.want {
			t.Errorf("printed %q, want %q", c.got, c.want)
		}
	}
	if a, j := MetresPerSecond2(0.1).MetresPerSecond2(), MetresPerSecond3(0.2).MetresPerSecond3(); a != 0.1 || j != 0.2 {
		t.Errorf("acceleration and jerk came back as %v and %v", a, j)
	}
}
