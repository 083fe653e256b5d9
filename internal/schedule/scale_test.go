package schedule

import (
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/units"
)

const scaled = `# For Thursday
format = 1
title = "T"   # said aloud
lines = """
Warm-up: 400 easy   # nobody hurries
10 x 100 at threshold-2, rest :20
8 x 50 on 1:10 in :45 "long"
9 x 100 descend 1-3 from 2:00 to 1:50, rest :15
3 x (200 at 1:50 to 1:45; 4:00 at 2:10), rest 1:00
100 yd at 1:40, 100 at 1:40/100yd
5:00 race descent
"""
[paces]
race = "1:30"   # hers
`

// TestScaledTextKeepsItsShape: figures change, all else stays; what comes out is a session (it is read again before it is given).
func TestScaledTextKeepsItsShape(t *testing.T) {
	text := strings.ReplaceAll(scaled, " descent", ` "descent"`)
	steps := head + "[[step]]  # out\ndistance = 400\npace = \"1:50 to threshold-2\"\n[[step]]\nrepeat = 4\nsend_off = \"2:00\"\ndescend_s = 2 # each\n[[step.step]]\ndistance = 75\npace = \"1:40\"\n[[step.step]]\ntime = \"0:20\"\nspeed_mps = 1\n[[step.step]]\nrest = \"0:10\"\n"
	for _, row := range []struct {
		what, text string
		change     func(*Session) (string, error)
		lines      map[int]string // what changes
	}{
		{"a fifth shorter", text, func(s *Session) (string, error) { return s.Shorter(0.2) }, map[int]string{
			5: "Warm-up: 325 easy   # nobody hurries", 6: "8 x 100 at threshold-2, rest :20", 7: `6 x 50 on 1:10 in :45 "long"`,
			8:  "9 x 75 descend 1-3 from 2:00 to 1:50, rest :15",
			9:  "3 x (150 at 1:50 to 1:45; 3:10 at 2:10), rest 1:00",
			10: "75 yd at 1:40, 75 at 1:40/100yd", 11: `4:00 race "descent"`,
		}},
		{"three seconds slower", text, func(s *Session) (string, error) { return s.Slower(3) }, map[int]string{
			5: "Warm-up: 400 threshold+18   # nobody hurries", 6: "10 x 100 at threshold+1, rest :20", 7: `8 x 50 on 1:12 in 0:46.5 "long"`,
			8: "9 x 100 descend 1-3 from 2:03 to 1:53, rest :15", 9: "3 x (200 at 1:53 to 1:48; 4:00 at 2:13), rest 1:00",
			10: "100 yd at 1:42.7, 100 at 1:42.7/100yd", 14: `race = "1:33"   # hers`,
		}},
		// 1:50 per 100 m is 1:40.6 per 100 yd, 2:00 is 1:49.7, 1:45 is 1:36, 2:10 is 1:58.9, 1:30 is 1:22.3: by the yard of 0.9144 m (NBS Circular 572).
		{"in yards", text, func(s *Session) (string, error) { return s.In(units.Yard) }, map[int]string{
			3: "title = \"T\"\nunit = \"yd\"   # said aloud", 5: "Warm-up: 425 threshold+13.7   # nobody hurries", 6: "10 x 100 at threshold-1.8, rest :20",
			7: `8 x 50 on 1:05 in 0:41.2 "long"`, 8: "9 x 100 descend 1-3 from 1:49.7 to 1:40.6, rest :15", 9: "3 x (225 at 1:40.6 to 1:36; 4:00 at 1:58.9), rest 1:00",
			10: "100 yd at 1:40, 100 at 1:40/100yd", 14: `race = "1:22.3"   # hers`,
		}},
		{"turns, a fifth shorter", lined("10 x 50 on 1:30, odd at 2:00, even at 1:50"), func(s *Session) (string, error) { return s.Shorter(0.2) }, map[int]string{4: "8 x 50 on 1:30, odd at 2:00, even at 1:50"}},
		{"turns, three seconds slower", lined("10 x 50 on 1:30, odd at 2:00, even easy"), func(s *Session) (string, error) { return s.Slower(3) }, map[int]string{
			4: "10 x 50 on 1:32, odd at 2:03, even threshold+18"}},
		// 5 s per 100 m are 4.572 s per 100 yd, by the same yard.
		{"an ascent in yards", lined("4 x 100 at 1:30 ascend 5 s"), func(s *Session) (string, error) { return s.In(units.Yard) }, map[int]string{
			2: "title = \"T\"\nunit = \"yd\"", 4: "4 x 100 at 1:22.3 ascend 4.6 s"}},
		{"steps, a fifth shorter", steps, func(s *Session) (string, error) { return s.Shorter(0.2) }, map[int]string{4: "distance = 325", 7: "repeat = 3"}},
		{"steps, three seconds slower", steps, func(s *Session) (string, error) { return s.Slower(3) }, map[int]string{
			5: `pace = "1:53 to threshold+1"`, 8: `send_off = "2:03"`, 12: `pace = "1:43"`, 15: "speed_mps = 0.971",
		}},
		{"steps in yards", steps, func(s *Session) (string, error) { return s.In(units.Yard) }, map[int]string{
			2: "title = \"T\"\nunit = \"yd\"", 4: "distance = 425", 5: `pace = "1:40.6 to threshold-1.8"`, 9: "descend_s = 1.8 # each", 12: `pace = "1:31.4"`,
		}},
	} {
		for _, ends := range []string{"\n", "\r\n"} {
			before := strings.ReplaceAll(row.text, "\n", ends)
			want := strings.Split(row.text, "\n")
			for n, l := range row.lines {
				want[n-1] = l
			}
			s, err := Parse("f", []byte(before))
			if err != nil {
				t.Fatal(err)
			}
			got, err := row.change(s)
			if w := strings.ReplaceAll(strings.Join(want, "\n"), "\n", ends); err != nil || got != w {
				t.Errorf("%s: %v\n got\n%s\nwant\n%s", row.what, err, got, w)
			}
		}
	}
}

