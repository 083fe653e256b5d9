package schedule

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// shape is everything that steps ask, without the places where they stand.
func shape(steps []step) string {
	var b strings.Builder
	for i := range steps {
		s := &steps[i]
		fmt.Fprintf(&b, "{%q %q %q", s.name, s.kind, s.note)
		if len(s.steps) > 0 {
			fmt.Fprintf(&b, " %d %v %v %v [%s]}", s.repeat, s.repeats, s.sendOff, s.descend, shape(s.steps))
			continue
		}
		fmt.Fprintf(&b, " %d %v %v %v %v %v %v %+v %+v}", s.extent, s.time, s.capped, s.distance, s.written, s.unit, s.rest, s.from, s.to)
	}
	return b.String()
}

// coach writes lines by chance.
type coach struct{ *rapid.T }

func (c coach) chance(percent int) bool { return rapid.IntRange(1, 100).Draw(c.T, "chance") <= percent }

func (c coach) one(of ...string) string { return rapid.SampledFrom(of).Draw(c.T, "one") }

func (c coach) number(low, high int) int { return rapid.IntRange(low, high).Draw(c.T, "number") }

func (c coach) clock(low, high int) string {
	s := c.number(low, high)
	if c.chance(20) {
		return fmt.Sprintf("%d:%02d.%d", s/60, s%60, c.number(0, 999))
	}
	if s < 60 && c.chance(50) {
		return fmt.Sprintf(":%02d", s)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

func (c coach) pace() string {
	switch c.number(0, 9) {
	case 0, 1, 2:
		return "threshold" + c.one("", "+5", "-2", "-2.125", "+12.5")
	case 3:
		return "easy" + c.one("", "+3", "-1.5")
	case 4:
		return "race"
	case 5:
		return c.clock(80, 150) + c.one("/100m", "/100yd", " per 100 yd")
	case 6:
		return fmt.Sprintf("%.3f m/s", rapid.Float64Range(0.5, 1.9).Draw(c.T, "mps"))
	}
	return c.clock(80, 150)
}

func (c coach) label() string {
	return c.one("", "", "", "Warm-up: ", "Main: ", "Main: Fifties: ", "Set 2: ", "Über: ", "Drill: ", "Rest: ")
}

func (c coach) set(depth int) string {
	label := c.label()
	if label == "Rest: " {
		return label + c.clock(1, 90)
	}
	remark := c.one("", "", "", ` "long strokes"`, ` kick`, ` drill "catch-up"`, ` pull "buoy"`)
	if depth < 2 && c.chance(25) {
		n := c.number(1, 3)
		parts := make([]string, n)
		for i := range parts {
			parts[i] = c.set(depth + 1)
		}
		inside := strings.Join(parts, "; ")
		behind := c.one("", ", rest 1:00", ", on 5:00:00", " descend 0.5 s", ", rest open")
		if strings.Contains(inside, " on ") && strings.Contains(behind, " on ") { // which would have to be longer than a day
			behind = ""
		}
		return label + fmt.Sprintf("%d x (%s)", c.number(2, 3), inside) + behind + remark
	}
	distance := c.one("50", "100", "75", "200", "100 yd", "25 m", "33.3", "1 km")
	switch c.number(0, 12) {
	case 10:
		return label + fmt.Sprintf("%d x %s, odd at %s, even at %s", 2*c.number(1, 4), distance, c.pace(), c.pace()) + c.one("", ", rest :15", ", rest open", ", on 40:00") + remark
	case 11:
		return label + "50, 100, 75 at " + c.pace() + c.one("", ", rest :15") + remark
	case 12:
		return label + fmt.Sprintf("%d x %s", 3*c.number(1, 3), distance) + c.one(" ascend 1-3 from threshold to threshold+7", " at 1:30 ascend 1.5 s", " ascend from 1:30 to 1:41") + c.one("", ", rest :15", ", on 40:00") + remark
	case 0:
		return c.one("rest 1:00", "rest open", "rest open, at most 2:00", "rest :20.5")
	case 1:
		return label + "50-100-" + c.one("150", "1:00") + "-50 at " + c.pace() + ", rest " + c.clock(5, 40) + remark
	case 2:
		return label + fmt.Sprintf("%d x %s", 3*c.number(1, 3), distance) + " descend 1-3 from threshold+7 to threshold" + c.one("", "-1.3") + ", rest :15" + remark
	case 3:
		return label + fmt.Sprintf("%d x %s at 2:20 descend %s s", c.number(2, 4), distance, c.one("2", "1.5", "0.125")) + c.one("", ", on 40:00", ", rest :10") + remark
	case 4:
		return label + fmt.Sprintf("%d x %s in %s", c.number(2, 4), c.one("50", "100 yd", "75"), c.clock(60, 90)) + c.one("", " descend 1 s", ", on 5:00") + remark
	case 5:
		return label + "open at " + c.pace() + c.one("", ", at most 5:00") + remark
	case 6:
		return label + c.clock(20, 200) + " at " + c.pace() + remark
	case 7:
		return label + distance + " at " + c.pace() + " to " + c.pace() + c.one("", ", rest :10", ", on 40:00") + remark
	}
	return label + c.one("", "4 x ", "2 x 3 x ") + distance + " at " + c.pace() + c.one("", ", rest :15", ", rest open", ", on 1:00:00") + remark
}

// TestWrittenBackIsTheSame: lines, read and written again as lines, and as steps, ask the same; steps written as steps too.
func TestWrittenBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := coach{t}
		unit := c.one("m", "yd")
		var text strings.Builder
		for range c.number(1, 4) {
			if c.chance(20) {
				text.WriteString(c.one("Warm-up:\n", "# a comment\n", "\n", "Pre-set:\n", "Main\n"))
			}
			text.WriteString(c.set(0) + "\n")
		}
		file := fmt.Sprintf("format = 1\ntitle = \"T\"\nunit = %q\nlines = \"\"\"\n%s\"\"\"\n[paces]\nrace = \"1:31.5\"\n", unit, text.String())
		s, err := Parse("f", []byte(file))
		if err != nil {
			if strings.Contains(err.Error(), "lines is empty") || strings.Contains(err.Error(), "deep: allowed are") {
				return
			}
			t.Fatalf("%s\n%v", file, err)
		}
		checkWrittenBack(t, s)
	})
}

