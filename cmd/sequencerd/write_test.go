package main

import (
	"bytes"
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"

	"flume.example/sequencerd/config"
)

// piped runs one command line with a text on its standard input.
func piped(t *testing.T, input string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	in, err := os.Open(file(t, "input", input))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	var out, errs bytes.Buffer
	code = execute(context.Background(), args, console{in, &out, &errs})
	return code, out.String(), errs.String()
}

func TestWriteSavesWhatIsPipedToIt(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tuesday-main.toml")
	const lines = "Warm-up: 300 easy\r\npace race 1:50\nMain:\n6 x 100 at 1:55, rest :20\n4 x 50 race, rest :30\nstrike\n4 x 50 race, rest :25\n\ndone\nnothing of this\n"
	code, out, errs := piped(t, lines, "write", path, "--threshold", "1:45")
	if code != 0 || errs != "" {
		t.Fatalf("ends with %d: %s", code, errs)
	}
	for _, want := range []string{
		"Warm-up: 300 m at threshold+15 (2:00 per 100), 6:00\n    asks 6:00, 300 m; so far 6:00, 300 m",
		"Main: 6 times 100 m at 1:55 per 100, 1:55 each, 0:20 rest after each\n    asks 13:30, 600 m; so far 19:30, 900 m",
		"Main: 4 times 50 m at 1:50 per 100, 0:55 each, 0:25 rest after each\n    asks 5:20, 200 m; so far 24:50, 1100 m",
		"1:50", "|###", "+----", path + " is saved.",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const want = "format = 1\ntitle = \"Tuesday main\"\nunit = \"m\"\nlines = \"\"\"\nWarm-up: 300 easy\nMain:\n6 x 100 at 1:55, rest :20\n4 x 50 race, rest :25\n\n\"\"\"\n\n[paces]\nrace = \"1:50\"\n"
	if string(text) != want {
		t.Errorf("saved\n%s\nwant\n%s", text, want)
	}
	if code, _, errs := typed(t, "rehearse", path, "--threshold", "1:45"); code != 0 {
		t.Errorf("what was saved cannot be rehearsed: %s", errs)
	}
}

func TestWriteSavesNothingHalf(t *testing.T) {
	for _, row := range []struct{ what, input, want string }{
		{"a slip", "300 easy\n6 x 100 @ 1:50\n400 smooth\n", "standard input:2:9: @: this has two meanings"},
		{"the second slip too", "300 easy\n6 x 100 @ 1:50\n400 smooth\n", "standard input:3:5: smooth: this word is not known here"},
		{"a slip in a pace", "pace race fast\n300 race\n", `standard input:1:1: race = "fast": allowed is`},
		{"a backslash", "300 easy \\\n", "standard input:1:10:"},
		{"three quotes", "300 easy \"\"\"\nformat = 2\n", "standard input:1:10:"},
		{"nothing", "", "there are no lines; nothing was saved"},
		{"only a heading", "Main:\n", "lines is empty"},
		{"leaving", "300 easy\nleave\n", "left; nothing was saved"},
	} {
		dir := t.TempDir()
		code, _, errs := piped(t, row.input, "write", filepath.Join(dir, "a.toml"))
		if code != 1 || !strings.Contains(errs, row.want) {
			t.Errorf("%s: ends with %d: %s\nwant %s", row.what, code, errs, row.want)
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %s is left", row.what, left[0].Name())
		}
	}
}

func TestWriteTakesNoOthersPlaceUnlessSaid(t *testing.T) {
	path := file(t, "a.toml", "mine")
	if code, _, errs := piped(t, "300 easy\n", "write", path); code != 1 || !strings.Contains(errs, "is there already: choose another name, or say --replace") {
		t.Errorf("ends with %d: %s", code, errs)
	}
	if err := writeWhole(path, "late", false); err == nil { // it came while somebody was writing
		t.Error("a file that came meanwhile was replaced")
	}
	if text, _ := os.ReadFile(path); string(text) != "mine" {
		t.Fatalf("the file has now %q", text)
	}
	if code, _, errs := piped(t, "300 at 2:00\n", "write", path, "--replace", "--unit", "yd", "--title", "Zwei \"Bahnen\""); code != 0 {
		t.Fatalf("ends with %d: %s", code, errs)
	}
	var s outsideSession
	if _, err := toml.DecodeFile(path, &s); err != nil || s.Title != "Zwei \"Bahnen\"" || s.Unit != "yd" {
		t.Errorf("%+v, %v", s, err)
	}
	if left, _ := os.ReadDir(filepath.Dir(path)); len(left) != 1 {
		t.Errorf("%d files are left, want one", len(left))
	}
	if code, _, errs := piped(t, "300 at 2:00\n", "write", filepath.Join(t.TempDir(), "no", "a.toml")); code != 1 || !strings.Contains(errs, "cannot be saved") {
		t.Errorf("ends with %d: %s", code, errs)
	}
}

// TestExplainIsASessionItself: what --explain prints is a session in steps that asks the same, whichever form it comes from, with words beside it.
func TestExplainIsASessionItself(t *testing.T) {
	for _, d := range demos(t) {
		for _, name := range []string{d.path, file(t, "lines.toml", demoInLines(t, d.name))} {
			code, explained, errs := typed(t, "check", "--explain", name, "--threshold", "1:40")
			if code != 0 || errs != "" || !strings.Contains(explained, "# asks ") || !strings.Contains(explained, "# line ") {
				t.Fatalf("%s: ends with %d: %s%s", name, code, errs, explained)
			}
			var tables [2]string
			for i, path := range []string{name, file(t, "explained.toml", explained)} {
				code, out, errs := typed(t, "rehearse", "--json", path, "--threshold", "1:40")
				if code != 0 {
					t.Fatalf("%s: %s", d.name, errs)
				}
				tables[i] = out
			}
			if tables[0] != tables[1] {
				t.Errorf("%s: explained, it is another session:\n%s", name, explained)
			}
		}
	}
	code, out, errs := typed(t, "check", "--explain", file(t, "a.toml", "format = 1\ntitle = \"T\"\nunit = \"yd\"\nlines = \"12 x 50 on 1:00 in 0:42\"\n"))
	const want = "# line 4: 12 x 50 on 1:00 in 0:42\n# 12 times 50 yd at 1:24 per 100, 0:42 each, leave every 1:00, 0:18 rest asked\n# asks 12:00, 600 yd\n[[step]]\nrepeat = 12\nsend_off = \"1:00\"\n\n  [[step.step]]\n  distance = 50\n  pace = \"1:24\"\n"
	if code != 0 || !strings.HasSuffix(out, want) {
		t.Errorf("ends with %d: %s\n%s\nwant at its end\n%s", code, errs, out, want)
	}
	code, out, _ = typed(t, "check", "--explain", file(t, "b.toml", "format = 1\ntitle = \"T\"\nlines = \"6 x 100 easy\"\n"))
	if code != 0 || !strings.Contains(out, "# what it asks in all depends on the swimmer's threshold") {
		t.Errorf("without a threshold: %d\n%s", code, out)
	}
}

func TestScale(t *testing.T) {
	path := file(t, "a.toml", "format = 1 # one\ntitle = \"T\"\nlines = \"\"\"\n10 x 100 at 1:55, rest :20 # long\n\"\"\"\n")
	for _, row := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--shorter", "20%"}, 0, "format = 1 # one\ntitle = \"T\"\nlines = \"\"\"\n8 x 100 at 1:55, rest :20 # long\n\"\"\"\n"},
		{[]string{"--slower", "3s"}, 0, "format = 1 # one\ntitle = \"T\"\nlines = \"\"\"\n10 x 100 at 1:58, rest :20 # long\n\"\"\"\n"},
		{[]string{"--unit", "yd"}, 0, "format = 1 # one\ntitle = \"T\"\nunit = \"yd\"\nlines = \"\"\"\n10 x 100 at 1:45.2, rest :20 # long\n\"\"\"\n"},
		{[]string{"--unit", "m"}, 0, "format = 1 # one\ntitle = \"T\"\nlines = \"\"\"\n10 x 100 at 1:55, rest :20 # long\n\"\"\"\n"},
		{nil, 2, ""}, {[]string{"--shorter", "20"}, 2, ""}, {[]string{"--shorter", "100%"}, 2, ""}, {[]string{"--slower", "3"}, 2, ""},
		{[]string{"--slower", "-3s"}, 2, ""}, {[]string{"--unit", "ft"}, 2, ""}, {[]string{"--unit", "yd", "--slower", "3s"}, 2, ""},
	} {
		code, out, errs := typed(t, append([]string{"scale", path}, row.args...)...)
		if code != row.code || out != row.want || (code == 0) != (errs == "") {
			t.Errorf("%v: ends with %d: %s\n%s\nwant\n%s", row.args, code, errs, out, row.want)
		}
	}
	if code, _, errs := typed(t, "scale", "--slower", "10s", file(t, "b.toml", "format = 1\ntitle = \"T\"\nlines = \"100 at 19:55\"\n")); code != 1 || !strings.Contains(errs, "b.toml, changed:3:") {
		t.Errorf("too slow a session: %d %s", code, errs)
	}
}

