package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

const head = "format = 1\ntitle = \"T\"\nunit = \"m\"\n"

// bad files: a ‸ stands where the program has to point at, once for each problem, in the order of the file; words that each message has to have.
var bad = []struct {
	name, text string
	says       []string
}{
	{"nothing at all", "‸", []string{"format is missing"}},
	{"no syntax", head + "[[step]\n", nil},
	{"a text without its end", head + "title2 = \"x\n", nil},
	{"a key twice", head + "unit = \"yd\"\n", nil},
	{"a byte that is no text", head + "notes = \"\xff\"\n", nil},
	{"another format", "‸format = 2\ntitle = \"T\"\n[[step]]\nrest = \"0:20\"\n", []string{"2: allowed is 1"}},
	{"a unit of cooks", "format = 1\ntitle = \"T\"\n‸unit = \"ft\"\n[[step]]\nrest = \"0:20\"\n", []string{`"ft": allowed is "m" or "yd"`}},
	{"an empty title", "format = 1\n‸title = \" \"\n[[step]]\nrest = \"0:20\"\n", []string{"1 to 200 characters"}},
	{"an unknown key", head + "[[step]]\ntime = \"1:00\"\n‸pacee = \"1:40\"\npace = \"1:40\"\n", []string{`did you mean "pace"?`}},
	{"an unknown key at the top", head + "‸colour = 3\n[[step]]\nrest = \"0:20\"\n", []string{`unknown key "colour"`}},
	{"two extents", head + "[[step]]\ntime = \"1:00\"\n‸distance = 100\npace = \"1:40\"\n", []string{"cannot stand beside time"}},
	{"no extent", head + "‸[[step]]\npace = \"1:40\"\n", []string{"no extent"}},
	{"no speed", head + "‸[[step]]\ntime = \"1:00\"\n", []string{"no speed"}},
	{"two speeds", head + "[[step]]\ntime = \"1:00\"\npace = \"1:40\"\n‸speed_mps = 1\n", []string{"cannot stand beside pace"}},
	{"a rest with a pace", head + "[[step]]\nrest = \"1:00\"\n‸pace = \"1:40\"\n", []string{"cannot stand beside rest"}},
	{"NaN for a distance", head + "[[step]]\n‸distance = nan\npace = \"1:40\"\n", []string{"nan"}},
	{"an endless distance", head + "[[step]]\n‸distance = inf\npace = \"1:40\"\n", []string{"inf"}},
	{"less than no distance", head + "[[step]]\n‸distance = -100\npace = \"1:40\"\n", []string{"more than 0"}},
	{"no distance", head + "[[step]]\n‸distance = 0\npace = \"1:40\"\n", []string{"more than 0"}},
	{"the distance to the moon", head + "[[step]]\n‸distance = 384400000\npace = \"1:40\"\n", []string{"at most 100 km"}},
	{"a distance in quotes", head + "[[step]]\n‸distance = \"100\"\npace = \"1:40\"\n", []string{"a number, without quotes"}},
	{"NaN for a speed", head + "[[step]]\ntime = \"1:00\"\n‸speed_mps = nan\n", []string{"nan"}},
	{"a time that is no time", head + "[[step]]\n‸time = \"1:75\"\npace = \"1:40\"\n", []string{`"1:75": allowed is minutes:seconds`}},
	{"a time as a number", head + "[[step]]\n‸time = 60\npace = \"1:40\"\n", []string{"60"}},
	{"no time", head + "[[step]]\n‸time = \"0:00\"\npace = \"1:40\"\n", []string{"0:00"}},
	{"a time for days", head + "[[step]]\n‸time = \"99:00:00\"\npace = \"1:40\"\n", []string{"12:00:00"}},
	{"a pace of words", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"fast\"\n", []string{`"fast": allowed is minutes:seconds`}},
	{"three paces", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"1:50 to 1:45 to 1:40\"\n", []string{"allowed is"}},
	{"a pace of fish", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"0:10\"\n", []string{"0:20 to 20:00"}},
	{"a pace per mile", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"1:40/mile\"\n", []string{"allowed is"}},
	{"a threshold far away", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"threshold-500\"\n", []string{"threshold-120"}},
	{"a kind of its own", head + "[[step]]\n‸kind = \"sprint\"\nrest = \"0:20\"\n", []string{`"warm-up"`}},
	{"open, and not", head + "[[step]]\n‸open = false\npace = \"1:40\"\n", []string{"true"}},
	{"a cap on a time", head + "[[step]]\ntime = \"1:00\"\n‸cap = \"2:00\"\npace = \"1:40\"\n", []string{"what is open"}},
	{"no repeats", head + "[[step]]\n‸repeat = 0\n[[step.step]]\nrest = \"0:20\"\n", []string{"1 to 10000"}},
	{"half a repeat", head + "[[step]]\n‸repeat = 1.5\n[[step.step]]\nrest = \"0:20\"\n", []string{"whole number"}},
	{"a group of nothing", head + "‸[[step]]\nrepeat = 3\n", []string{"no steps"}},
	{"a group with a pace", head + "[[step]]\nrepeat = 3\n‸pace = \"1:40\"\n[[step.step]]\nrest = \"0:20\"\n", []string{"cannot stand beside repeat"}},
	{"a bomb of repeats", head + "[[step]]\n‸repeat = 10000\n[[step.step]]\nrepeat = 10000\n[[step.step.step]]\nrepeat = 10000\n[[step.step.step.step]]\nrest = \"0:20\"\n",
		[]string{"allowed are 10000"}},
	{"steps too deep", head + "[[step]]\nrepeat = 1\n[[step.step]]\nrepeat = 1\n[[step.step.step]]\nrepeat = 1\n[[step.step.step.step]]\nrepeat = 1\n[[step.step.step.step.‸step]]\nrest = \"0:20\"\n",
		[]string{"allowed are 4"}},
	{"a send-off without rounds", head + "[[step]]\n‸send_off = \"2:00\"\n[[step.step]]\nrest = \"0:20\"\n", []string{"beside repeat"}},
	{"a send-off shorter than its round", head + "[[step]]\nrepeat = 2\n‸send_off = \"1:00\"\n[[step.step]]\ndistance = 100\npace = \"1:40\"\n", []string{"1:40"}},
	{"a send-off that the water does not leave", head + "[[step]]\nrepeat = 2\n‸send_off = \"1:41\"\n[[step.step]]\ndistance = 100\npace = \"1:40\"\n", []string{"too short"}},
	{"descending into nothing", head + "[[step]]\nrepeat = 9\n‸descend_s = 20\n[[step.step]]\ndistance = 100\npace = \"1:40\"\n", []string{"comes to"}},
	{"faster than the flume", head + "[[step]]\ntime = \"1:00\"\n‸pace = \"0:50\"\n", []string{"the fastest possible is"}},
	{"slower than the motor", head + "[[step]]\ntime = \"1:00\"\n‸speed_mps = 0.06\n", []string{"the slowest possible is"}},
	{"three at once, behind letters of two bytes",
		"format = 1\ntitle = \"Größe\"\n[[step]]\nname = \"Überzug\"\n‸time = \"1:75\"\npace = \"1:40\"\n[[step]]\n‸distance = -1\n‸pace = \"x\"\n",
		[]string{`"1:75"`, "-1", `"x"`}},
	{"in a line of its own table", head + "step = [{ time = \"1:00\", ‸pace = \"x\" }, { name = \"ü\", ‸rest = 3 }]\n", []string{`"x"`, "3"}},
}