type failing interface{ Fatalf(string, ...any) }

func checkWrittenBack(t failing, s *Session) {
	lines := ""
	for i := range s.steps {
		lines += s.lineText(&s.steps[i], "") + "\n"
	}
	again, err := Parse("f", fmt.Appendf(nil, "format = 1\ntitle = \"T\"\nunit = %q\nlines = '''\n%s'''\n", s.Unit, lines))
	if err != nil {
		t.Fatalf("as lines:\n%s\n%v", lines, err)
	}
	if a, b := shape(s.steps), shape(again.steps); a != b {
		t.Fatalf("as lines:\n%s\n%s\n%s", lines, a, b)
	}
	text := s.Steps(s.Explain(threshold135()), func(e Explained) []string { return []string{e.Words} })
	steps, err := Parse("f", []byte(text))
	if err != nil {
		t.Fatalf("as steps:\n%s\n%v", text, err)
	}
	if !alike(s, steps) {
		t.Fatalf("as steps:\n%s\n%s\n%s", text, shape(s.steps), shape(steps.steps))
	}
	explained := steps.Explain(threshold135())
	twice := steps.Steps(explained, func(e Explained) []string { return []string{e.Words} })
	more, err := Parse("f", []byte(twice))
	if err != nil || shape(more.steps) != shape(steps.steps) {
		t.Fatalf("steps as steps:\n%s\n%v", twice, err)
	}
	short := 0
	for _, e := range explained {
		if e.Short != "" {
			short++
		}
	}
	if short < len(explained) && s.Unit == units.Metre && !strings.Contains(text, ".") { // sums of another unit have more digits than a line takes
		t.Fatalf("no line for all of\n%s", text)
	}
}

