package schedule

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
)

// head is the start of a right file; what follows it begins on line 3.
const head = "format = 1\ntitle = \"T\"\n"

// ok is a right step of three lines.
const ok = "[[step]]\ntime = \"4:00\"\npace = \"2:00\"\n"

// bads are files that must be refused, each with all that is to be said about it.
var bads = []struct{ what, text, want string }{
	{"nothing at all", "", `1:1: format is missing: allowed is format = 1
1:1: title is missing: allowed is text in quotes, as in title = "Over and under"
1:1: step is missing: a session has at least one step, under [[step]]; or lines = """…""", one set a line`},
	{"a syntax error comes alone", "format = 2\ntitle = \"\"\npace = 1:40\n", `3:8: 1:40 stands without quotes: write "1:40"`},
	{"another format", "format = 2\ntitle = \"T\"\n" + ok, `1:1: format = 2: allowed is 1`},
	{"a format in quotes", "format = \"1\"\ntitle = \"T\"\n" + ok, `1:1: format = "1": allowed is a whole number, without quotes`},
	{"an empty title", "format = 1\ntitle = \" \"\n" + ok, `2:1: title = " ": allowed is 1 to 200 characters on one line, without control characters`},
	{"a title that would steer a terminal", "format = 1\ntitle = \"\\u001b[2J\"\n" + ok, `2:1: title = "\u001b[2J": allowed is 1 to 200 characters on one line, without control characters`},
	{"a title of 201 characters", "format = 1\ntitle = \"" + strings.Repeat("ü", 201) + "\"\n" + ok, `2:1: title = "` + strings.Repeat("ü", 39) + `…: allowed is 1 to 200 characters on one line, without control characters`},
	{"a title without quotes", "format = 1\ntitle = T\n" + ok, `2:9: T stands without quotes: text is written "T", a number 1.5, else true or false`},
	{"notes that ring a bell", head + "notes = \"a\\u0007\"\n" + ok, `3:1: notes = "a\u0007": allowed is text without control characters other than line ends and tabs`},
	{"feet", head + "unit = \"ft\"\n" + ok, `3:1: unit = "ft": allowed is "m" or "yd"`},
	{"a misspelt key in the session", head + "autor = \"x\"\n" + ok, `3:1: unknown key "autor"; did you mean "author"? allowed here: format, title, unit, notes, author, step, lines, paces`},
	{"a misspelt key in a step", head + "[[step]]\ndistanse = 100\ntime = \"4:00\"\npace = \"2:00\"\n",
		`4:1: unknown key "distanse"; did you mean "distance"? allowed here: name, kind, note, time, distance, open, rest, cap, pace, speed_mps, repeat, send_off, descend_s, ascend_s, step`},
	{"single brackets", head + "[step]\ntime = \"4:00\"\npace = \"2:00\"\n", `3:2: step is a table here: allowed is any number of tables, each under [[step]] with double brackets`},
	{"steps that are numbers", head + "step = [1]\n", `3:1: step = [1]: allowed is at least one step, under [[step]]
3:9: item 1 of step is 1: allowed is a table, as in { … }`},
	{"no steps", head + "step = []\n", `3:1: step = []: allowed is at least one step, under [[step]]`},
	{"a kind of its own", head + "[[step]]\nkind = \"warmup\"\ntime = \"4:00\"\npace = \"2:00\"\n", `4:1: kind = "warmup": allowed is "warm-up", "main", "drill", "recovery", "cool-down"`},
	{"an empty name", head + "[[step]]\nname = \"\"\ntime = \"4:00\"\npace = \"2:00\"\n", `4:1: name = "": allowed is 1 to 200 characters on one line, without control characters`},
	{"two extents", head + "[[step]]\ntime = \"4:00\"\ndistance = 100\npace = \"2:00\"\n", `5:1: distance cannot stand beside time: allowed is one of time, distance, open, rest in a step`},
	{"three extents", head + "[[step]]\nopen = true\ntime = \"4:00\"\nrest = \":20\"\n", `5:1: time cannot stand beside open: allowed is one of time, distance, open, rest in a step
6:1: rest cannot stand beside open: allowed is one of time, distance, open, rest in a step`},
	{"no extent", head + "  [[step]]\n  pace = \"2:00\"\n", `3:3: a step has no extent: allowed is one of time, distance, open = true, rest; or steps of its own`},
	{"an empty step", head + ok + "[[step]]\n", `6:1: a step has no extent: allowed is one of time, distance, open = true, rest; or steps of its own`},
	{"no speed", head + "[[step]]\ndistance = 100\n", `3:1: a step has no speed: allowed is pace, as in pace = "1:40", or speed_mps; or rest in place of both`},
	{"two speeds", head + "[[step]]\ndistance = 100\nspeed_mps = 1\npace = \"1:40\"\n", `6:1: pace cannot stand beside speed_mps: allowed is one of pace, speed_mps in a step`},
	{"a pace on a rest", head + "[[step]]\nrest = \":20\"\npace = \"1:40\"\n", `5:1: pace cannot stand beside rest: the water comes to rest there; leave it out`},
	{"a cap without open", head + "[[step]]\ntime = \"4:00\"\ncap = \"5:00\"\npace = \"1:40\"\n", `5:1: cap belongs to what is open: allowed is beside open = true or rest = "open"`},
	{"a cap on a timed rest", head + "[[step]]\nrest = \"4:00\"\ncap = \"5:00\"\n", `5:1: cap belongs to what is open: allowed is beside open = true or rest = "open"`},
	{"open = false", head + "[[step]]\nopen = false\npace = \"1:40\"\n", `4:1: open = false: allowed is true; or leave it out`},
	{"a time without a colon", head + "[[step]]\ntime = \"58.2\"\npace = \"1:40\"\n", `4:1: time = "58.2": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"`},
	{"a time in seconds", head + "[[step]]\ntime = 240\npace = \"1:40\"\n", `4:1: time = 240: allowed is text in quotes, as in time = "…"`},
	{"a time of day", head + "[[step]]\ntime = 04:00\npace = \"1:40\"\n", `4:1: time = 04:00: allowed is text in quotes, as in time = "…"`},
	{"sixty seconds", head + "[[step]]\ntime = \"4:60\"\npace = \"1:40\"\n", `4:1: time = "4:60": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"`},
	{"a negative time", head + "[[step]]\ntime = \"-4:00\"\npace = \"1:40\"\n", `4:1: time = "-4:00": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"`},
	{"no time", head + "[[step]]\ntime = \"0:00\"\npace = \"1:40\"\n", `4:1: time = "0:00": allowed is 0:00.1 to 12:00:00`},
	{"more than half a day", head + "[[step]]\ntime = \"12:00:00.1\"\npace = \"1:40\"\n", `4:1: time = "12:00:00.1": allowed is 0:00.1 to 12:00:00`},
	{"a rest in words", head + "[[step]]\nrest = \"long\"\n", `4:1: rest = "long": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"; or "open"`},
	{"a cap of nothing", head + "[[step]]\nopen = true\ncap = \"0:00.0\"\npace = \"1:40\"\n", `5:1: cap = "0:00.0": allowed is 0:00.1 to 12:00:00`},
	{"no distance", head + "[[step]]\ndistance = 0\npace = \"1:40\"\n", `4:1: distance = 0: allowed is more than 0, at most 100 km, counted in m`},
	{"a negative distance", head + "[[step]]\ndistance = -100\npace = \"1:40\"\n", `4:1: distance = -100: allowed is more than 0, at most 100 km, counted in m`},
	{"a distance with its unit", head + "[[step]]\ndistance = \"100 m\"\npace = \"1:40\"\n", `4:1: distance = "100 m": allowed is a number, without quotes`},
	{"a distance that is no number", head + "[[step]]\ndistance = nan\npace = \"1:40\"\n", `4:1: distance = nan: allowed is a number, without quotes`},
	{"an endless distance", head + "[[step]]\ndistance = inf\npace = \"1:40\"\n", `4:1: distance = inf: allowed is a number, without quotes`},
	{"a distance across the sea", "format = 1\ntitle = \"T\"\nunit = \"yd\"\n[[step]]\ndistance = 109_362\npace = \"1:40\"\n", `5:1: distance = 109_362: allowed is more than 0, at most 100 km, counted in yd`},
	{"a pace without seconds", head + "[[step]]\ndistance = 100\npace = \"1:4\"\n", `5:1: pace = "1:4": allowed is minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"`},
	{"three paces", head + "[[step]]\ndistance = 100\npace = \"1:50 to 1:40 to 1:30\"\n", `5:1: pace = "1:50 to 1:40 to 1:30": allowed is minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"`},
	{"a pace per mile", head + "[[step]]\ndistance = 100\npace = \"1:40/100mi\"\n", `5:1: pace = "1:40/100mi": allowed is minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"`},
	{"a pace faster than anyone", head + "[[step]]\ndistance = 100\npace = \"0:19.9\"\n", `5:1: pace = "0:19.9": allowed is 0:20 to 20:00 per 100 m`},
	{"a pace slower than anyone", head + "[[step]]\ndistance = 100\npace = \"1:40 to 20:00.1\"\n", `5:1: pace = "1:40 to 20:00.1": allowed is 0:20 to 20:00 per 100 m`},
	{"far from the threshold", head + "[[step]]\ndistance = 100\npace = \"threshold-121\"\n", `5:1: pace = "threshold-121": allowed is threshold-120 to threshold+120, in seconds per 100 m`},
	{"a percentage of the threshold", head + "[[step]]\ndistance = 100\npace = \"threshold*2\"\n", `5:1: pace = "threshold*2": allowed is minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"`},
	{"standing water", head + "[[step]]\ndistance = 100\nspeed_mps = 0.05\n", `5:1: speed_mps = 0.05: allowed is more than 0.05, at most 5 m/s`},
	{"a torrent", head + "[[step]]\ndistance = 100\nspeed_mps = 5.1\n", `5:1: speed_mps = 5.1: allowed is more than 0.05, at most 5 m/s`},
	{"a speed that is no number", head + "[[step]]\ndistance = 100\nspeed_mps = nan\n", `5:1: speed_mps = nan: allowed is a number, without quotes`},
	{"no rounds", head + "[[step]]\nrepeat = 0\n[[step.step]]\nrest = \":20\"\n", `4:1: repeat = 0: allowed is a whole number from 1 to 10000`},
	{"more rounds than blocks", head + "[[step]]\nrepeat = 10001\n[[step.step]]\nrest = \":20\"\n", `4:1: repeat = 10001: allowed is a whole number from 1 to 10000`},
	{"half a round", head + "[[step]]\nrepeat = 2.5\n[[step.step]]\nrest = \":20\"\n", `4:1: repeat = 2.5: allowed is a whole number, without quotes`},
	{"a repeat of a stretch", head + "[[step]]\nrepeat = 4\ndistance = 100\npace = \"1:40\"\n", `3:1: a group has no steps: allowed is at least one, under [[step.step]]
5:1: distance cannot stand beside repeat: allowed is in a step of its own inside, under [[step.step]]
6:1: pace cannot stand beside repeat: allowed is in a step of its own inside, under [[step.step]]`},
	{"an empty group", head + "[[step]]\nstep = [ ]\n", `3:1: a group has no steps: allowed is at least one, under [[step.step]]`},
	{"a send-off without rounds", head + "[[step]]\nsend_off = \"2:00\"\n[[step.step]]\nrest = \":20\"\n", `4:1: send_off belongs to rounds: allowed is beside repeat`},
	{"a descend without rounds", head + "[[step]]\ndescend_s = 1\n[[step.step]]\nrest = \":20\"\n", `4:1: descend_s belongs to rounds: allowed is beside repeat`},
	{"a send-off under a second", head + "[[step]]\nrepeat = 2\nsend_off = \"0:00.9\"\n[[step.step]]\nrest = \":20\"\n", `5:1: send_off = "0:00.9": allowed is 0:01 to 12:00:00`},
	{"rounds that become slower", head + "[[step]]\nrepeat = 2\ndescend_s = -1\n[[step.step]]\nrest = \":20\"\n", `5:1: descend_s = -1: allowed is more than 0, at most 60 seconds per 100 and round`},
	{"a descend that is no number", head + "[[step]]\nrepeat = 2\ndescend_s = nan\n[[step.step]]\nrest = \":20\"\n", `5:1: descend_s = nan: allowed is a number, without quotes`},
	{"rounds that become too fast", head + "[[step]]\nrepeat = 8\ndescend_s = 6\n[[step.step]]\ndistance = 25\npace = \"0:50\"\n",
		`5:1: descend_s = 6: round 7 of 8 comes to 0:14 per 100 m in the step of line 6: allowed is 0:20 to 20:00 per 100 m`},
	{"a send-off shorter than its round", head + "[[step]]\nrepeat = 8\nsend_off = \"1:00\"\n[[step.step]]\ndistance = 50\npace = \"1:40\"\n[[step.step]]\nrest = \":20\"\n",
		`5:1: send_off = "1:00": a round takes 1:10 at the asked paces, rests included: allowed is that or more`},
	{"a send-off shorter than those inside it", head + "[[step]]\nrepeat = 2\nsend_off = \"3:30\"\n[[step.step]]\nrepeat = 4\nsend_off = \"1:00\"\n[[step.step.step]]\ndistance = 50\npace = \"1:40\"\n",
		`5:1: send_off = "3:30": a round takes 4:00 at the asked paces, rests included: allowed is that or more`},
	{"nothing is said about a round of which something is wrong already", head + "[[step]]\nrepeat = 2\nsend_off = \"0:50\"\n[[step.step]]\nrest = \"open\"\ncap = \"0\"\n",
		`8:1: cap = "0": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"`},
	{"five deep", head + "[[step]]\n[[step.step]]\n[[step.step.step]]\n[[step.step.step.step]]\n[[step.step.step.step.step]]\nrest = \":20\"\n",
		`7:23: step: steps stand in each other 5 deep: allowed are 4`},
	{"a bomb of repeats", head + "[[step]]\n[[step.step]]\nrepeat = 10000\n[[step.step.step]]\nrepeat = 10000\n[[step.step.step.step]]\nrest = \":20\"\n",
		`5:1: repeat = 10000: the session comes to 100000000 blocks here: allowed are 10000`},
	{"the largest bomb of repeats", head + strings.Repeat("[[step]]\nrepeat = 10000\n[[step.step]]\nrepeat = 10000\n[[step.step.step]]\nrepeat = 10000\n[[step.step.step.step]]\nrepeat = 10000\n", 100),
		bombs(100)},
	{"a block too many, the send-off's own", head + "[[step]]\nrepeat = 5001\nsend_off = \"5:00\"\n[[step.step]]\ndistance = 50\npace = \"1:40\"\n",
		`4:1: repeat = 5001: the session comes to 10002 blocks here: allowed are 10000`},
	{"two repeats too large together", head + strings.Repeat("[[step]]\nrepeat = 6000\n[[step.step]]\nrest = \":20\"\n", 2),
		`8:1: repeat = 6000: the session comes to 12000 blocks here: allowed are 10000`},
	{"one step too many", head + strings.Repeat("[[step]]\nrest = \":20\"\n", 10_001), `20003:1: this step: the session comes to 10001 blocks here: allowed are 10000`},
	{"an inline step", head + "step = [{ time = \"4:00\", pace = \"1:40\" },\n  { time = \"4:00\", pase = \"1:40\" }]\n",
		`4:3: a step has no speed: allowed is pace, as in pace = "1:40", or speed_mps; or rest in place of both
4:20: unknown key "pase"; did you mean "pace"? allowed here: name, kind, note, time, distance, open, rest, cap, pace, speed_mps, repeat, send_off, descend_s, ascend_s, step`},
	{"everything at once, in the order of the file", "format = 1\r\nunit = \"km\"\r\n[[step]]\r\n  repeat = 0\r\n  [[step.step]]\r\n  \"distance\" = -1\r\n  pace = \"fast\"\r\n  [[step.step]]\r\n  rest = \"1\"\r\n[[step]]\r\n",
		`1:1: title is missing: allowed is text in quotes, as in title = "Over and under"
2:1: unit = "km": allowed is "m" or "yd"
4:3: repeat = 0: allowed is a whole number from 1 to 10000
6:3: distance = -1: allowed is more than 0, at most 100 km, counted in m
7:3: pace = "fast": allowed is minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"
9:3: rest = "1": allowed is minutes:seconds in quotes, as in "4:00", "1:40.5", ":20" or "1:05:00"; or "open"
10:1: a step has no extent: allowed is one of time, distance, open = true, rest; or steps of its own`},
	{"more than 1 MiB", head + strings.Repeat("#", 1<<20), `1:1: the file has 1048599 bytes: allowed are 1048576 (1 MiB)`},
	{"not UTF-8", head + "notes = \"\xff\"\n" + ok, `3:10: byte 0xff is no text: allowed are UTF-8 without control characters; save the file as UTF-8`},
}

