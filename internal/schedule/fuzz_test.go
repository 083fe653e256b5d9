package schedule

import (
	"math"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// FuzzScaled: any session can be changed as a whole: what comes out reads, keeps its comments, and asks for less where it was to be shorter, or an error says
// why not.
func FuzzScaled(f *testing.F) {
	for i := range uint8(3) {
		f.Add(scaled, i, 0.2)
		f.Add(strings.ReplaceAll(scaled, "\n", "\r\n"), i, -4.5)
		f.Add(long(2), i, 0.99)
		f.Add(lined("2 x (4 x 50 on :50 in :50; 200 on 3:20 at 1:40), on 6:40"), i, 60.0)
		f.Add(lined("4 x 100 at 1:30 ascend 5 s\n100 yd race\n10 x 50 on 1:30, odd at 2:00, even easy")+"[paces]\nrace = \"1:31.5\"\n", i, 0.1)
	}
	f.Fuzz(func(t *testing.T, text string, how uint8, by float64) {
		if len(text) > 1<<12 || !(math.Abs(by) <= 60) {
			return
		}
		s, err := Parse("f", []byte(text))
		if err != nil {
			return
		}
		before, ok := metresAsked(s)
		var changed string
		switch how % 3 {
		case 0:
			by = math.Abs(by)
			if by >= 1 {
				by /= 61
			}
			if by == 0 {
				return
			}
			changed, err = s.Shorter(by)
		case 1:
			if math.Abs(by) < 0.1 {
				return
			}
			changed, err = s.Slower(by)
		case 2:
			changed, err = s.In(units.Yard - s.Unit)
		}
		if err != nil {
			if ps, problems := err.(fault.Problems); !problems || len(ps) == 0 || ps[0].Text == "" {
				t.Fatalf("%q: %v", text, err)
			}
			return
		}
		after, err := Parse("f", []byte(changed))
		if err != nil {
			t.Fatalf("%q becomes %q: %v", text, changed, err)
		}
		if strings.Count(changed, "#") != strings.Count(text, "#") || how%3 == 2 && after.Unit == s.Unit {
			t.Fatalf("%q becomes %q", text, changed)
		}
		if now, still := metresAsked(after); how%3 == 0 && ok && still && now > before*1.001 {
			t.Fatalf("shorter asks %v m, %v m before: %q becomes %q", now, before, text, changed)
		}
	})
}

// metresAsked is what a session asks of one threshold, where that can be told.
func metresAsked(s *Session) (d float64, ok bool) {
	b, _, err := s.Blocks(threshold135())
	if err != nil {
		return 0, false
	}
	for _, a := range Asked(b) {
		d += a.Distance.Metres()
	}
	return d, true
}