// TestPastedLinesMeanTheSame: what word processors, messengers and other systems make of a text.
func TestPastedLinesMeanTheSame(t *testing.T) {
	const plain = "Warm-up: 300 easy\n\n# a comment\n6 x 100 at threshold-2, rest :20\n4 x 50 drill \"catch-up\" at 2:20\n3 x (200 at 1:50; 50 at 1:40), rest 1:00\n50-100-50 at threshold\n"
	want := shape(read(t, lined(plain)).steps)
	for what, replace := range map[string][]string{
		"Windows line ends":         {"\n", "\r\n"},
		"tabs":                      {" ", "\t"},
		"blanks that do not break":  {" ", "\u00a0"},
		"thin blanks":               {" ", "\u2009"},
		"ideographic blanks":        {" ", "\u3000"},
		"zero-width blanks":         {" ", " \u200b"},
		"a byte order mark inside":  {"6 x", "\ufeff6 x"},
		"curly quotes":              {`"catch-up"`, "“catch-up”"},
		"low quotes":                {`"catch-up"`, "„catch-up“"},
		"single quotes":             {`"catch-up"`, "'catch-up'"},
		"curly single quotes":       {`"catch-up"`, "‘catch-up’"},
		"a multiplication sign":     {" x ", " × "},
		"a glued one":               {" x ", "×"},
		"a capital one":             {" x ", "X"},
		"a star":                    {" x ", " * "},
		"a minus sign":              {"threshold-2", "threshold−2"},
		"dashes":                    {"Warm-up", "Warm–up", "threshold-2", "threshold–2"},
		"long dashes":               {"50-100-50", "50—100—50"},
		"full-width colons":         {":", "\uff1a"},
		"square brackets":           {"(", "[", ")", "]"},
		"blanks behind":             {"\n", "   \n"},
		"full stops":                {"rest 1:00", "rest 1:00."},
		"capitals":                  {"threshold", "Threshold", "rest", "REST", "easy", "Easy"},
		"comments behind sets":      {"rest 1:00", "rest 1:00 # not more"},
		"a soft hyphen in a word":   {"threshold", "thres\u00adhold"},
		"brackets over three lines": {"(200 at 1:50; 50 at 1:40)", "(\n  200 at 1:50\n\n  50 at 1:40\n)"},
	} {
		text := strings.NewReplacer(replace...).Replace(plain)
		s, err := Parse("f.toml", []byte(lined(text)))
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		if got := shape(s.steps); got != want {
			t.Errorf("%s:\n got %s\nwant %s", what, got, want)
		}
	}
}

// TestManyFaultsOfLinesComeAtOnceAtTheirWords: each at its line and column, others of the file too, whatever the line ends.
func TestManyFaultsOfLinesComeAtOnceAtTheirWords(t *testing.T) {
	const text = "\ufeffformat = 1\ntitle = \"T\"\nlines = \"\"\"\nWarm-up: 300 eazy\n  6 x 100 @ 1:50\n\u00a0ü: 4 x 50 at 1:40,5; 3 x (100 at 1:50; 50\n400 at 1:50\n8 x 100 descend 1-3 from 1:50 to 1:40\n\"\"\"\n[paces]\nrace = \"fast\"\nrest = \"1:40\"\n"
	want := []string{
		"4:14 eazy: did you mean easy?", "5:11 @: this has two meanings", "6:15 1:40,5: a decimal is written with a point here: write 1:40.5", "6:27 (: this bracket is not closed",
		"8:9 descend: 8 repetitions do not make whole groups of 3", "11:1 race = \"fast\": allowed is minutes:seconds", "12:1 rest cannot name a pace",
	}
	for _, ends := range []string{"\n", "\r\n"} {
		_, err := Parse("f", []byte(strings.ReplaceAll(text, "\n", ends)))
		ps, _ := err.(fault.Problems)
		if len(ps) != len(want) {
			t.Fatalf("%d problems, want %d: %v", len(ps), len(want), err)
		}
		for i, p := range ps {
			if got := fmt.Sprintf("%d:%d %s", p.Line, p.Col, p.Text); !strings.HasPrefix(got, want[i]) {
				t.Errorf("got %s\nwant %s", got, want[i])
			}
		}
	}
}

