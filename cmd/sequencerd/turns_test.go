package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// byThreshold is a session whose paces are the swimmer's: 10 s slower than the threshold, then 5 s.
const byThreshold = "format = 1\ntitle = \"In turns\"\nunit = \"m\"\n[[step]]\nname = \"First\"\ntime = \"1:00\"\npace = \"threshold+10\"\n[[step]]\nname = \"Second\"\ntime = \"1:00\"\npace = \"threshold+5\"\n"

// TestTurnsOnATerminal: two swimmers, one file, one terminal. One takes over in a pause, at their own pace; at the end the first starts it anew by a press, and
// takes that back; each has their swims in the store. Maren's threshold is 1:35 and Jonah's 1:52 in the default configuration: 1:45 and 1:57 are asked.
func TestTurnsOnATerminal(t *testing.T) {
	t.Parallel()
	session := file(t, "turns.toml", byThreshold)
	try(t, func(tr *trial) {
		dir := t.TempDir()
		cfg := filepath.Join(dir, "c.toml")
		if err := os.WriteFile(cfg, []byte("[store]\npath = \""+dir+"/swims\"\n"), 0o600); err != nil {
			tr.Fatalf("%v", err)
		}
		p := startOnColumns(tr, 120, "run", "--config", cfg, "--rate", "10", "--turns", "maren tolliver,Jonah Reyes-Birch", session)
		p.until("s: in a pause")
		p.until("Jonah Reyes-Birch: \"In turns\" is all well, threshold 1:52/100m")
		p.until("First, 1:00 at 1:45/100m")
		p.until("SIMULATED 1:")
		p.press("s") // not while the water runs
		p.until("[not-now]")
		p.press(" ")
		p.until("Paused")
		p.until("s: Jonah Reyes-Birch swims on.")
		p.press("s")
		p.until("Threshold 1:52/100m: Jonah Reyes-Birch swims on.")
		p.press(" ")
		p.until("First, 1:00 at 2:02/100m")
		p.press("n")
		p.until("Second, 1:00 at 1:57/100m")
		p.until("The water is still.")
		p.until("total")
		p.until("s: Maren Tolliver starts it   space: Jonah Reyes-Birch starts it again   Ctrl-C: the end")
		p.press("s")
		p.until("Threshold 1:35/100m: Maren Tolliver begins.")
		p.until("First, 1:00 at 1:45/100m")
		p.until("SIMULATED 1:")
		p.press("\x03")
		p.until("Coming to rest")
		p.until("Next: ")
		p.ends(exitByPerson)
		p.checkModes()
		checkLiveLines(tr, p.output(), 120)
		_, out, _ := typed(tr, "--config", cfg, "swims", "list")
		rows := strings.Split(strings.TrimSpace(out), "\n")
		if len(rows) != 4 {
			tr.Fatalf("swims:\n%s", out)
		}
		for i, want := range []string{"Maren Tolliver", "Jonah Reyes-Birch", "Maren Tolliver"} {
			if !strings.Contains(rows[i+1], want) {
				tr.Errorf("swim %d is not %s's: %s", i+1, want, rows[i+1])
			}
		}
		for swim, want := range map[string][]string{"1": {"1:45/100m", "[other-swimmer]"}, "2": {"1:57/100m", "Takes up swim 1"}, "3": {"1:45/100m", "[person-stop]"}} {
			if _, out, _ := typed(tr, "--config", cfg, "swims", "show", swim); !strings.Contains(out, want[0]) || !strings.Contains(out, want[1]) {
				tr.Errorf("swim %s has no %q:\n%s", swim, want, out)
			}
		}
	})
}

// TestTheEndOfTurns: a press alone starts anything at the end; leaving there is the good end of what was swum.
func TestTheEndOfTurns(t *testing.T) {
	t.Parallel()
	session := file(t, "turns.toml", byThreshold)
	try(t, func(tr *trial) {
		p := startOnColumns(tr, 120, "run", "--rate", "30", "--turns", "Maren Tolliver,Jonah Reyes-Birch", session)
		p.until("Ctrl-C: the end")
		before := strings.Count(p.output(), "First, 1:00")
		p.press("xn+")
		p.press(" ")
		p.until("First, 1:00 at 1:45/100m") // the same once more
		p.until("Ctrl-C: the end")
		p.press("\x03")
		p.ends(exitOK)
		p.checkModes()
		if n := strings.Count(p.output(), "First, 1:00"); before != 1 || n != 2 {
			tr.Errorf("%d and %d starts: %q", before, n, p.output())
		}
	})
}

// TestTurnsRefused: what cannot be said before anybody is wet.
func TestTurnsRefused(t *testing.T) {
	session := file(t, "fast.toml", "format = 1\ntitle = \"Fast\"\nunit = \"m\"\n[[step]]\ntime = \"1:00\"\npace = \"1:30\"\n")
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--turns", "Maren Tolliver"}, exitUsage, "two names and more"},
		{[]string{"--turns", "Maren Tolliver,Jonah Reyes-Birch", "--swimmer", "Ida Quill"}, exitUsage, "leave --swimmer out"},
		{[]string{"--turns", "Maren Tolliver,Jonah Reyes-Birch", "--threshold", "1:40"}, exitUsage, "by their own"},
		{[]string{"--turns", "Maren Tolliver,Jonah Reyes-Birch"}, exitRefused, "needs a terminal"},
	} {
		if code, _, errs := typed(t, append([]string{"run", session}, c.args...)...); code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%q: exit %d, %s; want %d, %q", c.args, code, errs, c.code, c.want)
		}
	}
	try(t, func(tr *trial) {
		for names, want := range map[string]string{
			"Maren Tolliver,Ida Quill":        "fast.toml:6:1: for Ida Quill: 1:00: 1:30/100m is too fast here", // capped at 0.9 m/s, a child
			"Maren Tolliver,Nobody At All":    "Nobody At All: ",
			"Maren Tolliver,MAREN TOLLIVER":   "twice",
			"Nobody At All,Jonah Reyes-Birch": "Nobody At All",
		} {
			p := startOnColumns(tr, 200, "run", "--turns", names, session)
			p.until(want)
			<-p.over
			if code := p.cmd.ProcessState.ExitCode(); code != exitRefused && code != exitUsage {
				tr.Errorf("%s: exit %d: %s", names, code, p.output())
			}
		}
	})
}
