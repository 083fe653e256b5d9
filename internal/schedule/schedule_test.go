package schedule

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

func read(t testing.TB, text string) *Session {
	t.Helper()
	s, err := Parse("f.toml", []byte(text))
	if err != nil {
		t.Fatalf("%s\n%v", text, err)
	}
	return s
}

func blocks(t testing.TB, text string, threshold units.Pace) ([]Block, []fault.Remark) {
	t.Helper()
	b, remarks, err := read(t, text).Blocks(threshold)
	if err != nil {
		t.Fatalf("%s\n%v", text, err)
	}
	return b, remarks
}

// short is a block on one line.
func short(b Block) string {
	s := fmt.Sprintf("%d/%d %q", b.Index, b.Step, b.Name)
	if b.Kind != "" {
		s += " " + b.Kind
	}
	if b.Note != "" {
		s += fmt.Sprintf(" (%s)", b.Note)
	}
	s += fmt.Sprintf(" %d of %d", b.Round, b.Of)
	switch b.Extent {
	case ByTime:
		s += " " + units.FormatTime(b.Time)
	case ByDistance:
		s += fmt.Sprintf(" %.2f m", b.Distance.Metres())
	case Open:
		s += " open " + units.FormatTime(b.Time)
		if b.Capped {
			s += " capped"
		}
	}
	if b.Rest {
		s += " rest"
	} else {
		s += " at " + b.From.String()
		if b.TwoPace() {
			s += " to " + b.To.String()
		}
		if b.Relative {
			s += " relative"
		}
	}
	for _, l := range b.Leaves {
		s += fmt.Sprintf(" [%s from %d]", units.FormatTime(l.Every), l.First)
	}
	return s
}

func threshold135() units.Pace { return units.PacePer100(95, units.Metre) }