// marked takes the marks out of a text, and says as LINE:COL where they stood. Columns count characters.
func marked(text string) (plain string, at []string) {
	for before, after, found := strings.Cut(text, "‸"); found; before, after, found = strings.Cut(after, "‸") {
		plain += before
		line := plain[strings.LastIndexByte(plain, '\n')+1:]
		at = append(at, fmt.Sprintf("%d:%d", strings.Count(plain, "\n")+1, utf8.RuneCountInString(line)+1))
		text = after
	}
	return plain + text, at
}

func TestABadFileIsRefusedAtItsPlace(t *testing.T) {
	for _, b := range bad {
		text, at := marked(b.text)
		path := file(t, "bad.toml", text)
		for _, command := range []string{"check", "rehearse", "run"} {
			t.Run(b.name+", "+command, func(t *testing.T) {
				code, out, errs := typed(t, command, path)
				if code != 1 || out != "" {
					t.Errorf("ends with %d, on stdout %q; want 1 and nothing", code, out)
				}
				lines := strings.Split(strings.TrimSuffix(errs, "\n"), "\n")
				if len(at) == 0 { // of syntax the first error comes alone, at a place that is not ours to say
					if len(lines) != 1 || !placed.MatchString(lines[0]) || !strings.HasPrefix(lines[0], path+":") {
						t.Errorf("says %q", lines)
					}
					return
				}
				if b.name == "nothing at all" {
					lines = lines[:1] // nothing is missing twice, but much is missing
				}
				if len(lines) != len(at) {
					t.Fatalf("says %q; want one line for each of %v", lines, at)
				}
				for i, line := range lines {
					if want := path + ":" + at[i] + ": "; !strings.HasPrefix(line, want) || !strings.Contains(line[len(want):], b.says[i]) {
						t.Errorf("says %q; want %q, with %q", line, want, b.says[i])
					}
				}
			})
		}
	}
	if len(bad) < 30 {
		t.Errorf("only %d bad files", len(bad))
	}
}

