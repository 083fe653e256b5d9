package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// place is a configuration with an empty store and a child whom only it knows.
func place(t *testing.T) (config string) {
	t.Helper()
	return file(t, "c.toml", "[store]\npath = "+strconv.Quote(filepath.Join(t.TempDir(), "swims"))+"\n[[swimmer.person]]\nname = \"Ida Quill\"\nthreshold = \"2:20/100m\"\ncap_mps = 0.9\n")
}

// TestNewcomer: two timed swims give a threshold, which a session is then swum by; a third one tells how sure it is; what is set by hand is marked so and
// gives way to the next swim; what goes out comes in elsewhere; who is forgotten is gone.
func TestNewcomer(t *testing.T) {
	c := place(t)
	do := func(args ...string) string {
		t.Helper()
		return good(t, append([]string{"swimmers", "--config", c}, args...)...)
	}
	says(t, do("list"), "Ida Quill", "2:20/100m", "0.9 m/s", "from the configuration")
	do("add", "Nell Brook")
	says(t, do("swam", "nell brook", "200m", "2:50", "--day", "2026-05-01"), "threshold not known", "at least two timed swims")
	// 200 m in 2:50 and 400 m in 5:49 are 1:29.5: a coach's weblog, mtheads.typepad.com, October 2011.
	says(t, do("swam", "nell brook", "400", "5:49", "--day", "2026-05-02"), "new threshold", "1:29.5/100m from pool swims", "two-swims", "pool-threshold")
	says(t, do("offset", "Nell Brook", "--faster", "1.5"), "1:29.5/100m", "in the flume 1:28.0/100m")
	session := filepath.Join("..", "..", "config", "sessions", "over-and-under.toml")
	says(t, good(t, "rehearse", "--config", c, "--swimmer", "NELL BROOK", session), "Nell Brook, threshold 1:28/100m", "from pool swims", "in the flume -1.5 s", "can be held for", "two-swims")
	var r struct {
		Threshold float64 `json:"threshold_s_per_100m"`
		Asks      struct {
			Pool    float64          `json:"pool_threshold_s_per_100m"`
			AboveS  float64          `json:"above_s"`
			Hardest map[string]any   `json:"hardest"`
			Caution []map[string]any `json:"cautions"`
		} `json:"asks"`
	}
	if err := json.Unmarshal([]byte(good(t, "rehearse", "--json", "--config", c, "--swimmer", "Nell Brook", session)), &r); err != nil {
		t.Fatal(err)
	}
	if r.Threshold != 88 || r.Asks.Pool != 89.5 || r.Asks.AboveS != 360 || r.Asks.Hardest["holds_s"] == nil || r.Asks.Hardest["holds_from_s"] != nil || len(r.Asks.Caution) == 0 {
		t.Errorf("%+v", r)
	}
	// The command line's threshold stands in, and nothing is known of what is held at it.
	if out := good(t, "rehearse", "--config", c, "--swimmer", "Nell Brook", "--threshold", "1:40", session); !strings.Contains(out, "given on the command line") || strings.Contains(out, "held for") {
		t.Error(out)
	}
	says(t, do("swam", "Nell Brook", "800m", "12:01", "--day", "2026-05-03"), "new threshold", "±", "in 95 of 100 cases")
	says(t, do("threshold", "Nell Brook", "1:33"), "1:33.0/100m set by hand", "threshold-by-hand", "in the flume 1:31.5/100m")
	says(t, do("show", "Nell Brook"), "1:33.0/100m  pool: set by hand", "1:29.5/100m  pool: 200 m in 2:50 on 2026-05-01, 400 m in 5:49 on 2026-05-02")
	says(t, do("swam", "Nell Brook", "--drop", "3"), "new threshold", "1:29.5/100m from pool swims")
	says(t, do("cap", "Nell Brook", "1.2"), "cap 1.2 m/s")
	if code, _, errs := typed(t, "rehearse", "--config", c, "--swimmer", "Nell Brook", file(t, "s.toml", "format = 1\ntitle = \"T\"\nunit = \"m\"\n[[step]]\ntime = \"1:00\"\npace = \"1:20\"\n")); code != exitRefused || !strings.Contains(errs, "1:23.4") {
		t.Errorf("1:20 under a cap of 1.2 m/s: code %d, %s", code, errs)
	}

	out := filepath.Join(t.TempDir(), "all.json")
	do("export", "-o", out)
	shown := do("show", "Nell Brook")
	d := place(t)
	says(t, good(t, "swimmers", "--config", d, "import", out), "1 read")
	if there := good(t, "swimmers", "--config", d, "show", "Nell Brook"); there != shown {
		t.Errorf("elsewhere it is\n%s\nwant\n%s", there, shown)
	}
	says(t, do("forget", "nell brook", "--yes"), "is forgotten")
	if code, _, errs := typed(t, "rehearse", "--config", c, "--swimmer", "Nell Brook", session); code != exitRefused || !strings.Contains(errs, "known are \"") || !strings.Contains(errs, "swimmers add") {
		t.Errorf("somebody who was forgotten: code %d, %s", code, errs)
	}
}