func TestSessionsUnroll(t *testing.T) {
	for _, row := range []struct{ what, text, want string }{
		{"every extent and every way to give a speed", `
[[step]]
name = "Warm up"
kind = "warm-up"
time = "4:00"
pace = "2:00"
[[step]]
distance = 400
pace = "1:50 to 1:40"
[[step]]
open = true
speed_mps = 1
[[step]]
open = true
cap = "10:00"
pace = "1:40/100yd"
note = "easy"
[[step]]
rest = ":20"
[[step]]
rest = "open"
[[step]]
rest = "open"
cap = "2:00"
[[step]]
time = "1:05:00.5"
pace = "58.2"
`, `0/0 "Warm up" warm-up 1 of 1 4:00 at 2:00/100m
1/1 "400 m" 1 of 1 400.00 m at 1:50/100m to 1:40/100m
2/2 "open" 1 of 1 open 1:00 at 1:40/100m
3/3 "open" (easy) 1 of 1 open 10:00 capped at 1:49.4/100m
4/4 "Rest" 1 of 1 0:20 rest
5/5 "Rest" 1 of 1 open 1:00 rest
6/6 "Rest" 1 of 1 open 2:00 capped rest
7/7 "1:05:00.5" 1 of 1 1:05:00.5 at 0:58.2/100m`},
		{"paces beside the threshold", `
[[step]]
distance = 100
pace = "threshold"
[[step]]
distance = 100
pace = "threshold-2.5"
[[step]]
distance = 100
pace = "threshold+5 to 1:30"
`, `0/0 "100 m" 1 of 1 100.00 m at 1:35/100m relative
1/1 "100 m" 1 of 1 100.00 m at 1:32.5/100m relative
2/2 "100 m" 1 of 1 100.00 m at 1:40/100m to 1:30/100m relative`},
		{"rounds keep their number, those of the innermost group that repeats", `
[[step]]
name = "Set"
repeat = 2
  [[step.step]]
  distance = 50
  pace = "1:40"
  [[step.step]]
  repeat = 1
    [[step.step.step]]
    repeat = 2
      [[step.step.step.step]]
      time = "0:30"
      pace = "1:40"
    [[step.step.step]]
    name = "Easy"
    time = "1:00"
    pace = "3:00"
`, `0/1 "Set" 1 of 2 50.00 m at 1:40/100m
1/4 "Set" 1 of 2 0:30 at 1:40/100m
2/4 "Set" 2 of 2 0:30 at 1:40/100m
3/5 "Easy" 1 of 2 1:00 at 3:00/100m
4/1 "Set" 2 of 2 50.00 m at 1:40/100m
5/4 "Set" 1 of 2 0:30 at 1:40/100m
6/4 "Set" 2 of 2 0:30 at 1:40/100m
7/5 "Easy" 2 of 2 1:00 at 3:00/100m`},
		{"kind, note and name come from the nearest group that has them; a rest takes no note", `
[[step]]
kind = "drill"
note = "fins"
  [[step.step]]
  distance = 50
  pace = "2:30"
  [[step.step]]
  kind = "cool-down"
  note = "slow"
    [[step.step.step]]
    distance = 50
    pace = "2:30"
    [[step.step.step]]
    rest = "0:10"
  [[step.step]]
  kind = "recovery"
  distance = 25
  pace = "2:30"
  note = "float"
`, `0/1 "Drill" drill (fins) 1 of 1 50.00 m at 2:30/100m
1/3 "Cool-down" cool-down (slow) 1 of 1 50.00 m at 2:30/100m
2/4 "Cool-down" cool-down 1 of 1 0:10 rest
3/5 "Recovery" recovery (float) 1 of 1 25.00 m at 2:30/100m`},
		{"each round descends, nested ones together", `
[[step]]
repeat = 2
descend_s = 5
  [[step.step]]
  repeat = 2
  descend_s = 1.5
    [[step.step.step]]
    distance = 100
    pace = "threshold to 1:40"
  [[step.step]]
  rest = ":10"
`, `0/2 "100 m" 1 of 2 100.00 m at 1:35/100m to 1:40/100m relative
1/2 "100 m" 2 of 2 100.00 m at 1:33.5/100m to 1:38.5/100m relative
2/3 "Rest" 1 of 2 0:10 rest
3/2 "100 m" 1 of 2 100.00 m at 1:30/100m to 1:35/100m relative
4/2 "100 m" 2 of 2 100.00 m at 1:28.5/100m to 1:33.5/100m relative
5/3 "Rest" 2 of 2 0:10 rest`},
		{"a send-off becomes a rest of its own, after the last round too", `
[[step]]
name = "Fifties"
kind = "main"
repeat = 2
send_off = "1:00"
  [[step.step]]
  distance = 50
  pace = "1:24"
`, `0/1 "Fifties" main 1 of 2 50.00 m at 1:24/100m
1/0 "send-off" main 1 of 2 0:00 rest [1:00 from 0]
2/1 "Fifties" main 2 of 2 50.00 m at 1:24/100m
3/0 "send-off" main 2 of 2 0:00 rest [1:00 from 2]`},
		{"a send-off lengthens the round's last rest, also one further in, but no open one", `
[[step]]
repeat = 1
send_off = "1:10"
  [[step.step]]
  distance = 50
  pace = "1:24"
  [[step.step]]
  [[step.step.step]]
  rest = "0:05"
[[step]]
repeat = 1
send_off = "3:10"
  [[step.step]]
  distance = 50
  pace = "1:24"
  [[step.step]]
  rest = "open"
  cap = "0:10"
`, `0/1 "50 m" 1 of 1 50.00 m at 1:24/100m
1/3 "Rest" 1 of 1 0:05 rest [1:10 from 0]
2/5 "50 m" 1 of 1 50.00 m at 1:24/100m
3/6 "Rest" 1 of 1 open 0:10 capped rest
4/4 "send-off" 1 of 1 0:00 rest [3:10 from 2]`},
		{"send-offs in send-offs wait at one rest, the innermost first", `
[[step]]
repeat = 2
send_off = "3:00"
  [[step.step]]
  repeat = 2
  send_off = "1:00"
    [[step.step.step]]
    distance = 50
    pace = "1:24"
`, `0/2 "50 m" 1 of 2 50.00 m at 1:24/100m
1/1 "send-off" 1 of 2 0:00 rest [1:00 from 0]
2/2 "50 m" 2 of 2 50.00 m at 1:24/100m
3/1 "send-off" 2 of 2 0:00 rest [1:00 from 2] [3:00 from 0]
4/2 "50 m" 1 of 2 50.00 m at 1:24/100m
5/1 "send-off" 1 of 2 0:00 rest [1:00 from 4]
6/2 "50 m" 2 of 2 50.00 m at 1:24/100m
7/1 "send-off" 2 of 2 0:00 rest [1:00 from 6] [3:00 from 4]`},
		{"steps may stand in each other four deep", `
[[step]]
[[step.step]]
[[step.step.step]]
[[step.step.step.step]]
rest = "12:00:00"
`, `0/3 "Rest" 1 of 1 12:00:00 rest`},
	} {
		got := ""
		b, _ := blocks(t, head+row.text, threshold135())
		counted := int64(0)
		for _, st := range read(t, head+row.text).steps {
			counted += st.count()
		}
		if counted != int64(len(b)) {
			t.Errorf("%s: counted %d blocks, made %d", row.what, counted, len(b))
		}
		for _, b := range b {
			got += short(b) + "\n"
		}
		if got = strings.TrimSpace(got); got != row.want {
			t.Errorf("%s:\n got\n%s\nwant\n%s", row.what, got, row.want)
		}
	}
}

