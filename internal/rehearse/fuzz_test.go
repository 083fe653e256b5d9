package rehearse_test

import (
	"encoding/json"
	"errors"
	"io/fs"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// FuzzSwum: whatever text reads as a session that this flume can give, its plan keeps to the flume's limits, and its swim, through the guard, ends by itself.
func FuzzSwum(f *testing.F) {
	for _, dir := range []string{"", "lines/"} {
		names, _ := fs.Glob(config.Sessions, dir+"*.toml")
		for _, name := range names {
			text, err := fs.ReadFile(config.Sessions, name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(string(text))
		}
	}
	head := "format = 1\ntitle = \"T\"\nlines = \"\"\"\n"
	f.Add(head + "1 x 25 at 1:00 to 9:00\n5 at 1:00\n:05 at 6:00\n\"\"\"\n")
	f.Add(head + "20 x (10 at 1:00; rest :01)\nrest open\n:20 race\n\"\"\"\n[paces]\nrace = \"59\"\n")
	f.Add(head + "1 at 1:10\n\"\"\"\n") // still getting faster as it ends, which takes the relief jerk
	s, err := settings.Parse("", nil, config.Default())
	if err != nil {
		f.Fatal(err)
	}
	planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(settings.Person{}))
	if err != nil {
		f.Fatal(err)
	}
	top := s.Ceiling(settings.Person{}).MetresPerSecond()
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<12 {
			return
		}
		session, err := schedule.Parse("f", []byte(text))
		if err != nil {
			return
		}
		threshold := units.PacePer100(95, units.Metre)
		plan, remarks, err := run.NewPlan(session, "", threshold, planner)
		if err != nil {
			var cannot ramp.PlanErrors
			if !errors.As(err, &cannot) || len(cannot) == 0 || session.Problem(cannot[0].Step, cannot[0].Text).Line < 1 {
				t.Errorf("%q: %v", text, err)
			}
			return
		}
		if total, _ := plan.Profile.Total(); total > 20*time.Minute {
			return // is long, and nothing else
		}
		r, err := rehearse.Rehearse(rehearse.Input{
			Plan: plan, Remarks: remarks, Threshold: threshold, Model: s.Model, Simulated: s.Drive.Simulated,
			Safety: safety.Config{Cap: s.Ceiling(settings.Person{}), MaxAccel: units.MetresPerSecond2(1.1 * s.Limits.Accel.MetresPerSecond2()), IdleShutoff: s.Safety.IdleShutoff, LongestSwim: s.Safety.LongestSwim, SoftTime: time.Minute},
		})
		if err != nil || r.Simulated.Stopped != "" {
			t.Fatalf("%q: %v, stopped by %q", text, err, r.Simulated.Stopped)
		}
		const hair = 1 + 1e-9
		if r.PeakAccel > s.Limits.Accel.MetresPerSecond2()*hair || r.PeakDecel > s.Limits.Decel.MetresPerSecond2()*hair || r.PeakJerk > s.Limits.Relief.MetresPerSecond3()*hair {
			t.Errorf("%q: accelerates by %v, %v, jerk %v", text, r.PeakAccel, r.PeakDecel, r.PeakJerk)
		}
		for _, b := range r.Blocks {
			if !(b.End >= 0 && b.End <= top*hair && b.Duration > 0 && b.Distance >= 0) {
				t.Errorf("%q: %+v", text, b)
			}
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%q: %v", text, err)
		}
	})
}
