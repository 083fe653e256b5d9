package ramp

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

var update = flag.Bool("update", false, "write testdata/session.golden anew")

// numbered gives the blocks their indices, and each its own step unless it has one.
func numbered(blocks ...schedule.Block) []schedule.Block {
	for i := range blocks {
		blocks[i].Index = i
		if blocks[i].Step == 0 {
			blocks[i].Step = i
		}
	}
	return blocks
}

func named(name string, b schedule.Block) schedule.Block {
	b.Name = name
	return b
}

// demo has a bit of everything: by time, by distance, a rest, send-offs, two paces, an open block, one that is too short.
func demo(t testing.TB) []schedule.Block {
	blocks := []schedule.Block{named("Warm-up", byTime(t, 2*time.Minute, "2:00", "2:00"))}
	for round := range 3 {
		off := schedule.SendOff{First: len(blocks), Every: 70 * time.Second}
		swim, wait := named("Fifties", byDistance(t, 50, "1:35", "1:35")), named("Send-off", rest(0, off))
		swim.Round, swim.Of, wait.Round, wait.Of, swim.Step, wait.Step = round+1, 3, round+1, 3, 1, 2
		blocks = append(blocks, swim, wait)
	}
	open := named("Drill", byTime(t, time.Minute, "2:30", "2:30"))
	open.Extent = schedule.Open
	blocks = append(blocks, named("Build", byDistance(t, 100, "1:50", "1:30")), named("Sprint", byTime(t, 3*time.Second, "1:15", "1:15")),
		named("Short rest", rest(4*time.Second)), open, named("Long rest", rest(40*time.Second)), named("Cool-down", byTime(t, time.Minute, "2:00", "2:00")))
	for i := 7; i < len(blocks); i++ {
		blocks[i].Step = i
	}
	return numbered(blocks...)
}

func TestGoldenProfile(t *testing.T) {
	p := flumeWith(t, usual, 2, water.Motor{Min: units.RPM(150), Max: units.RPM(1800), RPMPerSecond: 600}, 1.6)
	f, remarks, err := p.Profile(State{}, demo(t))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	for _, s := range f.Spans() {
		fmt.Fprintf(&out, "%2d %-10s from %9.3f s at %8.3f m: %8.3f s %8.3f m, ramp %7.3f s %7.3f m, ends at %.4f m/s %+.4f m/s², reached %v\n",
			s.Block.Index, s.Block.Name, s.Start.Seconds(), s.At.Metres(), s.Duration.Seconds(), s.Distance.Metres(),
			s.Leg.RampTime().Seconds(), s.Leg.RampDistance().Metres(), s.End.Speed.MetresPerSecond(), s.End.Accel.MetresPerSecond2(), s.Leg.Reached())
	}
	total, x := f.Total()
	tail, y := f.Runout()
	accel, decel, jerk, motor := f.Peaks()
	fmt.Fprintf(&out, "total %.3f s %.3f m, runout %.3f s %.3f m\npeaks %.4f %.4f m/s² %.4f m/s³ %.1f rpm\n", total.Seconds(), x.Metres(), tail.Seconds(), y.Metres(),
		accel.MetresPerSecond2(), decel.MetresPerSecond2(), jerk.MetresPerSecond3(), motor.RPM())
	for _, r := range remarks {
		fmt.Fprintf(&out, "%s [%d]: %s\n", r.Code, r.Block, r.Text)
	}
	c := f.Cursor()
	for d := time.Duration(0); d < total+tail; d += 2 * time.Second {
		s, x, i := c.At(d)
		fmt.Fprintf(&out, "%4.0f s %2d %.5f m/s %+.5f m/s² %9.4f m\n", d.Seconds(), i, s.Speed.MetresPerSecond(), s.Accel.MetresPerSecond2(), x.Metres())
	}
	const file = "testdata/session.golden"
	if *update {
		if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Split(out.String(), "\n"), strings.Split(string(want), "\n"); len(got) != len(want) {
		t.Errorf("%d lines, want %d", len(got), len(want))
	} else {
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("line %d:\n got %s\nwant %s", i+1, got[i], want[i])
			}
		}
	}
}

func TestCursorGoesBackToo(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	f, _, err := p.Profile(State{}, demo(t))
	if err != nil {
		t.Fatal(err)
	}
	total, _ := f.Total()
	tail, _ := f.Runout()
	forward, back := f.Cursor(), f.Cursor()
	for d := time.Duration(0); d < total+tail; d += 777 * time.Millisecond {
		back.At(total + tail)
		s, x, i := back.At(d)
		if n, y, j := forward.At(d); s != n || x != y || i != j {
			t.Fatalf("at %v: %v %v %d, walking forward %v %v %d", d, s, x, i, n, y, j)
		}
	}
	if _, _, i := forward.At(total); i != len(f.Spans()) {
		t.Errorf("at the end of the last block the index is %d, not that of the runout", i)
	}
	if s, x, i := forward.At(-time.Second); s != (State{}) || x != (units.Distance{}) || i != 0 {
		t.Error("before the beginning is not the beginning")
	}
	s, _, _ := forward.At(total + tail)
	near(t, "speed at the end of the runout", s.Speed.MetresPerSecond(), 0.05, 1e-9)
	s, _, _ = forward.At(total + 100*time.Hour)
	if v := s.Speed.MetresPerSecond(); !(v >= 0 && v < 1e-4) {
		t.Errorf("%g m/s much later", v)
	}
}