func TestASessionTellsWhatItIs(t *testing.T) {
	s := read(t, "format = 1\ntitle = \"Over\"\nunit = \"yd\"\nauthor = \"A. Coach\"\nnotes = \"\"\"\na\nb\"\"\"\n"+ok)
	if s.Title != "Over" || s.Unit != units.Yard || s.Author != "A. Coach" || s.Notes != "a\nb" || s.NeedsThreshold() {
		t.Errorf("%+v", s)
	}
	if u := read(t, head+ok).Unit; u != units.Metre {
		t.Errorf("without a unit: %v", u)
	}
	if !read(t, head+"[[step]]\n[[step.step]]\ndistance = 1\npace = \"1:40 to threshold\"\n").NeedsThreshold() {
		t.Error("a threshold in a step inside was not seen")
	}
}

// The extremes that are still allowed, so that a limit that creeps inwards is seen.
func TestLimitsAreAllowedThemselves(t *testing.T) {
	for _, step := range []string{
		"time = \"0:00.1\"\npace = \"0:20\"", "time = \"12:00:00\"\npace = \"20:00\"", "distance = 100000\nspeed_mps = 5", "distance = 0.001\nspeed_mps = 0.0501",
		"distance = 1\npace = \"threshold+120\"", "rest = \"12:00:00\"", "repeat = 10000\n[[step.step]]\nrest = \":20\"",
		"repeat = 2\ndescend_s = 60\n[[step.step]]\ndistance = 1\npace = \"1:20\"", "repeat = 1\nsend_off = \"0:01\"\n[[step.step]]\nrest = \"0:01\"",
		"repeat = 2\nsend_off = \"1:00\"\n[[step.step]]\ndistance = 100\npace = \"1:00\"",
		"repeat = 1\nsend_off = \"6:40\"\n" + strings.Repeat("[[step.step]]\ndistance = 40\nspeed_mps = 0.7\n", 7), // rounding makes the sum a nanosecond too long
	} {
		blocks(t, head+"[[step]]\n"+step, threshold135())
	}
}

func asked(t *testing.T, unit, step string) []Ask {
	t.Helper()
	b, _ := blocks(t, fmt.Sprintf("format = 1\ntitle = \"T\"\nunit = %q\n[[step]]\n%s", unit, step), units.Pace{})
	return Asked(b)
}