// TestWhatStandsAroundLines: the file's own faults, where it has lines.
func TestWhatStandsAroundLines(t *testing.T) {
	for _, row := range []struct{ what, text, want string }{
		{"both ways at once", lined("400 at 1:50") + ok, "3:1: lines cannot stand beside step: a session is written in one of the two ways"},
		{"no sets", lined("# nothing"), "3:1: lines is empty: a session has at least one set, as in 6 x 100 at 1:50, rest :20"},
		{"lines that are a number", head + "lines = 4\n", `3:1: lines = 4: allowed is text in quotes, as in lines = "…"`},
		{"paces without lines", head + ok + "[paces]\neasy = \"1:50\"\n", `6:2: paces are named for lines = """…""" only: in [[step]] each pace is written out`},
		{"a name of two words", lined("400 easy") + "[paces]\n\"very easy\" = \"1:50\"\n", "7:1: very easy cannot name a pace: allowed is one word of letters and digits, as in easy or race-pace"},
		{"a name twice", lined("400 easy") + "[paces]\neasy = \"1:50\"\nEasy = \"1:55\"\n", "8:1: Easy is given twice: capital letters make no difference"},
		{"a pace that is a number", lined("400 easy") + "[paces]\neasy = 110\n", `7:1: easy = 110: allowed is text in quotes, as in easy = "…"`},
		{"lines of one line below paces", head + "[paces]\nlines = \"400 easy\"\n", "1:1: step is missing: a session has at least one step, under [[step]]; or lines = \"\"\"…\"\"\", one set a line\n" + `3:2: paces are named for lines = """…""" only: in [[step]] each pace is written out` + "\n4:1: put lines above [paces]: below it, TOML takes it as a pace"},
		{"all of it below paces", "[paces]\nformat = 1\ntitle = \"T\"\nunit = \"yd\"\nnotes = \"n\"\nauthor = \"a\"\nlines = '''\n400 easy\n'''\n",
			"2:1: put format above [paces]: below it, TOML takes it as a pace\n3:1: put title above [paces]: below it, TOML takes it as a pace\n4:1: put unit above [paces]: below it, TOML takes it as a pace\n5:1: put notes above [paces]: below it, TOML takes it as a pace\n6:1: put author above [paces]: below it, TOML takes it as a pace"},
		{"lines above and below paces", lined("400 easy") + "[paces]\nlines = '''\n400 easy\n'''\n", "7:1: put lines above [paces]: below it, TOML takes it as a pace"},
		{"a fault in lines below paces", head + "[paces]\nrace = \"1:30\"\nlines = '''\n400 rece\n'''\n", "6:5: rece: did you mean race? This word is not known here"},
		{"a threshold of its own", lined("400 easy") + "[paces]\ncss = \"1:40\"\n", "7:1: css already means threshold: give this pace another name"},
		{"a backslash", head + "lines = \"\"\"\n400 at 1:50 \\\"long\\\"\n\"\"\"\n", `4:13: \: a backslash means nothing in lines: leave it out`},
		{"a bomb of rounds", lined("10000 x 10000 x 10000 x 100 easy"), "4:1: 10000 x: the session comes to more than a thousand million blocks here: allowed are 10000"},
	} {
		_, err := Parse("f", []byte(row.text))
		if err == nil || strings.ReplaceAll(err.Error(), "f:", "") != row.want {
			t.Errorf("%s:\n got %v\nwant %s", row.what, err, row.want)
		}
	}
	_, _, err := read(t, lined("300 at threshold-80")).Blocks(threshold135())
	if err == nil || !strings.HasPrefix(err.Error(), "f.toml:4:8: threshold-80: with a threshold of 1:35/100m this is 0:15") {
		t.Errorf("one swimmer's fault: %v", err)
	}
}