func TestBadFilesAreRefusedWithEverythingThatIsWrongAndWhere(t *testing.T) {
	for _, row := range bads {
		s, err := Parse("f.toml", []byte(row.text))
		var ps fault.Problems
		if s != nil || !errors.As(err, &ps) {
			t.Errorf("%s: accepted, or no problems: %v", row.what, err)
			continue
		}
		if got, want := strings.ReplaceAll("\n"+err.Error(), "\nf.toml:", "\n"), "\n"+row.want; got != want {
			t.Errorf("%s:\n got%s\nwant%s", row.what, got, want)
		}
	}
	if len(bads) < 65 {
		t.Errorf("only %d bad files left", len(bads))
	}
}

func TestASessionIsAtMostTenThousandBlocks(t *testing.T) {
	for n, fits := range map[int]bool{10_000: true, 10_001: false} {
		text := head + fmt.Sprintf("[[step]]\nrepeat = %d\n[[step.step]]\nrest = \":20\"\n", min(n, 9_000))
		text += fmt.Sprintf("[[step]]\nrepeat = %d\n[[step.step]]\nrest = \":20\"\n", n-min(n, 9_000))
		if _, err := Parse("f", []byte(text)); (err == nil) != fits {
			t.Errorf("%d blocks: %v", n, err)
		}
	}
}

// bombs is what is said of n bombs of repeats whose innermost groups are empty.
func bombs(n int) string {
	s := "4:1: repeat = 10000: the session comes to more than a thousand million blocks here: allowed are 10000"
	for i := range n {
		s += fmt.Sprintf("\n%d:1: a group has no steps: allowed is at least one, under [[step.step.step.step.step]]", 9+8*i)
	}
	return s
}