func TestWhatIsAskedAgreesWithTheTrade(t *testing.T) {
	// Common practice, no source: steady pace, whole yards.
	for _, row := range []struct {
		time, pace string
		yards      float64
	}{{"2:50", "1:40", 170}, {"1:20", "1:35", 84}, {"2:00", "1:40", 120}} {
		a := asked(t, "yd", fmt.Sprintf("time = %q\npace = %q", row.time, row.pace))[0]
		if got := math.Round(a.Distance.In(units.Yard)); got != row.yards {
			t.Errorf("%s at %s asks %g yd, not %g", row.time, row.pace, got, row.yards)
		}
	}
	// Base-interval arithmetic as masters clubs teach it (glossary, mvm.org): on a base of 1:30 a 200 goes on 3:00, a 400 on 6:00; on 2:00 a 300 on 6:00,
	// and "-:15", taken once a repeat, makes 5:45 of it.
	for _, row := range []struct {
		distance   int
		pace, want string
	}{{200, "1:30", "3:00"}, {400, "1:30", "6:00"}, {300, "2:00", "6:00"}} {
		a := asked(t, "yd", fmt.Sprintf("distance = %d\npace = %q", row.distance, row.pace))[0]
		if got := units.FormatTime(a.Time); got != row.want || math.Abs(a.Distance.In(units.Yard)-float64(row.distance)) > 1e-9 {
			t.Errorf("%d at %s asks %s, not %s", row.distance, row.pace, got, row.want)
		}
	}
	// Pace-clock glossaries (active.com): who swims 1:28 on a send-off of 1:40 rests 12 s.
	for _, row := range []struct {
		what, round string
		rest        string
	}{
		{"1:28 on 1:40", "repeat = 1\nsend_off = \"1:40\"\n[[step.step]]\ndistance = 100\npace = \"1:28\"", "0:12"},
		{"a 300 at 1:55 on a base of 2:00 less 15 s", "repeat = 1\nsend_off = \"5:45\"\n[[step.step]]\ndistance = 300\npace = \"1:55\"", "0:00"},
		{"50 yd at 1:24 on 1:00", "repeat = 1\nsend_off = \"1:00\"\n[[step.step]]\ndistance = 50\npace = \"1:24\"", "0:18"},
		{"with a rest of its own that is shorter", "repeat = 1\nsend_off = \"1:00\"\n[[step.step]]\ndistance = 50\npace = \"1:24\"\n[[step.step]]\nrest = \":05\"", "0:18"},
		{"with a rest of its own that just fits", "repeat = 1\nsend_off = \"1:00\"\n[[step.step]]\ndistance = 50\npace = \"1:24\"\n[[step.step]]\nrest = \":18\"", "0:18"},
	} {
		asks := asked(t, "yd", row.round)
		if rest := asks[len(asks)-1]; units.FormatTime(rest.Time) != row.rest || rest.Distance != (units.Distance{}) {
			t.Errorf("%s: the rest is %s over %.1f m, not %s", row.what, units.FormatTime(rest.Time), rest.Distance.Metres(), row.rest)
		}
	}
}

func TestWhatIsAskedOfTheOtherBlocks(t *testing.T) {
	a := asked(t, "m", "open = true\ncap = \"2:00\"\nspeed_mps = 1.5\n[[step]]\nrest = \"open\"\n[[step]]\ndistance = 400\nspeed_mps = 1.25\n"+
		"[[step]]\ntime = \"1:40\"\npace = \"1:40 to 2:05\"\n[[step]]\ndistance = 180\npace = \"1:40 to 2:05\"")
	for i, want := range []struct{ s, m float64 }{
		{120, 180}, // open: its cap
		{60, 0},
		{320, 400},
		{100, 90}, // the mean of 1.0 and 0.8 m/s is 0.9 m/s
		{200, 180},
	} {
		if math.Abs(a[i].Time.Seconds()-want.s) > 1e-6 || math.Abs(a[i].Distance.Metres()-want.m) > 1e-9 {
			t.Errorf("block %d: %v, %g m; want %g s, %g m", i, a[i].Time, a[i].Distance.Metres(), want.s, want.m)
		}
	}
}

func TestTwoRoundsInASendOffWaitForTheLatest(t *testing.T) {
	b, _ := blocks(t, head+"[[step]]\nrepeat = 1\nsend_off = \"3:00\"\n[[step.step]]\nrepeat = 2\nsend_off = \"1:00\"\n[[step.step.step]]\ndistance = 50\npace = \"1:24\"\n", units.Pace{})
	var got []string
	for _, a := range Asked(b) {
		got = append(got, units.FormatTime(a.Time))
	}
	if s := strings.Join(got, " "); s != "0:42 0:18 0:42 1:18" {
		t.Error(s)
	}
}

