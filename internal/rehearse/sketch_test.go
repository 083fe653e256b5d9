package rehearse

import (
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// TestSketch: a slow half, a quick half, and a rest stand where and as high as they are swum.
func TestSketch(t *testing.T) {
	s, err := settings.Parse("f", []byte(""), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	planner, err := ramp.NewPlanner(s.Limits, s.Model, units.MetresPerSecond(1.6))
	if err != nil {
		t.Fatal(err)
	}
	session, err := schedule.Parse("f", []byte("format = 1\ntitle = \"T\"\nlines = \"\"\"\n10:00 at 3:20\n10:00 at 1:40\nrest 10:00\n\"\"\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	blocks, _, err := session.Blocks(units.Pace{})
	if err != nil {
		t.Fatal(err)
	}
	profile, _, err := planner.Profile(ramp.State{}, blocks)
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSuffix(Sketch(profile, units.Metre, 30, 4), "\n"), "\n")
	if len(rows) != 6 {
		t.Fatalf("%d rows:\n%s", len(rows), strings.Join(rows, "\n"))
	}
	for i, want := range []string{ // half the speed is half the height; the water that runs out may still be seen in the first columns of the rest
		"    1:40 |          .#########",
		"         |          ##########",
		"         |####################",
		"         |####################",
	} {
		if got := rows[i]; !strings.HasPrefix(strings.Replace(got, ".", "#", -1), strings.Replace(want, ".", "#", -1)[:len(want)-1]) || len(got) > len(want)+4 {
			t.Errorf("row %d is %q, want %q", i, got, want)
		}
	}
	if rows[4] != "         +"+strings.Repeat("-", 30) || !strings.HasPrefix(rows[5], "         0:00") || !strings.HasSuffix(rows[5], " 30:00") || len(rows[5]) > len(rows[4]) {
		t.Errorf("below it:\n%s\n%s", rows[4], rows[5])
	}
	if total, _ := profile.Total(); total != 30*time.Minute {
		t.Errorf("%v", total)
	}
	if Sketch(profile, units.Metre, 0, 4) != "" || Sketch(profile, units.Metre, 30, 0) != "" {
		t.Error("something is drawn on no room")
	}
}