func demoInLines(t *testing.T, name string) string {
	t.Helper()
	text, err := fs.ReadFile(config.Sessions, "lines/"+name+".toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestWriteOnATerminal(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "at-the-pool.toml")
	try(t, func(t *trial) {
		p := startOnTerminal(t, "write", path, "--threshold", "1:45", "--replace")
		p.until(`"At the pool", counted in m.`)
		p.until("> ")
		p.press("Warm-up: 300 easy\n")
		p.until("asks 6:00, 300 m; so far 6:00, 300 m")
		p.until("+----") // the curve
		p.until("> ")
		p.press("Main:\n")
		p.until("> ")
		p.press("6 x 100 @ 1:50\n")
		p.until("          ^\r\n  @: this has two meanings")
		p.until("was not taken")
		p.until("> ")
		p.press("6 x 100 at 2:00\n")
		p.until("so far 18:00, 900 m")
		p.until("> ")
		p.press("strike\n")
		p.until("struck: 6 x 100 at 2:00")
		p.until("> ")
		p.press("4 x 50 at 0:30\n")
		p.until("On this flume: ")
		p.until("is too fast here")
		p.until("> ")
		p.press("strike\n4 x 50 at 2:00\n")
		p.until("so far 10:00, 500 m")
		p.until("> ")
		p.press("show\n")
		p.until("lines = \"\"\"\r\nWarm-up: 300 easy\r\nMain:\r\n4 x 50 at 2:00\r\n")
		p.press("done\n")
		p.until("is saved.")
		p.ends(0)
		p.checkModes()
	})
	text, err := os.ReadFile(path)
	if err != nil || !strings.Contains(string(text), "\nWarm-up: 300 easy\nMain:\n4 x 50 at 2:00\n\"\"\"\n") {
		t.Errorf("saved: %v\n%s", err, text)
	}
}

// A title that no session may have is told as the flag's, not as a mistake in a file that nobody has written; a file's name is cut to what a title may have.
func TestWriteTellsATitleThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	for _, title := range []string{" ", "a\nb", "a\x07", strings.Repeat("ü", 201)} {
		if code, _, errs := piped(t, "300 at 2:00\n", "write", filepath.Join(dir, "a.toml"), "--title", title); code != exitUsage || !strings.Contains(errs, "--title") || !strings.Contains(errs, "allowed is 1 to 200 characters") {
			t.Errorf("%q: ends with %d: %s", title, code, errs)
		}
	}
	long := filepath.Join(dir, strings.Repeat("n", 230)+".toml")
	if code, _, errs := piped(t, "300 at 2:00\n", "write", long); code != 0 {
		t.Errorf("a long name: ends with %d: %s", code, errs)
	}
}