// TestSwimmersRefused: what is wrong says what is allowed, and changes nothing.
func TestSwimmersRefused(t *testing.T) {
	c := place(t)
	good(t, "swimmers", "--config", c, "add", "Nell Brook")
	before := good(t, "swimmers", "--config", c, "export")
	bad := file(t, "bad.json", `{"format":1,"swimmers":[{"name":"A","unit":"m","cap_mps":9}]}`)
	for _, row := range []struct {
		args []string
		want string
	}{
		{[]string{"add", "nell brook"}, "here already"},
		{[]string{"add", " "}, "1 to 60 characters"},
		{[]string{"add", "Ben", "--cap", "9"}, "0.2 to 3"},
		{[]string{"swam", "Nell Brook", "400m", "0:34"}, "0:40 to 10:00 per 100 m"},
		{[]string{"swam", "Nell Brook", "400km", "5:49"}, "a number with m or yd"},
		{[]string{"swam", "Nell Brook", "400", "5.49.1"}, `time "5.49.1": allowed`},
		{[]string{"swam", "Nell Brook", "400", "5:49", "--day", "2999-01-01"}, "not in the future"},
		{[]string{"swam", "Nell Brook", "--drop", "77"}, "none with that number"},
		{[]string{"swam", "Nell Brook"}, "how far and in what time"},
		{[]string{"swam", "Nobody", "400", "5:49"}, "no swimmer of that name"},
		{[]string{"threshold", "Nell Brook", "0:30"}, "0:40 to 6:00"},
		{[]string{"offset", "Nell Brook", "--faster", "16"}, "-15 to +15"},
		{[]string{"cap", "Nell Brook"}, "--none"},
		{[]string{"import", bad}, "0.2 to 3"},
		{[]string{"forget", "Nell Brook"}, "--yes"},
	} {
		code, _, errs := typed(t, append([]string{"swimmers", "--config", c}, row.args...)...)
		if code == exitOK || !strings.Contains(errs, row.want) {
			t.Errorf("%q: code %d, %s", row.args, code, errs)
		}
	}
	if after := good(t, "swimmers", "--config", c, "export"); after != before {
		t.Errorf("it is\n%s\nbut was\n%s", after, before)
	}
	for args, want := range map[string]string{"": "--swimmer NAME", "--swimmer=Nell Brook": "two timed swims", "--swimmer=Ida Quill": "the fastest here is 1:51.1/100m"} {
		all := []string{"hold-on", "--config", c, "--threshold", "1:55"}
		if args == "--swimmer=Nell Brook" {
			all = all[:3]
		}
		if args != "" {
			all = append(all, args)
		}
		if code, out, errs := typed(t, all...); code == exitOK || out != "" || !strings.Contains(errs, want) {
			t.Errorf("hold-on %s: code %d, %s%s", args, code, out, errs)
		}
	}
}

// pretend is the loop over the simulated flume of a configuration in virtual time, with a logbook.
type pretend struct {
	t    *testing.T
	cfg  *settings.Settings
	core *sequencer.Core
	rec  *recording
	tick func()
	end  func()
}

func newPretend(t *testing.T, c string) *pretend {
	t.Helper()
	cfg, err := settings.Load(c, config.Default())
	if err != nil {
		t.Fatal(err)
	}
	l := &loaded{settings: cfg}
	rec, _ := recordServe(cfg)
	if rec == nil {
		t.Fatal("there is no store")
	}
	d, err := l.openDrive()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- rec.book.Run(ctx) }()
	f := &pretend{t: t, cfg: cfg, rec: rec}
	f.core = sequencer.NewCore(sequencer.Config{Drive: d, Model: cfg.Model, Safety: l.guard(), Inline: true, NoCountIn: true, Events: rec.events})
	var now time.Duration
	f.tick = func() {
		for len(rec.events) > cap(rec.events)/2 { // a logbook has real time for an hour
			select {
			case err := <-done:
				t.Fatal(err)
			default:
			}
		}
		now += sequencer.Tick
		f.core.Tick(now, sequencer.Tick, sequencer.Tick)
		d.Exchange(now)
	}
	f.end = func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		rec.close()
		d.Close()
	}
	for range 100 {
		f.tick()
	}
	return f
}