// TestSendOffsInSendOffsAreScaled: the outer one leaves the inner ones their time, whichever way they change.
func TestSendOffsInSendOffsAreScaled(t *testing.T) {
	for _, text := range []string{
		lined("2 x (4 x 50 on :50 in :50; 200 on 3:20 at 1:40), on 6:40"),
		"format = 1\ntitle = \"T\"\nunit = \"yd\"\nlines = \"3 x (2 x 200 on 3:30 at 1:45; 3 x 50 on :55 at 1:40), on 9:45\"\n",
		"format = 1\ntitle = \"T\"\nunit = \"m\"\nlines = \"3 x (2 x 200 on 3:30 at 1:45; 3 x 50 on :55 at 1:40), on 9:45\"\n",
	} {
		s := read(t, text)
		for _, change := range []func() (string, error){
			func() (string, error) { return s.Shorter(0.1) }, func() (string, error) { return s.Shorter(0.5) }, func() (string, error) { return s.Slower(4) },
			func() (string, error) { return s.In(units.Yard - s.Unit) },
		} {
			if got, err := change(); err != nil || got == text {
				t.Errorf("%s\n%s%v", text, got, err)
			}
		}
	}
}

func TestNothingGetsShorterByTooLittle(t *testing.T) {
	if text, err := read(t, lined("100 at 1:50\nrest 1:00")).Shorter(0.05); err == nil || err.Error() != "f.toml: nothing in it gets shorter by so little: rounds are whole, distances go by 25, times by 5 s" {
		t.Errorf("%v\n%s", err, text)
	}
}

// TestAnySessionCanBeScaled: sessions by chance, and every demo in both forms.
func TestAnySessionCanBeScaled(t *testing.T) {
	all := func(t failing, s *Session) {
		asked := func(s *Session) float64 {
			b, _, err := s.Blocks(threshold135())
			if err != nil {
				return 0
			}
			d := 0.0
			for _, a := range Asked(b) {
				d += a.Distance.Metres()
			}
			return d
		}
		before := asked(s)
		for what, change := range map[string]func() (string, error){
			"shorter": func() (string, error) { return s.Shorter(0.3) }, "slower": func() (string, error) { return s.Slower(2.5) },
			"other": func() (string, error) { return s.In(units.Yard - s.Unit) },
		} {
			text, err := change()
			if err != nil && strings.Contains(err.Error(), "by so little") { // rests, what is open, or 25 m
				continue
			}
			if err != nil {
				t.Fatalf("%s: %v\n%s", what, err, s.text)
			}
			after, err := Parse("f", []byte(text))
			if err != nil || strings.Count(text, "#") != strings.Count(s.text, "#") {
				t.Fatalf("%s: %v\n%s", what, err, text)
			}
			if what == "shorter" && before > 0 && asked(after) > before*1.001 {
				t.Fatalf("shorter asks %v m, %v m before\n%s", asked(after), before, text)
			}
		}
	}
	for _, dir := range []string{"", "lines/"} {
		names, _ := fs.Glob(config.Sessions, dir+"*.toml")
		if len(names) < 6 {
			t.Fatalf("%d demos", len(names))
		}
		for _, name := range names {
			text, err := fs.ReadFile(config.Sessions, name)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Parse(name, text)
			if err != nil {
				t.Fatal(err)
			}
			all(t, s)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		c := coach{t}
		var text strings.Builder
		for range c.number(1, 3) {
			text.WriteString(c.set(0) + " # said\n")
		}
		s, err := Parse("f", fmt.Appendf(nil, "format = 1\ntitle = \"T\"\nunit = %q\nlines = \"\"\"\n%s\"\"\"\n[paces]\nrace = \"1:31.5\"\n", c.one("m", "yd"), text.String()))
		if err != nil {
			return // too deep
		}
		all(t, s)
	})
}