func TestAFileThatCannotBeReadIsNamed(t *testing.T) {
	dir := t.TempDir()
	large := filepath.Join(dir, "large.toml")
	if err := os.WriteFile(large, []byte(head+"# "+strings.Repeat("x", 2<<20)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, path, says string }{
		{"missing", filepath.Join(dir, "missing.toml"), "no such file"},
		{"a folder", dir, "is a directory"},
		{"2 MiB", large, "1 MiB"},
	} {
		for _, command := range []string{"check", "rehearse", "run"} {
			code, out, errs := typed(t, command, c.path)
			if code != 1 || out != "" || !strings.HasPrefix(errs, c.path+":") || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
				t.Errorf("%s, %s: ends with %d, %q, %q", command, c.name, code, out, errs)
			}
		}
	}
}

func TestCheckGoesThroughAllItsFiles(t *testing.T) {
	good := file(t, "good.toml", head+"[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n")
	first := file(t, "first.toml", head+"[[step]]\ntime = \"x\"\npace = \"2:00\"\n")
	second := file(t, "second.toml", head+"colour = 1\n[[step]]\nrest = \"0:20\"\n")
	flume := file(t, "flume.toml", "[ramp]\naccel_mps2 = 0.2\n")
	noFlume := file(t, "noflume.toml", "[ramp]\naccel_mps2 = 7\n[safety]\nidle_shutoff = \"30\"\n")

	code, out, errs := typed(t, "check", first, good, second, flume, noFlume)
	if code != 1 {
		t.Errorf("ends with %d", code)
	}
	for i, want := range []string{first + ":5:1: ", second + ":4:1: ", noFlume + ":2:1: ", noFlume + ":4:1: "} {
		lines := strings.Split(errs, "\n")
		if len(lines) != 5 || !strings.HasPrefix(lines[i], want) {
			t.Errorf("line %d of %q; want %q", i+1, errs, want)
		}
	}
	for _, want := range []string{good, flume} {
		if !strings.Contains(out, want+": ") {
			t.Errorf("%s is not said to be well: %q", want, out)
		}
	}
	if strings.Contains(out, first) || strings.Contains(out, second) || strings.Contains(out, noFlume) {
		t.Errorf("a bad file on stdout: %q", out)
	}

	if code, out, errs := typed(t, "check", good, flume); code != 0 || errs != "" || strings.Count(out, "\n") < 2 {
		t.Errorf("good files end with %d, %q, %q", code, out, errs)
	}
	// a session that needs a threshold is well written without one, and is checked against the flume with one
	relative := file(t, "relative.toml", head+"[[step]]\ntime = \"1:00\"\npace = \"threshold-2\"\n")
	if code, out, _ := typed(t, "check", relative); code != 0 || !strings.Contains(out, "--threshold") {
		t.Errorf("ends with %d, %q", code, out)
	}
	for _, command := range []string{"rehearse", "run"} {
		if code, out, errs := typed(t, command, relative); code != 1 || out != "" || !strings.HasPrefix(errs, relative+":6:1: ") || !strings.Contains(errs, "--threshold 1:35/100m") {
			t.Errorf("%s without a threshold ends with %d, %q, %q", command, code, out, errs)
		}
	}
	if code, out, _ := typed(t, "check", relative, "--threshold", "1:40"); code != 0 || !strings.Contains(out, "1:40/100m") {
		t.Errorf("ends with %d, %q: the threshold is not echoed", code, out)
	}
	if code, _, errs := typed(t, "check", relative, "--threshold", "0:55"); code != 1 || !strings.Contains(errs, relative+":6:1: ") {
		t.Errorf("ends with %d, %q: too fast for the flume", code, errs)
	}
}

