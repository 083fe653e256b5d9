package ramp

import (
	"math"
	"testing"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// pace is "1:40" per 100 m.
func pace(t testing.TB, text string) units.Pace {
	t.Helper()
	p, err := units.ParsePace(text, units.Metre)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func byTime(t testing.TB, d time.Duration, from, to string) schedule.Block {
	return schedule.Block{Name: "Block", Round: 1, Of: 1, Time: d, From: pace(t, from), To: pace(t, to)}
}

func byDistance(t testing.TB, metres float64, from, to string) schedule.Block {
	return schedule.Block{Name: "Block", Round: 1, Of: 1, Extent: schedule.ByDistance, Distance: units.Metres(metres), From: pace(t, from), To: pace(t, to)}
}

func rest(d time.Duration, leaves ...schedule.SendOff) schedule.Block {
	return schedule.Block{Name: "Rest", Round: 1, Of: 1, Rest: true, Time: d, Leaves: leaves}
}

func TestADistanceIsTheIntegralOfTheSpeed(t *testing.T) {
	// 100 m at 1:20 from 1.0 m/s with 0.05 m/s² and no jerk limit: 5 s and 5.625 m of ramp, then 94.375 m at 1.25 m/s: 80.5 s, not 80. Kinematics.
	p := flume(t, limits(0.05, 0.05, 1e9, 1e9), 2, 0, 0)
	l := p.Leg(stateOf(1, 0), byDistance(t, 100, "1:20", "1:20"), Progress{}, nil)
	near(t, "duration", l.Duration().Seconds(), 80.5, 1e-6)
	near(t, "ramp time", l.RampTime().Seconds(), 5, 1e-6)
	near(t, "ramp distance", l.RampDistance().Metres(), 5.625, 1e-6)
	if _, x := l.End(); x != units.Metres(100) || !l.Reached() {
		t.Errorf("%v, reached %v", x, l.Reached())
	}
	// Where 30.5 m are delivered already, at pace, 69.5 m are left.
	l = p.Leg(stateOf(1.25, 0), byDistance(t, 100, "1:20", "1:20"), Progress{Time: time.Hour, Distance: units.Metres(30.5)}, nil)
	near(t, "duration of the rest", l.Duration().Seconds(), 69.5/1.25, 1e-9)
	// Nothing left is no length, and more than the distance delivered is no fault.
	l = p.Leg(stateOf(1.25, 0), byDistance(t, 100, "1:20", "1:20"), Progress{Distance: units.Metres(101)}, nil)
	if s, _ := l.End(); l.Duration() != 0 || s.Speed != speed(1.25) {
		t.Errorf("takes %v, ends with %v", l.Duration(), s)
	}
}

func TestABlockTooShortEndsOnItsWay(t *testing.T) {
	p := flume(t, limits(0.05, 0.05, 1e9, 1e9), 2, 0, 0)
	l := p.Leg(State{}, byTime(t, 10*time.Second, "1:20", "1:20"), Progress{}, nil)
	s, x := l.End()
	near(t, "speed after 10 s at 0.05 m/s²", s.Speed.MetresPerSecond(), 0.5, 1e-6)
	near(t, "distance", x.Metres(), 2.5, 1e-6)
	if l.Reached() || l.RampTime() != l.Duration() {
		t.Errorf("reached %v, ramp %v of %v", l.Reached(), l.RampTime(), l.Duration())
	}
	l = p.Leg(State{}, byDistance(t, 2.5, "1:20", "1:20"), Progress{}, nil)
	near(t, "the same by distance takes", l.Duration().Seconds(), 10, 1e-5)
	if l.Reached() {
		t.Error("reached")
	}
	// Past its end it goes on to the pace, and holds it.
	near(t, "speed later", first(l.At(time.Minute)).Speed.MetresPerSecond(), 1.25, 1e-12)
}

func first(s State, _ units.Distance) State { return s }

func TestTwoPacesEndJustThere(t *testing.T) {
	p := flume(t, limits(0.1, 0.12, 0.05, 1), 2, 0, 0)
	// From 0.8 to 1.3 m/s in 7 s takes just the 0.1 m/s² that T = Δv/a + a/j asks for (see TestChangeAgainstReferences).
	from, to := speed(0.8).Pace(units.Metre), speed(1.3).Pace(units.Metre)
	b := schedule.Block{Name: "Build", Time: 7 * time.Second, From: from, To: to}
	l := p.Leg(stateOf(0.8, 0), b, Progress{}, nil)
	s, x := l.End()
	near(t, "speed", s.Speed.MetresPerSecond(), 1.3, 1e-9)
	near(t, "distance", x.Metres(), 7.35, 1e-9)
	near(t, "steady accel", l.second.pieces[1].a, 0.1, 1e-9)
	if !l.Reached() {
		t.Error("not reached")
	}
	// Half a second less is too short.
	b.Time -= 500 * time.Millisecond
	if l := p.Leg(stateOf(0.8, 0), b, Progress{}, nil); l.Reached() {
		t.Error("reached in 6.5 s")
	}
	// In a minute: a + j·Δv/a... solved by the quadratic, a = J·(T − √(T² − 4Δv/J))/2, over all of it.
	b.Time = time.Minute
	l = p.Leg(stateOf(0.8, 0), b, Progress{}, nil)
	near(t, "steady accel over a minute", l.second.pieces[1].a, 0.05*(60-math.Sqrt(3600-4*0.5/0.05))/2, 1e-9)
	near(t, "the S ends", l.second.reach(), 60, 1e-9)
	// By distance: an S covers its mean speed times its time, 400 m at 1.05 m/s. Down as well.
	for _, b := range []schedule.Block{
		{Name: "Build", Extent: schedule.ByDistance, Distance: units.Metres(400), From: from, To: to},
		{Name: "Ease", Extent: schedule.ByDistance, Distance: units.Metres(400), From: to, To: from},
	} {
		l = p.Leg(State{Speed: b.From.Speed()}, b, Progress{}, nil)
		near(t, b.Name+" of 400 m takes", l.Duration().Seconds(), 400/1.05, 1e-8)
		near(t, "and is at its second pace after", l.second.reach(), 400/1.05, 1e-8)
	}
	// From standstill the change to the first pace comes before, and what is left is for the S.
	b = schedule.Block{Name: "Build", Extent: schedule.ByDistance, Distance: units.Metres(50), From: from, To: to}
	l = p.Leg(State{}, b, Progress{}, nil)
	near(t, "ramp", l.ramp, 0.8/0.1+0.1/0.05, 1e-9)
	near(t, "S", l.end-l.split, (50-l.rampX)/1.05, 1e-8)
	if l.InS(l.RampTime()-time.Millisecond) || !l.InS(l.RampTime()) {
		t.Error("the S does not begin where the first pace is reached")
	}
	// Where not even the first pace is reached, there is no S.
	b.Distance = units.Metres(1)
	if l = p.Leg(State{}, b, Progress{}, nil); l.Reached() || l.InS(l.Duration()) {
		t.Error("an S before the first pace")
	}
}

func TestAnSIsTakenUpAgainAfterANudge(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	for _, b := range []schedule.Block{byTime(t, 40*time.Second, "2:00", "1:30"), byDistance(t, 40, "2:00", "1:30"), byDistance(t, 40, "1:30", "2:00")} {
		l := p.Leg(State{Speed: b.From.Speed()}, b, Progress{}, nil)
		for at := time.Second; at < 30*time.Second; at += time.Second {
			s, x := l.At(at)
			for _, nudge := range []float64{-3, 0, 2, 8, 15} {
				n := b.Nudged(nudge)
				again := p.Leg(s, n, Progress{at, x, true}, nil)
				if !again.Reached() {
					continue // late in the S a nudge may be too much
				}
				if end := first(again.At(again.Duration())); math.Abs(end.Speed.MetresPerSecond()-n.To.Speed().MetresPerSecond()) > 1e-9 {
					t.Errorf("%+v, nudged by %g at %v: ends with %v", b.Extent, nudge, at, end)
				}
				// The S fills what is left, but for what the jerk limit would carry beyond the pace and the relief jerk would not.
				v, a, to := s.Speed.MetresPerSecond(), s.Accel.MetresPerSecond2(), n.To.Speed().MetresPerSecond()
				between := a > 0 && v+a*a/(2*p.jerk) > to-1e-9 && v+a*a/(2*p.relief) <= to
				if !between && again.end-again.split-again.second.reach() > 1e-5 {
					t.Errorf("%+v, nudged by %g at %v: there %g s before the end", b.Extent, nudge, at, again.end-again.split-again.second.reach())
				}
			}
		}
	}
}

func TestAnSThatMustTurnBackTakesTheReliefIntoAccount(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	// 0.999 m/s and 0.1 m/s² more each second, but now 1 m/s is all that is wanted: a tenth of a second of relief, up to 1.004 m/s, and an S down over what is left.
	for _, b := range []schedule.Block{byTime(t, 10*time.Second, "2:05", "1:40"), byDistance(t, 10, "2:05", "1:40")} {
		l := p.Leg(stateOf(0.999, 0.1), b, Progress{InS: true}, nil)
		near(t, "the S ends", l.second.reach(), l.end, 1e-9)
		near(t, "its highest speed", l.second.pieces[1].v, 1.004, 1e-12)
		if !l.Reached() {
			t.Error("not reached")
		}
	}
}

func TestAnSIsTakenUpAgainAfterAPause(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	// A quarter of the block done, then a pause to standstill: back to about a quarter of the way from 1 m/s to 1.25 m/s, then on with the S.
	b := byDistance(t, 400, "1:40", "1:20")
	l := p.Leg(State{}, b, Progress{time.Minute, units.Metres(100), true}, nil)
	near(t, "speed after the first change", first(l.At(l.RampTime())).Speed.MetresPerSecond(), 1.0625, 1e-9)
	near(t, "ramp time", l.RampTime().Seconds(), 1.0625/0.1+1, 1e-6)
	s, x := l.End()
	near(t, "speed at the end", s.Speed.MetresPerSecond(), 1.25, 1e-9)
	near(t, "distance", x.Metres(), 300, 0)
	near(t, "the S ends", l.split+l.second.reach(), l.end, 1e-6)
	// The same by time.
	l = p.Leg(State{}, byTime(t, 200*time.Second, "1:40", "1:20"), Progress{50 * time.Second, units.Metres(50), true}, nil)
	near(t, "speed after the first change", first(l.At(l.RampTime())).Speed.MetresPerSecond(), 1.0625, 1e-9)
	near(t, "the S ends", l.split+l.second.reach(), 150, 1e-6)
}

func TestRestsWaitForTheirSendOffs(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	starts := func(ago ...time.Duration) func(int) time.Duration {
		return func(i int) time.Duration { return -ago[i] }
	}
	const s = time.Second
	inner, outer := schedule.SendOff{First: 1, Every: 70 * s}, schedule.SendOff{First: 0, Every: 300 * s}
	for _, c := range []struct {
		name           string
		block          schedule.Block
		done           Progress
		starts         func(int) time.Duration
		duration, late time.Duration
	}{
		{"a rest of its own time waits for nothing", rest(20 * s), Progress{}, nil, 20 * s, 0},
		{"of which some is over", rest(20 * s), Progress{Time: 5 * s}, nil, 15 * s, 0},
		{"or all", rest(20 * s), Progress{Time: 25 * s}, nil, 0, 0},
		{"a send-off lasts until it is due", rest(0, inner), Progress{}, starts(200*s, 60*s), 10 * s, 0},
		{"also where some of it is over", rest(0, inner), Progress{Time: 4 * s}, starts(200*s, 64*s), 6 * s, 0},
		{"what is left lengthens an explicit rest", rest(5*s, inner), Progress{}, starts(200*s, 60*s), 10 * s, 0},
		{"the latest of two send-offs counts", rest(0, inner, outer), Progress{}, starts(270*s, 60*s), 30 * s, 0},
		{"on the dot there is no rest", rest(0, inner), Progress{}, starts(200*s, 70*s), 0, 0},
		{"a send-off that is over is late, and no rest", rest(0, inner), Progress{}, starts(200*s, 73*s), 0, 3 * s},
		{"an explicit rest is kept, and the send-off late", rest(20*s, inner), Progress{}, starts(200*s, 60*s), 20 * s, 10 * s},
		{"so it stays while it lasts", rest(20*s, inner), Progress{Time: 15 * s}, starts(200*s, 75*s), 5 * s, 10 * s},
		{"the outer one may be late by itself", rest(0, inner, outer), Progress{}, starts(302*s, 60*s), 10 * s, 2 * s},
	} {
		l := p.Leg(stateOf(1, 0), c.block, c.done, c.starts)
		if l.Duration() != c.duration || l.Late() != c.late {
			t.Errorf("%s: lasts %v, late by %v, want %v and %v", c.name, l.Duration(), l.Late(), c.duration, c.late)
		}
	}
}

func TestARestIsReachedWhenTheMotorIsOff(t *testing.T) {
	p := flume(t, usual, 2, 0, 0)
	m := p.Change(stateOf(1, 0), speed(0))
	for d, want := range map[time.Duration]bool{m.Duration(): true, m.Duration() - time.Millisecond: false} {
		l := p.Leg(stateOf(1, 0), rest(d), Progress{}, nil)
		if l.Reached() != want || l.RampTime() != d {
			t.Errorf("in %v of %v: reached %v, ramp %v", d, m.Duration(), l.Reached(), l.RampTime())
		}
	}
	// The next block begins from the water that is left, and its accel.
	l := p.Leg(stateOf(1, 0), rest(15*time.Second), Progress{}, nil)
	s, _ := l.End()
	v := s.Speed.MetresPerSecond()
	near(t, "accel on the coast", s.Accel.MetresPerSecond2(), -v*v/2, 1e-12)
	next := p.Leg(s, byTime(t, time.Minute, "1:40", "1:40"), Progress{}, nil)
	if begin, _ := next.At(0); begin != s {
		t.Errorf("the next begins with %v, not %v", begin, s)
	}
}

func TestAPaceThatIsRefusedIsPlannedAsTheNearestPossible(t *testing.T) {
	p := flume(t, usual, 2, 300, 1.4)
	l := p.Leg(State{}, byTime(t, time.Minute, "1:00", "1:00"), Progress{}, nil)
	if s, _ := l.End(); s.Speed != speed(1.4) || l.Reached() {
		t.Errorf("ends with %v, reached %v", s, l.Reached())
	}
	l = p.Leg(stateOf(0.5, 0), byDistance(t, 100, "9:00", "9:00"), Progress{}, nil)
	if s, _ := l.End(); s.Speed != speed(0.3) || l.Reached() {
		t.Errorf("ends with %v, reached %v", s, l.Reached())
	}
	var zero Leg
	if s, x := zero.At(time.Hour); s != (State{}) || x != (units.Distance{}) || zero.Duration() != 0 {
		t.Error("the zero Leg is not standstill of no length")
	}
}