func TestRunoutWithoutInertiaEndsBelowStandstillToo(t *testing.T) {
	p := flume(t, limits(0.1, 0.1, 1e9, 1e9), 0, 0, 0)
	f, _, err := p.Profile(State{}, numbered(byTime(t, time.Minute, "1:40", "1:40")))
	if err != nil {
		t.Fatal(err)
	}
	tail, x := f.Runout() // from 1 m/s to 0.05 m/s at 0.1 m/s²: 9.5 s, (1 − 0.05²)/0.2 m
	near(t, "runout", tail.Seconds(), 9.5, 1e-6)
	near(t, "its distance", x.Metres(), (1-0.0025)/0.2, 1e-6)
	f, _, err = p.Profile(State{}, nil)
	if total, _ := f.Total(); err != nil || total != 0 {
		t.Errorf("no blocks: %v, %v", total, err)
	}
}

func TestAllThatIsNotPossibleIsSaidAtOnceAndOnceAStep(t *testing.T) {
	p := flume(t, usual, 2, 300, 1.4)
	off := func(first int, every time.Duration) schedule.SendOff {
		return schedule.SendOff{First: first, Every: every}
	}
	fast := named("Sprint", byTime(t, 30*time.Second, "1:05", "1:05"))
	yards := fast
	yards.Name, yards.From, yards.To = "Yards", units.PacePer100(58, units.Yard), units.PacePer100(100, units.Yard)
	slow := named("Drill", byTime(t, 30*time.Second, "6:00", "6:00"))
	swim := named("Hundreds", byTime(t, 60*time.Second, "1:40", "1:40"))
	blocks := numbered(fast, fast, yards, slow, swim, rest(13200*time.Millisecond, off(4, 70*time.Second)), swim, rest(13200*time.Millisecond, off(6, 70*time.Second)),
		rest(0, off(6, 80*time.Second), off(4, 140*time.Second)))
	blocks[1].Step = 0
	blocks[6].Step, blocks[7].Step = 4, 5
	blocks[8].Round, blocks[8].Of = 2, 2
	f, _, err := p.Profile(State{}, blocks)
	want := `Sprint: 1:05/100m is too fast here: the fastest possible is 1:11.5/100m (the cap is 1.40 m/s)
Yards: 0:58/100yd is too fast here: the fastest possible is 1:05.4/100yd (the cap is 1.40 m/s)
Drill: 6:00/100m is too slow here: the slowest possible is 5:33.3/100m (the motor's lowest speed)
Hundreds, round 1 of 1: swim and rest take 1:13.2, the send-off is 1:10: 3.2 s too short
Hundreds, the round that begins at 2:00: swim and rest take 2:26.4, the send-off is 2:20: 6.4 s too short`
	if err == nil || err.Error() != want || f != nil {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	var list PlanErrors
	if !errors.As(err, &list) || len(list) != 5 || list[0].Step != 0 || list[1] != (PlanError{2, 2, strings.Split(want, "\n")[1]}) || list[3].Step != 5 || list[3].Block != 5 {
		t.Errorf("got %+v", list)
	}
}

func TestThePaceThatIsNamedIsPossible(t *testing.T) {
	for _, c := range []struct{ inertia, lowest, ceiling float64 }{{2, 300, 1.4}, {40, 310, 0}, {0, 0, 0}, {5, 777, 1.2345}, {0.1, 123, 2.9}} {
		p := flume(t, usual, c.inertia, c.lowest, c.ceiling)
		for _, u := range []units.Unit{units.Metre, units.Yard} {
			for _, b := range []struct{ asked, possible units.Pace }{
				{units.PacePer100(10, u), tenth(p.fastest, u, math.Ceil)}, {units.PacePer100(9000, u), tenth(p.slowest, u, math.Floor)},
			} {
				err := p.Check(schedule.Block{From: b.asked, To: b.asked})
				if err == nil || !strings.Contains(err.Error(), b.possible.String()) {
					t.Errorf("%+v: %v, want it to name %v", c, err, b.possible)
				}
				if err := p.Check(schedule.Block{From: b.possible, To: b.possible}); err != nil {
					t.Errorf("%+v: %v", c, err)
				}
			}
		}
	}
	// A pace that leaves less than 0.005 m/s² is refused, without a cap too: (9 − v²)/40 = 0.005 at 2.966 m/s.
	p := flume(t, usual, 40, 0, 0)
	near(t, "fastest", p.Fastest().MetresPerSecond(), 2.966479, 1e-6)
	if err := p.Check(byTime(t, time.Minute, "33.6", "33.6")); err == nil || !strings.Contains(err.Error(), "in reserve") {
		t.Errorf("2.98 m/s: %v", err)
	}
	if err := p.Check(rest(0)); err != nil {
		t.Error(err)
	}
	if err := p.Check(schedule.Block{From: units.PacePer100(100, units.Metre), To: units.PacePer100(10, units.Metre)}); err == nil {
		t.Error("a second pace is not looked at")
	}
	// A cap below what the motor can do slowly leaves nothing.
	p = flume(t, usual, 2, 500, 0.4)
	if err := p.Check(byTime(t, time.Minute, "2:00", "2:00")); err == nil || !strings.Contains(err.Error(), "no pace is left") {
		t.Error(err)
	}
}

func TestRemarksSayOnceAStepWhatIsNotAsAsked(t *testing.T) {
	const quick = 0 // a motor whose own ramp is not worth minding
	for _, c := range []struct {
		name                  string
		inertia, lowest, ramp float64 // m, rpm, rpm/s
		from                  float64 // m/s
		block                 schedule.Block
		want                  string
	}{
		{"nothing to say", 2, 0, quick, 0, byTime(t, time.Minute, "1:25", "1:25"), ""},
		{"too short by time", 2, 0, quick, 0.9, byTime(t, 3*time.Second, "1:25", "1:25"), "not-reached Block: reaches 1:27.2, not 1:25: 0:03 is too short for the change"},
		{"too short by distance", 2, 0, quick, 0.9, byDistance(t, 3, "1:25", "1:25"), "not-reached Block: reaches 1:27.3, not 1:25: 3 m is too short for the change"},
		{"so short that no pace is worth naming", 2, 0, quick, 0, byTime(t, time.Second, "1:40", "1:40"), "not-reached Block: reaches 0.050 m/s, not 1:40: 0:01 is too short for the change"},
		{"just too short", 2, 0, quick, 0.9, byTime(t, 1990*time.Millisecond, "1:40", "1:40"), "not-reached Block: reaches 1:40 only just, at its end: 0:02 is too short for the change"},
		{"too short for two paces", 2, 0, quick, 1, byTime(t, 2500*time.Millisecond, "1:40", "1:25"), "two-pace-short Block: 0:02.5 is too short to change from 1:40 to 1:25: ends at 1:25.3"},
		{"a rest too short", 2, 0, quick, 1, rest(2 * time.Second), "rest-not-reached Rest: 0:02 is too short to come to rest: the motor still drives the water, at 0.83 m/s"},
		{"little in reserve", 8, 0, quick, 1, byTime(t, time.Minute, "1:06.7", "1:06.7"), "accel-lowered Block: the change to 1:06.7 is gentler, as the motor has no more to give: 0.059 instead of 0.1 m/s²"},
		{"which is enough for a small change", 8, 0, quick, 1.49, byTime(t, time.Minute, "1:06.7", "1:06.7"), ""},
		{"slow water", 5, 0, quick, 1, byTime(t, time.Minute, "3:20", "3:20"), "decel-lowered Block: the change to 3:20 is gentler, as water slows no faster by itself: 0.05 instead of 0.12 m/s²"},
		{"which is quick enough for a small change", 5, 0, quick, 0.502, byTime(t, time.Minute, "3:20", "3:20"), ""},
		{"a motor with a lowest speed", 2, 150, quick, 0, byTime(t, time.Minute, "1:40", "1:40"),
			"lowest-motor-speed Where the water starts and stops, the motor steps over what is below its lowest speed: 150 rpm, water at 0.15 m/s"},
		{"one that does not cross it", 2, 150, quick, 0.5, byTime(t, time.Minute, "1:40", "1:40"), ""},
		{"a lazy motor", 2, 0, 300, 0, byTime(t, time.Minute, "1:40", "1:40"),
			"motor-ramp Block: the motor would have to change by 450 rpm in a second, its own ramp is 300 rpm/s: the water follows later than planned"},
		{"which can do smaller changes", 2, 0, 300, 0.9, byTime(t, time.Minute, "1:40", "1:40"), ""},
		{"a lazier one", 2, 0, 60, 0.8, byTime(t, time.Minute, "1:20", "1:20"),
			"accel-lowered Block: the change to 1:20 is gentler, as the motor has no more to give: 0.062 instead of 0.1 m/s²\n" +
				"motor-ramp Block: the motor would have to change by 114 rpm in a second, its own ramp is 60 rpm/s: the water follows later than planned"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := flumeWith(t, usual, c.inertia, water.Motor{Min: units.RPM(c.lowest), Max: units.RPM(1800), RPMPerSecond: c.ramp}, 1.5)
			again := c.block // the same step once more
			again.Index = 1
			_, remarks, err := p.Profile(stateOf(c.from, 0), []schedule.Block{c.block, again})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, r := range remarks {
				got = append(got, string(r.Code)+" "+r.Text)
			}
			if got := strings.Join(got, "\n"); got != c.want {
				t.Errorf("\n got %s\nwant %s", got, c.want)
			}
		})
	}
}