func TestABadConfigurationIsToldOnce(t *testing.T) {
	good := file(t, "good.toml", head+"[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n")
	conf := file(t, "flume.toml", "[ramp]\naccel_mps2 = 7\n")
	want := conf + ":2:1: "
	for _, args := range [][]string{{"check", good, good}, {"rehearse", good}, {"run", good}} {
		code, out, errs := typed(t, append(args, "--config", conf)...)
		if code != 1 || out != "" || !strings.HasPrefix(errs, want) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: ends with %d, %q, %q", args, code, out, errs)
		}
	}
	if code, _, errs := typed(t, "rehearse", good, "--config", conf+"x"); code != 1 || !strings.Contains(errs, conf+"x") {
		t.Errorf("a configuration that is missing: %d, %q", code, errs)
	}
}

func TestAWrongCommandLineEndsWith2(t *testing.T) {
	good := file(t, "good.toml", head+"[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n")
	for _, args := range [][]string{
		{"swim"}, {"check"}, {"rehearse"}, {"run"}, {"check", "--fast", good}, {"rehearse", good, "--colour"}, {"run", good, "--rate"},
		{"run", good, "--rate", "0"}, {"run", good, "--rate", "-3"}, {"run", good, "--rate", "1001"}, {"run", good, "--rate", "x"},
		{"rehearse", good, "--step", "0s"}, {"rehearse", good, "--step", "5"}, {"rehearse", good, "--json", "--csv"},
		{"rehearse", good, "--plot", "curve.gif"}, {"rehearse", good, good}, {"stop-drive", "now"},
		{"check", good, "--threshold", "fast"}, {"rehearse", good, "--threshold", "0:00"}, {"run", good, "--threshold", "0:20"}, {"rehearse", good, "--threshold", "nan"},
	} {
		code, out, errs := typed(t, args...)
		if code != 2 || out != "" || !strings.HasPrefix(errs, "sequencerd: ") {
			t.Errorf("%v: ends with %d, %q, %q", args, code, out, errs)
		}
	}
	if code, _, errs := typed(t, "rehearse", good, "--swimmer", "Nobody"); code != 1 || !strings.Contains(errs, "Maren Tolliver") {
		t.Errorf("a swimmer whom nobody knows: %d, %q; want 1 and who is known", code, errs)
	}
	for _, args := range [][]string{{"--help"}, {"rehearse", "--help"}, {"--version"}, nil} {
		if code, out, errs := typed(t, args...); code != 0 || out == "" || errs != "" {
			t.Errorf("%v: ends with %d, %q, %q", args, code, out, errs)
		}
	}
}
