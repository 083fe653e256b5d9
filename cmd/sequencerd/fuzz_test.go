package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
)

// FuzzRecordedDrive: whatever stands beside the lock of a drive, stop-drive makes a drive of it or refuses it, and would record the same one again.
func FuzzRecordedDrive(f *testing.F) {
	m, err := readMap("oxbow-f")
	if err != nil {
		f.Fatal(err)
	}
	s, err := settings.Parse("", nil, config.Default())
	if err != nil {
		f.Fatal(err)
	}
	s.Drive.Serial.Port = "/dev/ttyUSB0"
	f.Add((&resolvedDrive{Backend: "serial", Serial: s.Drive.Serial, Map: string(m), MapName: "oxbow-f"}).String())
	f.Add(`{"backend":"serial","serial":{"Port":"/dev/ttyUSB0","Baud":19200},"map":"x","map_name":"m"}`)
	f.Add(`{"backend":"mqtt","mqtt":{"URL":"mqtt://127.0.0.1"}}`)
	f.Add(`{"backend":"steam"}`)
	f.Fuzz(func(t *testing.T, text string) {
		var r, again resolvedDrive
		if json.Unmarshal([]byte(text), &r) != nil {
			return
		}
		if err := json.Unmarshal([]byte(r.String()), &again); err != nil || !reflect.DeepEqual(r, again) || r.link() != again.link() {
			t.Errorf("%+v is recorded as %s (%v)", r, r.String(), err)
		}
		b, err := r.serial()
		if (b == nil) == (err == nil) || err == nil && r.Serial.Port == "" {
			t.Errorf("a drive %v, an error %v", b, err)
		}
	})
}

// FuzzSheet: whatever is typed to write, the file that comes of it is a session in which each line stands as it was typed; else each mistake is told at its
// line of the input.
func FuzzSheet(f *testing.F) {
	for _, s := range []string{
		"Warm-up: 300 easy\r\npace race 1:50\nMain:\n6 x 100 at 1:55, rest :20\n4 x 50 race, rest :30\n\n", "300 easy\n6 x 100 @ 1:50\n400 smooth\n", "pace race fast\n300 race\n",
		"300 easy \\\n", "300 easy \"\"\"\nformat = 2\n", "Main:\n", "pace x.y 1:50\npace [z] \"\n100 easy", "100 easy\npace a 1:50\npace a 1:51\n", "100 easy # \xff\n", "\x00", "pace = 1 1:50\n100 easy",
	} {
		f.Add(s, "a.toml", false)
	}
	f.Add("100 at 1:40", strings.Repeat("n", 230)+".toml", false)
	f.Add("100 at 1:40", "tuesday\x07\xff\u00a0\"é-main.toml", true)
	s, err := settings.Parse("", nil, config.Default())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, input, name string, yards bool) {
		if len(input) > 1<<12 {
			return
		}
		w := &sheet{writeCommand: &writeCommand{File: name, Unit: "m"}, l: &loaded{settings: s}}
		if yards {
			w.Unit = "yd"
		}
		var typed []string
		for in := bufio.NewScanner(strings.NewReader(input)); in.Scan(); {
			typed = append(typed, in.Text())
			w.add(in.Text(), len(typed))
		}
		if len(w.lines) == 0 {
			return
		}
		if err := w.parse(&commandLine{Threshold: "1:40"}); err != nil {
			var ps fault.Problems
			if !errors.As(w.atInput(err), &ps) || len(ps) == 0 {
				t.Fatalf("%q: %v", input, err)
			}
			for _, p := range ps {
				whole := p.File == name && p.Line == firstLine-1 // of all lines together
				if there := p.File == "standard input" && p.Line >= 1 && p.Line <= len(typed); p.Text == "" || !there && !whole {
					t.Errorf("%q, saved as %q: no such place: %v\n%s", input, name, p, w.text())
				} else if there && (p.Col < 1 || p.Col > utf8.RuneCountInString(typed[p.Line-1])+1) {
					t.Errorf("%q: no such column: %v", input, p)
				}
			}
			return
		}
		session, err := schedule.Parse(name, []byte(w.text()))
		if err != nil || session.Title == "" || session.Unit.String() != w.Unit {
			t.Fatalf("%q becomes\n%s\nwhich is %v", input, w.text(), err)
		}
		for i, l := range w.lines {
			if at := strings.Split(w.text(), "\n"); at[firstLine-1+i] != l || !slices.ContainsFunc(typed, func(s string) bool { return strings.HasPrefix(s, l) }) {
				t.Errorf("%q stands as %q", l, at[firstLine-1+i])
			}
		}
	})
}

// FuzzScaleFlags: a change to a session on the command line is one, within its limits; else the error names the flag and what is allowed.
func FuzzScaleFlags(f *testing.F) {
	f.Add("20%", "", "")
	f.Add("", "3s", "")
	f.Add("", "", "yd")
	f.Add("NaN%", "1h", "km")
	f.Add("1e-320 %", "-3s", "M")
	f.Add("", "", "")
	f.Fuzz(func(t *testing.T, shorter, slower, unit string) {
		k := &scaleCommand{Shorter: shorter, Slower: slower, Unit: unit}
		do, err := k.change()
		if err != nil {
			if do != nil || !strings.HasPrefix(err.Error(), "--") || !strings.Contains(err.Error(), "allowed ") {
				t.Errorf("%q, %q, %q: %v", shorter, slower, unit, err)
			}
			return
		}
		s, err := schedule.Parse("f", []byte("format = 1\ntitle = \"T\"\nlines = \"\"\"\n10 x 100 at 1:45, rest :20\n\"\"\"\n"))
		if err != nil {
			t.Fatal(err)
		}
		if changed, err := do(s); err != nil {
			if err.Error() == "" {
				t.Errorf("%q, %q, %q: no reason", shorter, slower, unit)
			}
		} else if _, err := schedule.Parse("f", []byte(changed)); err != nil {
			t.Errorf("%q, %q, %q: %v", shorter, slower, unit, err)
		}
	})
}

// FuzzRunning: whatever a former program has left as its mark, this start has a reason, and leaves a mark that the next one can read.
func FuzzRunning(f *testing.F) {
	for _, s := range []string{"0", "1", "-1", "99999999999999999999", " 12\n", "", "\x00", "1e3"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, left []byte) {
		s := &settings.Settings{Store: t.TempDir()}
		path := filepath.Join(s.Store, "running")
		if err := os.WriteFile(path, left, 0o600); err != nil {
			t.Fatal(err)
		}
		r := markRunning(s)
		was, bad := strconv.ParseInt(strings.TrimSpace(string(left)), 10, 64)
		mark, err := os.ReadFile(path)
		up, worse := strconv.ParseInt(string(mark), 10, 64)
		if err != nil || worse != nil || up < 1 {
			t.Fatalf("the mark is %q (%v)", mark, err)
		}
		if want := map[bool]string{true: afterPower, false: afterDeath}[bad != nil || was > up]; r.why != want {
			t.Errorf("%q, up for %d s: %q, want %q", left, up, r.why, want)
		}
		if r.clean(); markRunning(s).why != afterCleanEnd {
			t.Error("an end in good order is not seen as one")
		}
	})
}