// TestWhatIsSwumInDifferentWordsIsTheSame: other ways to write a session come to the same steps.
func TestWhatIsSwumInDifferentWordsIsTheSame(t *testing.T) {
	const paces = "[paces]\nrace = \"1:31.5\"\nt = \"1:40\"\n"
	for _, row := range []struct{ what, one, other string }{
		{"lines below paces", head + paces + "lines = '''\n400 race\n100 T\n'''\n", lined("400 race\n100 at 1:40") + paces},
		{"css named as what it is", lined("400 at css-2") + "[paces]\ncss = \"Threshold\"\nt = \"css\"\n", lined("400 at threshold-2")},
		{"deeper lines", lined("Main: 3 x\n  200 easy, rest :20\n\n  2 x # fast\n    50 at 1:40\n  rest 1:00\nrest 2:00\n2 x\n 100 easy"),
			lined("Main: 3 x (200 easy, rest :20; 2 x (50 at 1:40); rest 1:00)\nrest 2:00\n2 x (100 easy)")},
		{"odd and even", lined("8 x 100 odd easy, even at 1:30, rest :20"), lined("4 x (100 easy, rest :20; 100 at 1:30, rest :20)")},
		{"even and odd", lined("8 x 100 even at 1:30, odd easy on 2:00"), lined("4 x (1 x 100 easy on 2:00; 1 x 100 at 1:30 on 2:00)")},
		{"alternate", lined("8 x 100, rest :20, alternate easy / threshold"), lined("4 x (100 easy, rest :20; 100 threshold, rest :20)")},
		{"a list with commas", lined("2 x (50, 100, 150 at 1:40, rest :15)"), lined("2 x (50-100-150 at 1:40, rest :15)")},
		{"the last of a bracket is no numbered item", lined("2 x (100; 50) easy"), lined("2 x (100 easy; 50 easy)")},
	} {
		if a, b := shape(read(t, row.one).steps), shape(read(t, row.other).steps); a != b {
			t.Errorf("%s:\n%s\n%s", row.what, a, b)
		}
	}
}

// TestAnAscendIsADescendTheOtherWay: the paces of the rounds, from lines and from steps.
func TestAnAscendIsADescendTheOtherWay(t *testing.T) {
	up := "4 x 100 ascend from 1:30 to 1:45, rest :10"
	stepped := head + "[[step]]\nrepeat = 4\nascend_s = 5\n[[step.step]]\ndistance = 100\npace = \"1:30\"\n[[step.step]]\nrest = \":10\"\n"
	for _, text := range []string{lined(up), stepped} {
		blocks, _, err := read(t, text).Blocks(threshold135())
		if err != nil || len(blocks) != 8 {
			t.Fatalf("%d blocks, %v", len(blocks), err)
		}
		for i, want := range []float64{90, 95, 100, 105} {
			if got := blocks[2*i].From.Seconds(); got != want {
				t.Errorf("round %d at %v, want %v", i+1, got, want)
			}
		}
	}
}

// TestRestsThatFollowEachOtherAreAddedUp, where both are of a known time.
func TestRestsThatFollowEachOtherAreAddedUp(t *testing.T) {
	for lines, want := range map[string]string{
		"4 x 50 easy, rest :20\nrest 1:00":             "1:00 rest, with the 0:20 before it 1:20",
		"2 x (50 easy, rest :20), rest 2:00\nrest :30": "0:30 rest, with the 2:00 before it 2:30",
		"4 x 50 easy on 1:10\nrest 1:00":               "1:00 rest",
		"4 x 50 easy on 1:10, rest :05\nrest 1:00":     "1:00 rest",
		"4 x 50 easy, rest open\nrest 1:00":            "1:00 rest",
		"4 x 50 easy, rest :20\n50 easy\nrest 1:00":    "1:00 rest",
	} {
		explained := read(t, lined(lines)).Explain(threshold135())
		if got := explained[len(explained)-1].Words; got != want {
			t.Errorf("%q: %s, want %s", lines, got, want)
		}
	}
}