func (f *pretend) do(c sequencer.Command) {
	f.t.Helper()
	if err := f.core.Do(c); err != nil {
		f.t.Fatal(err)
	}
}

// plan lays a session out for somebody.
func (f *pretend) plan(session, who string) run.Plan {
	f.t.Helper()
	s, err := schedule.Parse("session", []byte(session))
	if err != nil {
		f.t.Fatal(err)
	}
	l, err := layFor(f.cfg, s, session, who)
	if err != nil {
		f.t.Fatal(err)
	}
	return l.plan
}

func (f *pretend) status() (st run.Status) {
	f.core.Status(&st)
	return st
}

// TestHoldOnGoesIntoTheThreshold: a newcomer with two pool swims does the test on the simulated flume, as somebody whose true threshold there is 1:27.5 with
// 18 m above it. The blocks are found in the swim, and the threshold with its band is the flume's then; one block that was paused does not count.
func TestHoldOnGoesIntoTheThreshold(t *testing.T) {
	c := place(t)
	good(t, "swimmers", "--config", c, "add", "Nell Brook")
	good(t, "swimmers", "--config", c, "swam", "Nell Brook", "200", "2:46")
	good(t, "swimmers", "--config", c, "swam", "Nell Brook", "400", "5:42")
	code, test, errs := typed(t, "hold-on", "--config", c, "--swimmer", "Nell Brook")
	if code != exitOK || !strings.Contains(errs, "Never without somebody watching") || !strings.Contains(errs, "95 of 100") {
		t.Fatalf("code %d, %s", code, errs)
	}
	f := newPretend(t, c)
	f.do(sequencer.Command{What: run.LayOut, Plan: f.plan(test, "Nell Brook")})
	f.do(sequencer.Command{What: run.Reset})
	f.do(sequencer.Command{What: run.Start})
	truth := units.PacePer100(87.5, units.Metre).Speed().MetresPerSecond()
	held, block := 0.0, -1
	paused := false
	plan := f.plan(test, "Nell Brook")
	for i := range 3 * 3600 * 20 {
		f.tick()
		st := f.status()
		if st.State == run.Finished {
			break
		}
		if st.State == run.Stopped {
			t.Fatalf("%+v", st)
		}
		if st.State == run.Stopping { // the water runs out
			continue
		}
		if st.Block != block {
			block, held = st.Block, 0
		}
		b := plan.Blocks[block]
		if b.Extent != schedule.Open {
			continue
		}
		held += 0.05
		if i%6000 == 0 { // whoever watches, every five minutes
			f.do(sequencer.Command{What: run.Here})
		}
		v := b.From.Speed().MetresPerSecond()
		switch {
		case b.Rest && held > 60, !b.Rest && v > truth && held > 18/(v-truth):
			f.do(sequencer.Command{What: run.On})
		case b.Name == "Hold on 3" && held > 30 && !paused:
			paused = true
			f.do(sequencer.Command{What: run.Pause})
		case st.State == run.Paused:
			f.do(sequencer.Command{What: run.Resume})
		}
	}
	if st := f.status(); st.State != run.Finished {
		t.Fatalf("%+v", st)
	}
	f.end()
	out := good(t, "swimmers", "--config", c, "show", "Nell Brook")
	says(t, out, "from flume swims", "SIMULATED", "does not count: it was disturbed", "Hold on 4")
	_, k, err := findPerson(f.cfg, "Nell Brook")
	if err != nil {
		t.Fatal(err)
	}
	if !k.Now.Flume || k.Fit == nil || len(k.Fit.Swims) != 3 {
		t.Fatalf("%+v\n%s", k.Now, out)
	}
	// The water is delivered by a plant that is off the model, and estimated by the model.
	if got := k.Now.Pace.Seconds(); got < 86.5 || got > 88.5 {
		t.Errorf("threshold %s, want 1:27.5\n%s", k.Now.Pace, out)
	}
	if r := k.Fit.Reserve.Metres(); r < 15 || r > 21 {
		t.Errorf("reserve %.1f m, want 18", r)
	}
	says(t, good(t, "rehearse", "--config", c, "--swimmer", "Nell Brook", filepath.Join("..", "..", "config", "sessions", "over-and-under.toml")), "from flume swims", "±")
}

