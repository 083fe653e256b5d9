package wall

import (
	"errors"
	"slices"
	"testing"
	"time"

	"flume.example/sequencerd/internal/safety"
)

func TestWhatButtonsSay(t *testing.T) {
	quiet(t)
	for _, c := range []struct {
		what string
		c    Config
		do   func(r *rig)
		want []Kind
	}{
		{"a short press", Config{}, func(r *rig) { r.do("press") }, []Kind{Pressed}},
		{"just short of a hold", Config{}, func(r *rig) { r.do("hold 1.99s") }, []Kind{Pressed}},
		{"a hold", Config{}, func(r *rig) { r.do("hold 2.1s") }, []Kind{Pressed, Held, HeldReleased}},
		{"a hold says so while the button is still down", Config{}, func(r *rig) {
			r.sim.contact(PressPin, true)
			r.wait(2100 * time.Millisecond)
		}, []Kind{Pressed, Held}},
		{"a long hold is one hold", Config{}, func(r *rig) { r.do("hold 1m") }, []Kind{Pressed, Held, HeldReleased}},
		{"slower, faster, skip: once each", Config{}, func(r *rig) { r.do("slower"); r.do("faster"); r.do("skip") }, []Kind{Slower, Faster, Skip}},
		{"held faster is pressed once: no held press makes water faster", Config{}, func(r *rig) {
			r.sim.contact(FasterPin, true)
			r.wait(time.Minute)
		}, []Kind{Faster}},
		{"what is shorter than the debounce is nothing", Config{}, func(r *rig) {
			for range 20 {
				r.sim.contact(PressPin, true)
				r.wait(13 * time.Millisecond)
				r.sim.contact(PressPin, false)
				r.wait(33 * time.Millisecond)
			}
		}, nil},
		{"a contact that bounces when pressed and let go is one press", Config{}, func(r *rig) {
			for _, down := range []bool{true, false} {
				for range 3 {
					r.sim.contact(PressPin, down)
					r.wait(7 * time.Millisecond)
					r.sim.contact(PressPin, !down)
					r.wait(4 * time.Millisecond)
				}
				r.sim.contact(PressPin, down)
				r.wait(200 * time.Millisecond)
			}
		}, []Kind{Pressed}},
		{"buttons to ground", Config{ButtonsToGround: true}, func(r *rig) { r.do("hold 2.1s"); r.do("skip") }, []Kind{Pressed, Held, HeldReleased, Skip}},
		{"lines that break press nothing", Config{}, func(r *rig) {
			for _, k := range []string{"press", "slower", "faster", "skip"} {
				r.do("line broken " + k)
			}
			r.wait(time.Minute)
		}, nil},
		{"a line that breaks in a hold ends it", Config{}, func(r *rig) {
			r.sim.contact(PressPin, true)
			r.wait(3 * time.Second)
			r.do("line broken press")
			r.wait(time.Minute)
		}, []Kind{Pressed, Held, HeldReleased}},
	} {
		t.Run(c.what, func(t *testing.T) {
			running(t, c.c, nil, func(r *rig) {
				c.do(r)
				r.wait(100 * time.Millisecond)
				if got := r.events(); !slices.Equal(got, c.want) {
					t.Errorf("said %v, want %v", got, c.want)
				}
				if n, _ := r.stopped(); n != 0 {
					t.Errorf("%d stops", n)
				}
			})
		})
	}
}

// A pause comes at the press, within the debounce and two looks; the hold two seconds after that.
func TestHowSoonAPressIsTold(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		at := time.Now()
		r.sim.contact(PressPin, true)
		if e := <-r.w.Events(); e.Kind != Pressed || e.At.Sub(at) > 40*time.Millisecond || !e.At.Equal(time.Now()) {
			t.Errorf("%v after %v", e.Kind, e.At.Sub(at))
		}
		down := time.Now()
		if e := <-r.w.Events(); e.Kind != Held || e.At.Sub(down) < 2*time.Second || e.At.Sub(down) > 2*time.Second+contactEvery {
			t.Errorf("%v after %v", e.Kind, e.At.Sub(down))
		}
	})
}

// Somebody leans on it, or it is jammed: nothing of what it does counts until it has been up.
func TestAButtonThatWasDownBeforeSaysNothing(t *testing.T) {
	on(t, Config{}, nil, func(r *rig) {
		r.sim.contact(PressPin, true)
		r.sim.contact(FasterPin, true)
		r.run()
		r.wait(time.Minute)
		r.sim.contact(PressPin, false)
		r.sim.contact(FasterPin, false)
		r.wait(time.Second)
		if got := r.events(); got != nil {
			t.Errorf("said %v", got)
		}
		r.do("press")
		if got := r.events(); !slices.Equal(got, []Kind{Pressed}) {
			t.Errorf("then said %v", got)
		}
	})
}

