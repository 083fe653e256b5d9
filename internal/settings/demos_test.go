package settings

import (
	"io/fs"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// TestDemos: every demo session can be swum on the default flume as it is asked, by each of its people who is fast enough for it, without a remark
// that is about the session rather than about the motor; none is longer than 45 minutes.
func TestDemos(t *testing.T) {
	s := parse(t, "")
	names, err := fs.Glob(config.Sessions, "*.toml")
	if err != nil || len(names) < 6 {
		t.Fatalf("%d demo sessions (%v), want six or more", len(names), err)
	}
	// Paces that are not relative to a threshold are for a swimmer of at least this threshold; the others are for everybody.
	who := map[string][]string{
		"drills.toml":         {"", "Maren Tolliver", "Jonah Reyes-Birch", "Ida Quill"},
		"over-and-under.toml": {"Maren Tolliver", "Jonah Reyes-Birch", "Ida Quill"},
	}
	for _, file := range names {
		text, err := fs.ReadFile(config.Sessions, file)
		if err != nil {
			t.Fatal(err)
		}
		session, err := schedule.Parse(file, text)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		people := who[file]
		if people == nil {
			people = []string{"", "Maren Tolliver", "Jonah Reyes-Birch"}
		}
		for _, name := range people {
			total := swum(t, s, file, session, name)
			if total > 45*time.Minute {
				t.Errorf("%s takes %v", file, total)
			}
			if file == "first-swim.toml" && total != 2*time.Minute {
				t.Errorf("%s takes %v, want two minutes to the second", file, total)
			}
		}
	}
}

// swum plans a session for a person and gives its time.
func swum(t *testing.T, s *Settings, file string, session *schedule.Session, name string) time.Duration {
	t.Helper()
	person, err := s.Person(name)
	if err != nil {
		t.Fatal(err)
	}
	if name == "" {
		name = "nobody in particular"
	}
	blocks, asked, err := session.Blocks(person.Threshold)
	if err != nil {
		t.Errorf("%s for %s: %v", file, name, err)
		return 0
	}
	planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(person))
	if err != nil {
		t.Fatal(err)
	}
	profile, planned, err := planner.Profile(ramp.State{}, blocks)
	if err != nil {
		t.Errorf("%s for %s: %v", file, name, err)
		return 0
	}
	for _, r := range append(asked, planned...) {
		if r.Code != ramp.LowestMotorSpeed { // every session on this flume gets it: starting and stopping crosses what the motor cannot turn at
			t.Errorf("%s for %s: %s [%s]", file, name, r.Text, r.Code)
		}
	}
	for _, span := range profile.Spans() {
		if !span.Leg.Reached() {
			t.Errorf("%s for %s: %s does not reach its pace", file, name, span.Block.Name)
		}
		// A rest that waits for a send-off should be a rest: common practice, no source, is ten seconds at least.
		if len(span.Block.Leaves) > 0 && span.Duration < 10*time.Second {
			t.Errorf("%s for %s: only %v of rest before the next send-off", file, name, span.Duration)
		}
	}
	total, _ := profile.Total()
	return total
}

// TestDemosNeedingThreshold: the one that needs a threshold says how to give one.
func TestDemosNeedingThreshold(t *testing.T) {
	text, err := fs.ReadFile(config.Sessions, "over-and-under.toml")
	if err != nil {
		t.Fatal(err)
	}
	session, err := schedule.Parse("over-and-under.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = session.Blocks(units.Pace{})
	if err == nil || !strings.Contains(err.Error(), "--threshold 1:35/100m") {
		t.Errorf("got %v", err)
	}
}