// hostile are texts that would take long if anything were looked at again and again.
var hostile = map[string]func(n int) string{
	"brackets":        func(n int) string { return strings.Repeat("(", n) },
	"closed brackets": func(n int) string { return strings.Repeat("(", n/2) + strings.Repeat(")", n/2) },
	"rounds":          func(n int) string { return strings.Repeat("2 x ", n/4) + "100 easy" },
	"rounds of sets":  func(n int) string { return strings.Repeat("2 x (", n/5) },
	"one long line":   func(n int) string { return strings.Repeat("100 easy; ", n/10) },
	"bad words":       func(n int) string { return strings.Repeat("100 treshold\n", n/13) },
	"quotes":          func(n int) string { return strings.Repeat(`"`, n) },
	"single quotes":   func(n int) string { return strings.Repeat(` 'a`, n/3) },
	"labels":          func(n int) string { return strings.Repeat("a ", n/2) },
	"many labels":     func(n int) string { return strings.Repeat("a: ", n/3) },
	"colons":          func(n int) string { return strings.Repeat(":", n) },
	"digits":          func(n int) string { return strings.Repeat("1", n) },
	"times":           func(n int) string { return strings.Repeat("1:", n/2) },
	"one word":        func(n int) string { return strings.Repeat("w", n) },
	"a long ladder":   func(n int) string { return "50" + strings.Repeat("-50", n/3) + " easy" },
	"a long descend":  func(n int) string { return "9 x 100 descend 1-3" + strings.Repeat(",4-6", n/4) },
	"remarks":         func(n int) string { return "100 easy " + strings.Repeat("kick ", n/5) },
	"unseen":          func(n int) string { return strings.Repeat("\u200b", n/3) },
	"minutes":         func(n int) string { return "rest " + strings.Repeat("1 min ", n/6) },
	"deeper lines":    func(n int) string { return strings.Repeat("2 x\n  100 easy\n", n/15) },
	"ever deeper": func(n int) string {
		s := ""
		for i := range 600 {
			s += strings.Repeat(" ", i) + "2 x\n"
		}
		return s[:min(n, len(s))]
	},
	"commas":        func(n int) string { return strings.Repeat("50, ", n/4) },
	"turns":         func(n int) string { return "4 x 50 " + strings.Repeat("odd ", n/4) },
	"unknown words": func(n int) string { return strings.Repeat("100 frob, ", n/10) },
	"comments":      func(n int) string { return strings.Repeat("#\n", n/2) },
}

// TestNoLinesTakeLong: a long file is done with at once; what grew with the square would not come
// to an end before the test's own time-out.
func TestNoLinesTakeLong(t *testing.T) {
	for what, repeated := range hostile {
		s, err := Parse("f", []byte(lined(repeated(200_000))))
		if ps, _ := err.(fault.Problems); s == nil && len(ps) == 0 || len(ps) > mostProblems+2 {
			t.Errorf("%s: %d problems", what, len(ps))
		}
	}
}

// FuzzLines: nothing panics or takes long, every fault has a place in the file, the last line needs no end, and what is accepted can be written back.
func FuzzLines(f *testing.F) {
	for _, row := range goodLines {
		f.Add(row.line)
	}
	for _, row := range badLines {
		f.Add(row.line)
	}
	for _, h := range hostile {
		f.Add(h(60))
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<12 || strings.Contains(text, "'''") {
			return
		}
		file := lined(text) + "[paces]\nrace = \"1:31.5\"\n"
		s, err := Parse("f", []byte(file))
		if !strings.HasSuffix(text, "'") {
			if _, bare := Parse("f", []byte(head+"lines = '''\n"+text+"'''\n[paces]\nrace = \"1:31.5\"\n")); (bare == nil) != (err == nil) {
				t.Fatalf("%q: %v, without the end of the last line %v", text, err, bare)
			}
		}
		if err != nil {
			for _, p := range err.(fault.Problems) {
				if p.Line < 1 || p.Line > 1+strings.Count(file, "\n") || p.Col < 1 || p.Text == "" {
					t.Fatalf("no such place: %v in %q", p, text)
				}
			}
			return
		}
		for _, e := range s.Explain(threshold135()) {
			if e.Words == "" || e.Steps == "" || e.Text == "" || e.Line < 4 {
				t.Fatalf("%+v", e)
			}
		}
		if _, _, err := s.Blocks(threshold135()); err == nil {
			checkWrittenBack(t, s)
		}
	})
}

func BenchmarkLinesToBlocks(b *testing.B) {
	text := []byte(lined(strings.Repeat("Main: 5 x 100 at threshold-2, rest :20 descend 0.5 s \"long\"\n", 100)))
	b.ReportAllocs()
	for b.Loop() {
		s, err := Parse("f", text)
		if err != nil {
			b.Fatal(err)
		}
		if blocks, _, err := s.Blocks(threshold135()); err != nil || len(blocks) != 1000 {
			b.Fatal(len(blocks), err)
		}
	}
}