// Nobody takes the events: the wall goes on, keeps the oldest, and stops.
func TestEventsWaitForNobody(t *testing.T) {
	quiet(t)
	running(t, Config{}, nil, func(r *rig) {
		r.do("slower")
		for range 100 {
			r.do("faster")
			r.wait(100 * time.Millisecond)
		}
		at := r.now()
		r.do("stop press")
		if n, first := r.stopped(); n != 1 || first != at {
			t.Errorf("%d stops, the first after %v", n, first-at)
		}
		if f := r.facts(); r.now()-f.At > 20*time.Millisecond {
			t.Errorf("the facts are %v old", r.now()-f.At)
		}
		got := r.events()
		if len(got) != 16 || got[0] != Slower || got[15] != Faster {
			t.Errorf("kept %v", got)
		}
	})
}

func TestSignals(t *testing.T) {
	quiet(t)
	signals := func(f safety.WallFacts) [3]safety.Signal { return [3]safety.Signal{f.Occupancy, f.Cover, f.Level} }
	on(t, Config{}, nil, func(r *rig) {
		if got := signals(r.facts()); got != [3]safety.Signal{} {
			t.Errorf("before anything is read: %v", got)
		}
		r.run()
		good := [3]safety.Signal{safety.Good, safety.Good, safety.Good}
		if f := r.facts(); signals(f) != good || f.Changed != 0 {
			t.Errorf("all is well: %+v", f)
		}
		for i, bad := range []string{"occupancy empty", "cover open", "level low", "line broken occupancy", "line broken cover", "line broken level"} {
			r.do(bad)
			r.wait(15 * time.Millisecond)
			if got := signals(r.facts()); got != good {
				t.Errorf("%s counts within the debounce: %v", bad, got)
			}
			r.wait(25 * time.Millisecond)
			want := good
			want[i%3] = safety.Bad
			if got := signals(r.facts()); got != want {
				t.Errorf("%s: %v, want %v", bad, got, want)
			}
			r.do([]string{"occupancy seen", "cover closed", "level good", "line whole occupancy", "line whole cover", "line whole level"}[i])
			r.wait(40 * time.Millisecond)
		}
		if n, _ := r.stopped(); n != 0 {
			t.Errorf("%d stops: only the stop stops by itself, the rest is for the guard", n)
		}
	})
}

func TestWhenOccupancyChanged(t *testing.T) {
	running(t, Config{}, nil, func(r *rig) {
		r.do("occupancy empty")
		began := r.now()
		r.wait(40 * time.Millisecond)
		changed := r.facts().Changed
		if changed-began > 40*time.Millisecond || changed < began {
			t.Errorf("empty since %v, changed at %v", began, changed)
		}
		r.wait(10 * time.Minute)
		r.do("cover open")
		r.wait(time.Second)
		if again := r.facts().Changed; again != changed {
			t.Errorf("the time of the change has moved from %v to %v", changed, again)
		}
		r.do("occupancy seen")
		r.wait(40 * time.Millisecond)
		if f := r.facts(); f.Changed-changed < 10*time.Minute || f.Occupancy != safety.Good {
			t.Errorf("seen again: %+v", f)
		}
	})
}

// What is not configured is absent, which is not unknown; a stop is never absent.
func TestAbsent(t *testing.T) {
	running(t, Config{Pins: map[Pin]string{StopPin: "a"}}, nil, func(r *rig) {
		f := r.facts()
		if f.Stop != safety.Good || f.Occupancy != safety.Absent || f.Cover != safety.Absent || f.Level != safety.Absent {
			t.Errorf("%+v", f)
		}
		if r.now()-f.At > 20*time.Millisecond {
			t.Errorf("the facts are %v old", r.now()-f.At)
		}
		r.w.Show(Outputs{true, true, true})
		if _, err := r.w.Command(t.Context(), "cover open"); err == nil || err.Error() != "this wall has no cover_pin" {
			t.Error(err)
		}
	})
	none, err := Open(Config{}, func() { t.Error("stopped by a wall that is not there") })
	if err := errors.Join(err, none.Run(t.Context()), none.Close()); none != nil || err != nil {
		t.Errorf("%v, %v", none, err)
	}
	none.Show(Outputs{Lamp: true})
	if none.Facts(5) != safety.NoWall || none.Events() != nil || none.Simulated() {
		t.Error("a place without a wall is not one")
	}
}