// 1:40/100 yd is 1:49.36/100 m (1 yd = 0.9144 m, NBS Circular 572 addendum), a threshold too.
func TestPacesComeInTheSessionsUnit(t *testing.T) {
	b, _ := blocks(t, head+"[[step]]\ndistance = 100\npace = \"1:40/100yd\"\n[[step]]\ndistance = 100\npace = \"threshold\"\n", units.PacePer100(100, units.Yard))
	for _, b := range b {
		if b.From.Unit() != units.Metre || math.Abs(b.From.Seconds()-109.36) > 0.005 || math.Abs(b.From.Speed().MetresPerSecond()-0.9144) > 1e-12 {
			t.Errorf("%s: %v", b.Name, b.From.Speed())
		}
	}
}

func TestOneSwimmersFaults(t *testing.T) {
	for _, row := range []struct {
		what, text string
		threshold  float64
		want       string
	}{
		{"no threshold, said once, at the first pace that needs it", "[[step]]\ndistance = 100\npace = \"1:40\"\n[[step]]\ndistance = 100\npace = \"threshold-2\"\n[[step]]\ndistance = 100\npace = \"threshold\"\n", 0,
			`8:1: pace = "threshold-2": no threshold is known: give one, as in --threshold 1:35/100m, or name a swimmer who has one`},
		{"too near to nothing", "[[step]]\ndistance = 100\npace = \"threshold-80\"\n", 95,
			`5:1: pace = "threshold-80": with a threshold of 1:35/100m this is 0:15 per 100 m: allowed is 0:20 to 20:00 per 100 m`},
		{"less than nothing", "[[step]]\ndistance = 100\npace = \"threshold-100\"\n", 95,
			`5:1: pace = "threshold-100": with a threshold of 1:35/100m this is -0:05 per 100 m: allowed is 0:20 to 20:00 per 100 m`},
		{"descending too far from the threshold, said once", "[[step]]\nrepeat = 3\n[[step.step]]\nrepeat = 4\ndescend_s = 30\n[[step.step.step]]\ndistance = 100\npace = \"threshold\"\n", 95,
			`7:1: descend_s = 30: round 4 of 4 comes to 0:05 per 100 m in the step of line 8: allowed is 0:20 to 20:00 per 100 m`},
		{"the outer rounds descend too far", "[[step]]\nrepeat = 4\ndescend_s = 30\n[[step.step]]\nrepeat = 2\ndescend_s = 1\n[[step.step.step]]\ndistance = 100\npace = \"threshold\"\n", 95,
			`5:1: descend_s = 30: round 4 of 4 comes to 0:05 per 100 m in the step of line 9: allowed is 0:20 to 20:00 per 100 m`},
		{"a send-off too short for this swimmer", "[[step]]\nrepeat = 3\nsend_off = \"1:30\"\n[[step.step]]\ndistance = 100\npace = \"threshold\"\n", 95,
			`5:1: send_off = "1:30": a round takes 1:35 at the asked paces, rests included: allowed is that or more`},
	} {
		s := read(t, head+row.text)
		b, _, err := s.Blocks(units.PacePer100(row.threshold, units.Metre))
		if err == nil || b != nil || err.Error() != "f.toml:"+row.want {
			t.Errorf("%s:\n got %v\nwant f.toml:%s", row.what, err, row.want)
		}
	}
}

func TestFastPacesAreRemarkedOnceAStep(t *testing.T) {
	for _, row := range []struct {
		what, text string
		threshold  float64
		want       string
	}{
		{"15 s faster than the threshold is nothing", "[[step]]\ndistance = 100\npace = \"threshold-15\"\n[[step]]\ndistance = 100\npace = \"1:20\"\n", 95, ""},
		{"more is", "[[step]]\nrest = \":20\"\n[[step]]\nname = \"Sprint\"\ndistance = 100\npace = \"2:00 to threshold-15.1\"\n", 95,
			"fast-for-threshold 1 Sprint is asked at 1:19.9/100m, 15 s faster than the threshold of 1:35/100m."},
		{"with a threshold of 1:20, 1:10 is nothing", "[[step]]\ndistance = 100\npace = \"1:06\"\n", 80, ""},
		{"without one, 1:10 is nothing", "[[step]]\ndistance = 100\npace = \"1:10\"\n", 0, ""},
		{"faster is, in the first round that is", "[[step]]\nrepeat = 9\ndescend_s = 1\n[[step.step]]\ndistance = 100\npace = \"1:12\"\n", 0,
			"fast 3 100 m is asked at 1:09/100m, faster than 1:10/100m, and no threshold is known."},
	} {
		_, remarks := blocks(t, head+row.text, units.PacePer100(row.threshold, units.Metre))
		got := ""
		for _, r := range remarks {
			got += fmt.Sprintf("%s %d %s", r.Code, r.Block, r.Text)
			if !NeedsConfirming(r.Code) {
				t.Errorf("%s: %s needs no confirming", row.what, r.Code)
			}
		}
		if got != row.want {
			t.Errorf("%s:\n got %s\nwant %s", row.what, got, row.want)
		}
	}
	if NeedsConfirming("short-block") {
		t.Error("everything needs confirming")
	}
}

