package roster

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// configured is a flume where a child and a grown-up are known by the configuration.
const configured = `[swimmer]
default = "Maren Tolliver"
[[swimmer.person]]
name = "Maren Tolliver"
threshold = "1:35/100m"
[[swimmer.person]]
name = "Ida Quill"
threshold = "2:20/100m"
cap_mps = 0.9
`

func settingsOf(t *testing.T, text string) *settings.Settings {
	t.Helper()
	s, err := settings.Parse("c.toml", []byte(text), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newStore(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.OpenToRecord(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func pace(text string) units.Pace {
	p, err := units.ParsePace(text, units.Metre)
	if err != nil {
		panic(err)
	}
	return p
}

func on(month time.Month, day int) time.Time {
	return time.Date(2026, month, day, 0, 0, 0, 0, time.UTC)
}

// swam puts a timed swim in.
func swam(t *testing.T, st *store.Store, name string, m float64, clock string, day time.Time, flume bool) {
	t.Helper()
	d, err := units.ParseTime(clock)
	must(t, err)
	_, err = st.AddTimed(name, store.Timed{Distance: units.Metres(m), Time: d, Day: day, Flume: flume})
	must(t, err)
}

// same compares paces to the hundredth of a second per 100 m: one that was kept is a number of its own.
func same(a, b units.Pace) bool {
	return math.Abs(a.In(units.Metre).Seconds()-b.In(units.Metre).Seconds()) < 0.005
}

// TestFind: of a swimmer whom store and configuration know, the lower cap counts, and the store's threshold; whoever is known to one of them is found, in
// capitals or not; nobody is made up.
func TestFind(t *testing.T) {
	s, st := settingsOf(t, configured), newStore(t)
	add := func(w store.Swimmer) { t.Helper(); must(t, st.AddSwimmer(&w)) }
	cap := func(mps float64) units.Speed { return units.MetresPerSecond(mps) }
	for _, c := range []struct {
		name, asked string
		before      func()
		want        settings.Person
		stored      bool
	}{
		{"known to the configuration alone", "IDA quill", nil, settings.Person{Name: "Ida Quill", Threshold: pace("2:20"), Cap: cap(0.9)}, false},
		{"the default", "", nil, settings.Person{Name: "Maren Tolliver", Threshold: pace("1:35")}, false},
		{"a child put into the store too, without a cap: still capped", "Ida Quill",
			func() { add(store.Swimmer{Name: "ida quill"}) }, settings.Person{Name: "ida quill", Threshold: pace("2:20"), Cap: cap(0.9)}, true},
		{"the store's cap is the higher one: the configuration's counts", "Ida Quill",
			func() { must(t, st.PutSwimmer(&store.Swimmer{Name: "Ida Quill", Cap: cap(1.4)})) }, settings.Person{Name: "ida quill", Threshold: pace("2:20"), Cap: cap(0.9)}, true},
		{"the store's cap is the lower one", "Ida Quill",
			func() { must(t, st.PutSwimmer(&store.Swimmer{Name: "Ida Quill", Cap: cap(0.6)})) }, settings.Person{Name: "ida quill", Threshold: pace("2:20"), Cap: cap(0.6)}, true},
		{"a cap in the store alone", "maren tolliver",
			func() { add(store.Swimmer{Name: "Maren Tolliver", Cap: cap(1.1)}) }, settings.Person{Name: "Maren Tolliver", Threshold: pace("1:35"), Cap: cap(1.1)}, true},
		{"the store's threshold before the configuration's", "MAREN TOLLIVER",
			func() {
				must(t, st.AddThreshold("Maren Tolliver", store.Threshold{Pace: pace("1:41"), Flume: true, ByHand: true}))
			},
			settings.Person{Name: "Maren Tolliver", Threshold: pace("1:41"), Cap: cap(1.1)}, true},
		{"known to the store alone", "nell brook", func() { add(store.Swimmer{Name: "Nell Brook"}) }, settings.Person{Name: "Nell Brook"}, true},
	} {
		if c.before != nil {
			c.before()
		}
		p, k, err := Find(s, st, c.asked)
		if err != nil || p.Name != c.want.Name || p.Cap != c.want.Cap || p.Threshold.IsZero() != c.want.Threshold.IsZero() || !same(p.Threshold, c.want.Threshold) || (k != nil) != c.stored {
			t.Errorf("%s: %+v, of the store %v, %v; want %+v", c.name, p, k != nil, err, c.want)
		}
	}
	if _, _, err := Find(s, st, "Ben Ford"); err == nil || !strings.Contains(err.Error(), `"Ben Ford"`) || !strings.Contains(err.Error(), "swimmers add") {
		t.Errorf("somebody whom nobody knows: %v", err)
	}
	if _, _, err := Find(s, nil, "Nell Brook"); err == nil || !strings.Contains(err.Error(), `"Nell Brook"`) {
		t.Errorf("without a store: %v", err)
	}
	if p, k, err := Find(s, nil, "Ida Quill"); err != nil || k != nil || p.Cap != cap(0.9) {
		t.Errorf("a child without a store: %+v, %v", p, err)
	}
	if p, k, err := Find(settingsOf(t, ""), st, ""); err != nil || k != nil || p != (settings.Person{}) {
		t.Errorf("nobody named, and no default: %+v, %v", p, err)
	}
}

// TestAStoreThatFails: whom the configuration knows swims on, with their cap; anybody else is refused, with both reasons.
func TestAStoreThatFails(t *testing.T) {
	s, st := settingsOf(t, configured), newStore(t)
	must(t, st.AddSwimmer(&store.Swimmer{Name: "Nell Brook"}))
	must(t, st.Close())
	if p, k, err := Find(s, st, "Ida Quill"); err != nil || k != nil || p.Cap != units.MetresPerSecond(0.9) {
		t.Errorf("a child of the configuration: %+v, %v", p, err)
	}
	_, _, err := Find(s, st, "Nell Brook")
	if err == nil || errors.Is(err, store.ErrNobody) || !strings.Contains(err.Error(), `"Nell Brook"`) || strings.Contains(err.Error(), "swimmers add") || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("somebody who is in the store that fails: %v", err)
	}
}

// TestThresholdByHandAndByFit: the latest one counts. One set by hand is marked so and known of no error, until another timed swim gives a new fit; looking
// makes no history. 200 m in 2:50 and 400 m in 5:49 are 1:29.5: a coach's weblog, mtheads.typepad.com, October 2011.
func TestThresholdByHandAndByFit(t *testing.T) {
	st := newStore(t)
	const nell = "Nell Brook"
	must(t, st.AddSwimmer(&store.Swimmer{Name: nell, Offset: -1.5}))
	look := func(pool, flume, whence string, fitted bool, history int) *Known {
		t.Helper()
		for range 2 {
			k, err := Look(st, strings.ToUpper(nell), false)
			must(t, err)
			if whence == "not known" {
				if !k.Now.Pace.IsZero() || k.Why == nil || k.Whence() != whence {
					t.Errorf("%+v, %s, %v", k.Now, k.Whence(), k.Why)
				}
			} else if !same(k.Now.Pace, pace(pool)) || !same(k.Flume(), pace(flume)) || k.Whence() != whence || (k.Fit != nil) != fitted || len(k.History) != history {
				t.Errorf("%s, in the flume %s, %s, fitted %v, %d in its history; want %s, %s, %s, %v, %d",
					k.Now.Pace, k.Flume(), k.Whence(), k.Fit != nil, len(k.History), pool, flume, whence, fitted, history)
			}
			if kept, err := st.Swimmer(nell); err != nil || len(kept.History) != history {
				t.Errorf("kept %d in the history, want %d", len(kept.History), history)
			}
		}
		k, _ := Look(st, nell, false)
		return k
	}
	swam(t, st, nell, 200, "2:50", on(5, 1), false)
	look("", "", "not known", false, 0)
	swam(t, st, nell, 400, "5:49", on(5, 2), false)
	k := look("1:29.5", "1:28", "from pool swims", true, 1)
	// A swim that is taken away again, mistyped as it may have been, leaves its threshold in force, and that is said.
	must(t, st.DropTimed(nell, k.Timed[1].Number))
	if d := look("1:29.5", "1:28", "from pool swims", false, 1).Doubts(on(5, 3)); len(d) != 1 || d[0].Code != "swims-gone" || !strings.Contains(d[0].Text, "two") {
		t.Errorf("doubts where a swim was taken away: %+v", d)
	}
	swam(t, st, nell, 400, "5:49", on(5, 2), false)
	look("1:29.5", "1:28", "from pool swims", true, 1)
	must(t, st.AddThreshold(nell, store.Threshold{Pace: pace("1:33"), Day: on(5, 3), ByHand: true}))
	k = look("1:33", "1:31.5", "set by hand", false, 2)
	if d := k.Doubts(on(5, 4)); len(d) == 0 || d[0].Code != "threshold-by-hand" {
		t.Errorf("doubts about one set by hand: %+v", d)
	}
	if d := k.Doubts(on(12, 24)); len(d) != 2 {
		t.Errorf("and of long ago: %+v", d)
	}
	// By hand, 200, 400 and 800 m in 170, 349 and 721 s: Sxy 171733, Sxx 158009, so 1.08686 m/s.
	swam(t, st, nell, 800, "12:01", on(5, 5), false)
	k, err := Look(st, nell, false)
	if err != nil || k.Now.ByHand || k.Fit == nil || !k.Fit.Sure() || len(k.History) != 3 || !(k.Now.Error > 0) || math.Abs(k.Now.Pace.Speed().MetresPerSecond()-1.08686) > 1e-5 {
		t.Errorf("after a third timed swim: %+v, %v", k.Now, err)
	}
	// Swims in the flume come before those in the pool, and no offset is applied to them: 200 m more in 170 s are 1:25.
	swam(t, st, nell, 200, "2:40", on(5, 6), true)
	swam(t, st, nell, 400, "5:30", on(5, 6), true)
	look("1:25", "1:25", "from flume swims", true, 4)
}

// heldOn keeps a hold-on test: each block as far as the pace carried for its time.
func heldOn(t *testing.T, st *store.Store, name string, simulated bool, held map[float64]time.Duration) {
	t.Helper()
	w := store.Swim{Began: time.Date(2026, 5, 20, 18, 0, 0, 0, time.UTC), Passed: time.Hour, Title: "Hold-on test", Swimmer: name, Unit: units.Metre, Outcome: store.Finished, Simulated: simulated, Blocks: len(held)}
	e := store.Entry{Swim: &w}
	left := time.Duration(0)
	for m, d := range held {
		left += d
		p := units.PacePer100(100*d.Seconds()/m, units.Metre)
		e.Blocks = append(e.Blocks, store.Block{Number: len(e.Blocks), Name: "Hold on", Round: 1, Of: 1, From: p, To: p, Asked: store.Figure{Time: 15 * time.Minute},
			Swum: store.Figure{Time: d, Distance: units.Metres(m)}, Left: left, Was: true, Done: true})
	}
	must(t, st.Write(e))
}

// TestWhatWasHeldCounts: blocks of a hold-on test are flume swims, but those of a simulated flume nowhere else; exported they go along as timed swims.
func TestWhatWasHeldCounts(t *testing.T) {
	st := newStore(t)
	// D = 1.1·t + 15 exactly: 1.1 m/s is 1:30.9 per 100 m, with 15 m above it.
	line := map[float64]time.Duration{213: 180 * time.Second, 411: 360 * time.Second, 675: 600 * time.Second}
	for name, simulated := range map[string]bool{"Nell Brook": false, "Ben Ford": true} {
		must(t, st.AddSwimmer(&store.Swimmer{Name: name, Offset: -3}))
		heldOn(t, st, name, simulated, line)
	}
	for _, c := range []struct {
		name      string
		simulated bool
		counts    bool
	}{{"Ben Ford", false, false}, {"Nell Brook", false, true}, {"Ben Ford", true, true}, {"Nell Brook", true, true}} {
		k, err := Look(st, c.name, c.simulated)
		must(t, err)
		if c.counts != (k.Fit != nil) || c.counts && (math.Abs(k.Flume().Speed().MetresPerSecond()-1.1) > 1e-6 || math.Abs(k.Fit.Reserve.Metres()-15) > 1e-4 || k.Whence() != "from flume swims") {
			t.Errorf("%s, simulated %v: %s %s", c.name, c.simulated, k.Flume(), k.Whence())
		}
	}
	all, err := Export(st, "", true)
	must(t, err)
	for _, w := range all {
		if want := map[string]int{"Nell Brook": 3, "Ben Ford": 0}[w.Name]; len(w.Timed) != want {
			t.Errorf("%s goes out with %d timed swims, want %d", w.Name, len(w.Timed), want)
		}
	}
	var b bytes.Buffer
	must(t, store.WriteSwimmers(&b, all))
	back, err := ReadExported(b.Bytes())
	if err != nil || len(back) != 2 || len(back[1].Timed) != 3 || !back[1].Timed[0].Flume {
		t.Errorf("read back: %+v, %v", back, err)
	}
	elsewhere := newStore(t)
	must(t, elsewhere.AddSwimmers(back))
	if k, err := Look(elsewhere, "nell brook", false); err != nil || math.Abs(k.Flume().Speed().MetresPerSecond()-1.1) > 1e-4 {
		t.Errorf("elsewhere: %v, %v", k, err)
	}
}

// TestForgotten: somebody forgotten is gone from the store; whom the configuration knows swims by that alone, and nothing of what was kept comes back with the
// name.
func TestForgotten(t *testing.T) {
	s, st := settingsOf(t, configured), newStore(t)
	for _, name := range []string{"Ida Quill", "Nell Brook"} {
		must(t, st.AddSwimmer(&store.Swimmer{Name: name, Cap: units.MetresPerSecond(0.5)}))
		heldOn(t, st, name, false, map[float64]time.Duration{213: 180 * time.Second, 411: 360 * time.Second})
		if k, err := Look(st, name, false); err != nil || k.Fit == nil {
			t.Fatalf("%s: %v", name, err)
		}
		must(t, st.ForgetSwimmer(strings.ToLower(name), name == "Nell Brook"))
	}
	if p, k, err := Find(s, st, "Ida Quill"); err != nil || k != nil || p.Cap != units.MetresPerSecond(0.9) || !same(p.Threshold, pace("2:20")) {
		t.Errorf("a child of the configuration, forgotten in the store: %+v, %v", p, err)
	}
	if _, _, err := Find(s, st, "Nell Brook"); err == nil {
		t.Error("somebody forgotten is still found")
	}
	if _, err := Export(st, "Nell Brook", false); !errors.Is(err, store.ErrNobody) {
		t.Errorf("exporting somebody forgotten: %v", err)
	}
	for _, name := range []string{"Ida Quill", "Nell Brook"} {
		must(t, st.AddSwimmer(&store.Swimmer{Name: name}))
		if k, err := Look(st, name, false); err != nil || !k.Now.Pace.IsZero() || len(k.Held) != 0 || len(k.History) != 0 || k.Cap != (units.Speed{}) {
			t.Errorf("%s, put in anew: %+v, %v", name, k, err)
		}
	}
}
