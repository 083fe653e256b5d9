package safety_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// planted are errors that somebody could make one day. Each is put into a copy of the guard, and the search over all its states has to find it.
var planted = []struct {
	name, file, old, new string
	breaks               string // what the search says, in part
}{
	{"a reset starts the swim", "guard.go", "g.enter(ready, f.Now)\n\tg.released, g.why", "g.enter(moving, f.Now)\n\tg.released, g.why", "a reset alone"},
	{"a start wants no reset", "guard.go", `	case g.phase == locked:
		c = or(g.why, fault.NotReset)
	case g.phase != ready:
		c = fault.UnderWay
	case f.Stop != "":
		c = f.Stop
	case stopInput(f) != "":
		c = stopInput(f)
	case f.Drive.Stops != g.released:
`, `	case g.phase > ready:
		c = fault.UnderWay
	case f.Stop != "":
		c = f.Stop
	case stopInput(f) != "":
		c = stopInput(f)
	case f.Drive.Stops < g.released:
`, "a start wants a reset"},
	{"a stop wire that cannot be read is well", "rules.go", "case !f.Wall.Stop.fine():", "case false:", "a reset wants"},
	{"a wall that is not read any more is well", "rules.go", "f.Now-f.Wall.At > wallStale", "f.Now-f.Wall.At > 1e6*wallStale", "a reset wants"},
	{"a stop is not heard while ready", "guard.go", "case g.phase == locked:\n\tcase f.Stop", "case g.phase <= ready:\n\tcase f.Stop", "the permit holds on"},
	{"a reset undoes a stop of the same tick", "guard.go", "case f.Stop != \"\":\n\t\tc = f.Stop\n\tcase stopInput(f) != \"\":\n\t\tc = stopInput(f)\n\tcase f.Drive.Stops != g.met", "case stopInput(f) != \"\":\n\t\tc = stopInput(f)\n\tcase f.Drive.Stops != g.met", "a reset wants everything"},
	{"a reset takes back a stop that no tick has met", "guard.go", "case f.Drive.Stops != g.met:", "case f.Drive.Stops < g.met:", "a reset wants everything"},
	{"a reset does not ask whether the motor is at rest", "guard.go", "{ return math.Abs(f.Drive.Motor.RPM()) <= atRest }", "{ return !(math.Abs(f.Drive.Motor.RPM()) > atRest) }", "a reset wants everything"},
	{"a stop at the drive is not seen while falling", "guard.go", "case f.Drive.Stops != g.released:\n\t\tg.lock", "case f.Drive.Stops != g.released && g.phase != falling:\n\t\tg.lock", "only standstill"},
	{"a start overlooks a stop since the reset", "guard.go", "case f.Drive.Stops != g.released:\n\t\tc =", "case f.Drive.Stops < g.released:\n\t\tc =", "a start wants a reset"},
	{"a fast stop waits for a soft one to end", "guard.go", "case level == Fast:", "case level == Fast && g.phase != falling:", "only standstill"},
	{"a soft stop does not latch", "guard.go", "g.lock(g.why, f.Now)", "g.enter(ready, f.Now)", "the permit holds on"},
	{"a soft stop may rise", "guard.go", "g.ceiling+softSlack", "g.ceiling+softSlack*10", "never rises"},
	{"the cap is a tenth too high", "guard.go", "top := g.cfg.Cap.MetresPerSecond()", "top := 1.1 * g.cfg.Cap.MetresPerSecond()", "never above a cap"},
	{"a slowed swim is not held to its cap", "guard.go", "\tif slow {", "\tif slow && g.phase == falling {", "never above a cap"},
	{"what is no number is cleared", "guard.go", "!(v >= 0 && v <= top) || math.IsNaN(a)", "v < 0 || v > top", "never above a cap"},
	{"old feedback has patience", "rules.go", "{fault.FeedbackOld, moving, Fast, 0,", "{fault.FeedbackOld, moving, Fast, staleAfter,", "only standstill"},
	{"a lost link is a word", "rules.go", "{fault.LinkLost, moving, Fast,", "{fault.LinkLost, moving, Notice,", "only standstill"},
	{"an open cover forbids the start alone", "rules.go", "{fault.CoverOff, moving, Fast,", "{fault.CoverOff, moving, Notice,", "only standstill"},
	{"blips add up", "rules.go", "h.on = false", "", "a stop is passed on"},
	{"a press is as good as a reset", "guard.go", "case g.phase == locked:\n\tcase f.Stop", "case g.phase == locked && f.Press:\n\t\tg.enter(ready, f.Now)\n\t\tg.released = f.Drive.Stops\n\tcase g.phase == locked:\n\tcase f.Stop", "the permit holds on"},
	{"a start at once after the link came back", "guard.go", "f.Now-g.badAt < goodFor", "f.Now < g.badAt", "a start wants"},
	{"occupancy alone postpones the shutoff for ever", "attention.go", "if f.Press {", "if f.Press || f.Seen {", "a soft stop is passed on"},
	{"a press postpones the longest swim", "rules.go", "f.Now-g.since >= g.cfg.LongestSwim", "f.Now-g.attention.press >= g.cfg.LongestSwim", "never rises"},
	{"a blind sensor sees nobody in a jog", "rules.go", "f.Wall.Occupancy != Absent && f.Wall.Occupancy != Bad }", "f.Wall.Occupancy == Good }", "everything known"},
	{"a jog has no end", "guard.go", "f.Now-g.since >= g.jogFor", "f.Now < g.since", "never clears motion"},
	{"a swim that is over needs no new start", "guard.go", "case g.phase == moving && !w.Under:", "case false:", "a soft stop is passed on"},
	{"the heartbeat never ends", "guard.go", "Permit: g.phase != locked", "Permit: true", "the permit holds on"},
	{"the drive hears of stops in a swim only", "guard.go", "before != locked}", "before == moving}", "passed on to the drive"},
	{"no absolute floor beside the share", "motor.go", "fastShare*m.most+motorFloor", "fastShare*m.most", "a stop is passed on"},
}

func TestThePlantedErrorsAreFound(t *testing.T) {
	here, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	some := planted
	if raceEnabled {
		some = planted[:2] // the search runs in a process without the race detector: once is enough
	}
	for _, p := range some {
		t.Run(p.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(here, p.file)
			source, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(source), p.old); n != 1 {
				t.Fatalf("%q stands %d times in %s, want once", p.old, n, p.file)
			}
			dir := t.TempDir()
			copied, overlay := filepath.Join(dir, p.file), filepath.Join(dir, "overlay.json")
			list, err := json.Marshal(map[string]map[string]string{"Replace": {path: copied}})
			if err != nil {
				t.Fatal(err)
			}
			for name, text := range map[string]string{copied: strings.Replace(string(source), p.old, p.new, 1), overlay: string(list)} {
				if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			out, err := exec.CommandContext(t.Context(), "go", "test", "-vet=off", "-count=1", "-overlay", overlay, "-run", "^TestNoWayLeadsThroughTheGuard$", ".").CombinedOutput()
			said, found := "", false
			if err != nil {
				_, said, found = strings.Cut(string(out), "INVARIANT: ")
			}
			if said, _, _ = strings.Cut(said, "\n---"); !found || !strings.Contains(said, p.breaks) {
				t.Fatalf("not found: want %q, got %v\n%s", p.breaks, err, out)
			}
			t.Log(said)
		})
	}
}