// FuzzParse: nothing panics or takes long, every fault has a place in the file, and what is accepted unrolls to at most 10,000 whole blocks.
func FuzzParse(f *testing.F) {
	for _, row := range bads {
		if len(row.text) < 1000 {
			f.Add(row.text)
		}
	}
	f.Add(long(3))
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<13 {
			return
		}
		s, err := Parse("f", []byte(text))
		if err != nil {
			for _, p := range err.(fault.Problems) {
				if p.Line < 1 || p.Line > 1+strings.Count(text, "\n") || p.Col < 1 {
					t.Fatalf("no such place: %v in %q", p, text)
				}
			}
			return
		}
		for _, threshold := range []units.Pace{{}, threshold135(), units.PacePer100(25, units.Yard)} {
			b, _, err := s.Blocks(threshold)
			if len(b) > maxBlocks || err == nil && len(b) == 0 {
				t.Fatalf("%d blocks, %v: %q", len(b), err, text)
			}
			for i, a := range Asked(b) {
				whole := b[i].Index == i && b[i].Name != "" && b[i].Round >= 1 && b[i].Round <= b[i].Of && a.Time >= 0 && a.Distance.Metres() >= 0
				swum := b[i].Rest && b[i].From.IsZero() || !b[i].Rest && b[i].From.Seconds() >= 19.99 && b[i].To.Seconds() >= 19.99 && a.Distance.Metres() > 0
				if l := b[i].Leaves; len(l) > 0 && (!b[i].Rest || l[0].First > i || l[len(l)-1].First > l[0].First) {
					t.Fatalf("block %+v waits for the wrong rounds: %q", b[i], text)
				}
				if !whole || !swum {
					t.Fatalf("block %+v asks %+v: %q", b[i], a, text)
				}
			}
		}
	})
}

// long is a session whose rounds make n × 10 blocks, written out in n groups.
func long(n int) string {
	var s strings.Builder
	s.WriteString(head)
	for i := range n {
		fmt.Fprintf(&s, "[[step]]\nname = \"Set %d\"\nrepeat = 5\nsend_off = \"2:10\"\ndescend_s = 0.5\n  [[step.step]]\n  distance = 100\n  pace = \"threshold-2\"\n  note = \"long\"\n  [[step.step]]\n  rest = \"0:20\"\n", i)
	}
	return s.String()
}

func BenchmarkTextToBlocks(b *testing.B) {
	text := []byte(long(100))
	b.ReportAllocs()
	for b.Loop() {
		s, err := Parse("f", text)
		if err != nil {
			b.Fatal(err)
		}
		blocks, _, err := s.Blocks(threshold135())
		if err != nil || len(blocks) != 1000 {
			b.Fatal(len(blocks), err)
		}
	}
}

func BenchmarkBlocks(b *testing.B) {
	s := read(b, long(100))
	b.ReportAllocs()
	for b.Loop() {
		if blocks, _, err := s.Blocks(threshold135()); err != nil || len(blocks) != 1000 {
			b.Fatal(len(blocks), err)
		}
	}
}

// BenchmarkBomb is the dearest that a file of a few lines can be: as many rounds as are allowed, in each other, refused without unrolling.
func BenchmarkBomb(b *testing.B) {
	text := []byte(head + "[[step]]\nrepeat = 10000\n[[step.step]]\nrepeat = 10000\n[[step.step.step]]\nrepeat = 10000\n[[step.step.step.step]]\nrest = \":20\"\n")
	for b.Loop() {
		if _, err := Parse("f", text); err == nil {
			b.Fatal("accepted")
		}
	}
}