// TestTurns: one session file, two swimmers at their own paces; the next one in a pause, and again at the end. The store credits each with what they swam.
func TestTurns(t *testing.T) {
	c := place(t)
	for who, pace := range map[string]string{"Nell Brook": "1:30", "Ben Ford": "2:00"} {
		good(t, "swimmers", "--config", c, "add", who)
		good(t, "swimmers", "--config", c, "threshold", who, pace, "--flume")
	}
	session := "format = 1\ntitle = \"Turns\"\nunit = \"m\"\n[[step]]\nrepeat = 2\n[[step.step]]\ntime = \"2:00\"\npace = \"threshold\"\n[[step.step]]\nrest = \"0:20\"\n"
	f := newPretend(t, c)
	pass := func(until func(run.Status) bool) {
		t.Helper()
		for range 20 * 1200 {
			f.tick()
			if until(f.status()) {
				return
			}
		}
		t.Fatalf("waited in vain: %+v", f.status())
	}
	f.do(sequencer.Command{What: run.LayOut, Plan: f.plan(session, "Nell Brook")})
	f.do(sequencer.Command{What: run.Reset})
	f.do(sequencer.Command{What: run.Start})
	pass(func(st run.Status) bool { return st.Block == 1 }) // Nell's two minutes are over
	f.do(sequencer.Command{What: run.Pause})
	pass(func(st run.Status) bool { return st.State == run.Paused })
	f.do(sequencer.Command{What: run.Swimmer, Plan: f.plan(session, "Ben Ford")})
	f.do(sequencer.Command{What: run.Resume})
	pass(func(st run.Status) bool { return st.State == run.Finished })
	f.do(sequencer.Command{What: run.Swimmer, Plan: f.plan(session, "Nell Brook")})
	f.do(sequencer.Command{What: run.Start})
	pass(func(st run.Status) bool { return st.State == run.Finished })
	f.end()

	st, err := store.Open(f.cfg.Store)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	swims, err := st.List(store.Which{})
	if err != nil || len(swims) != 3 {
		t.Fatalf("%+v, %v", swims, err)
	}
	for i, want := range []struct {
		who    string
		metres float64 // two minutes at 1:30 are 133 m, at 2:00 100 m, less the ramp and more the runout
		code   fault.Code
	}{{"Nell Brook", 133, fault.OtherSwimmer}, {"Ben Ford", 100, ""}, {"Nell Brook", 267, ""}} {
		w := swims[i]
		if w.Swimmer != want.who || w.Swum.Distance.Metres() < want.metres-15 || w.Swum.Distance.Metres() > want.metres+20 || w.Outcome == store.Lost || want.code != "" && w.Code != want.code {
			t.Errorf("swim %d: %+v, want %+v", i+1, w, want)
		}
	}
	if swims[1].Continues != swims[0].ID || swims[2].Continues != 0 {
		t.Errorf("swim 2 takes up %d, swim 3 %d", swims[1].Continues, swims[2].Continues)
	}
	weeks, _, err := st.Trends("Ben Ford")
	if err != nil || len(weeks) != 1 || weeks[0].Swims != 1 || weeks[0].Total.Distance != swims[1].Swum.Distance {
		t.Errorf("%+v, %v", weeks, err)
	}
}

// TestStoreBeforeConfiguration: somebody in both is the store's, under the lower cap.
func TestStoreBeforeConfiguration(t *testing.T) {
	c := place(t)
	good(t, "swimmers", "--config", c, "add", "Ida Quill", "--cap", "1.4")
	cfg, err := settings.Load(c, config.Default())
	if err != nil {
		t.Fatal(err)
	}
	p, k, err := findPerson(cfg, "ida quill")
	if err != nil || k == nil || p.Cap != units.MetresPerSecond(0.9) || p.Threshold.String() != "2:20/100m" {
		t.Errorf("%+v, %v", p, err)
	}
	good(t, "swimmers", "--config", c, "threshold", "Ida Quill", "2:10", "--flume")
	if p, _, err = findPerson(cfg, "ida quill"); err != nil || p.Threshold.String() != "2:10/100m" {
		t.Errorf("%+v, %v", p, err)
	}
	if err := os.WriteFile(filepath.Join(cfg.Store, store.File), []byte("garbage, and enough of it to be taken for a file that somebody wrote over ours"), 0o600); err != nil {
		t.Fatal(err)
	}
	if p, k, err = findPerson(cfg, "Ida Quill"); err != nil || k != nil || p.Threshold.String() != "2:20/100m" {
		t.Errorf("with a damaged store: %+v, %v", p, err)
	}
}
