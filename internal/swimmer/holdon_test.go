package swimmer

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

var anyFlume = units.MetresPerSecond(3)

// TestHoldOnRecovers: simulated swimmers with a known threshold, reserve and spread swim the test that was chosen from what was known of them, which was
// wrong: after two timed swims by up to 4 % and half the reserve, after a test by up to 1.5 % and 4 m. In 95 of 100 the true threshold is within the band
// that their own four blocks give; blocks that run into the cap are left out. Seeded.
func TestHoldOnRecovers(t *testing.T) {
	t.Run("first", func(t *testing.T) { recovers(t, false, 0.04) })
	t.Run("again", func(t *testing.T) { recovers(t, true, 0.015) })
}

func recovers(t *testing.T, sure bool, wrong float64) {
	r := rand.New(rand.NewPCG(20, 26))
	const swimmers = 20_000
	within, fits := 0, 0
	var told, width []float64
	for range swimmers {
		cs, reserve := 0.8+0.7*r.Float64(), 10+15*r.Float64()
		guess, guessed := cs*(1+wrong*(2*r.Float64()-1)), reserve+4*(2*r.Float64()-1)
		if !sure {
			guessed = reserve * (1 + 0.5*(2*r.Float64()-1))
		}
		h, err := PlanHoldOn(units.MetresPerSecond(guess), units.Metres(guessed), sure, 4, units.Metre, anyFlume)
		if err != nil {
			t.Fatal(err)
		}
		var swims []Swim
		for _, b := range h.Blocks {
			v := b.Pace.Speed().MetresPerSecond()
			held := HoldCap
			if v > cs {
				held = min(seconds(reserve/(v-cs)*(1+0.1*r.NormFloat64())), HoldCap)
			}
			s, why := Held{Swum: Figure{held, units.Metres(v * held.Seconds())}, Cap: HoldCap}.Counts()
			if why == "" {
				swims = append(swims, s)
			}
		}
		f, err := FitTo(swims)
		if err != nil || !f.Sure() {
			continue
		}
		fits++
		slow, fast, _ := f.Band()
		if slow.MetresPerSecond() <= cs && cs <= fast.MetresPerSecond() {
			within++
		}
		e, _ := f.Error(units.Metre)
		tells, _ := h.Tells()
		told, width = append(told, tells), append(width, e)
	}
	share := float64(within) / float64(fits)
	t.Logf("%d of %d tests gave a threshold with an error; %.1f %% of them hold the true one; half a band is mostly %.2f s per 100 m, foretold %.2f",
		fits, swimmers, 100*share, median(width), median(told))
	if count := math.Sqrt(0.05 * 0.95 / float64(fits)); share < 0.95-2*count { // what counting so many can tell
		t.Errorf("recovered within the stated error in %.2f of 100", 100*share)
	}
	if m, foretold := median(width), median(told); m < 0.7*foretold || m > 1.4*foretold {
		t.Errorf("half a band is mostly %.2f s per 100 m, foretold was %.2f", m, foretold)
	}
	if fits < swimmers*9/10 {
		t.Errorf("only %d of %d tests gave a threshold", fits, swimmers)
	}
}

func median(v []float64) float64 { slices.Sort(v); return v[len(v)/2] }

// TestHoldOnSession: the session that is made is one, with open blocks under a cap between open rests, at paces that should take 2 to 15 minutes.
func TestHoldOnSession(t *testing.T) {
	for _, u := range []units.Unit{units.Metre, units.Yard} {
		for _, n := range []int{3, 4} {
			cs := units.MetresPerSecond(1.1)
			h, err := PlanHoldOn(cs, units.Metres(18), true, n, u, anyFlume)
			if err != nil {
				t.Fatal(err)
			}
			for i, b := range h.Blocks {
				if b.Expected < Shortest || b.Expected > Longest || i > 0 && b.Expected >= h.Blocks[i-1].Expected {
					t.Errorf("block %d: %v", i, b)
				}
				// t = D′/(v − CS)
				near1(t, "expected", b.Expected.Seconds(), 18/(b.Pace.Speed().MetresPerSecond()-1.1), 1e-6)
			}
			text := h.Session("Nell \"x\"\ntitle = 'Brook'", cs)
			s, err := schedule.Parse("test", []byte(text))
			if err != nil {
				t.Fatalf("%v\n%s", err, text)
			}
			if !strings.Contains(text, "NEVER without somebody watching") || s.Title != "Hold-on test" || s.Unit != u {
				t.Errorf("%s", text)
			}
			blocks, _, err := s.Blocks(units.Pace{})
			if err != nil {
				t.Fatal(err)
			}
			held := 0
			for i, b := range blocks {
				if !strings.HasPrefix(b.Name, HoldName) {
					continue
				}
				lead, rest := blocks[i-1], blocks[i-2]
				if b.Extent != schedule.Open || !b.Capped || b.Time != HoldCap || b.From.Clock() != h.Blocks[held].Pace.Clock() ||
					!rest.Rest || rest.Extent != schedule.Open || lead.From.Speed().MetresPerSecond() >= cs.MetresPerSecond() {
					t.Errorf("%+v after %+v after %+v", b, lead, rest)
				}
				held++
			}
			if held != n {
				t.Errorf("%d blocks of %d", held, n)
			}
		}
	}
	if h, err := PlanHoldOn(units.MetresPerSecond(1.1), units.Metres(10), false, 4, units.Metre, anyFlume); err != nil || h.Assumed || h.Reserve.Metres() != 13 || h.Blocks[0].Expected > 8*time.Minute {
		t.Errorf("%+v, %v", h, err)
	}
	if h, err := PlanHoldOn(units.MetresPerSecond(1.1), units.Metres(-3), true, 4, units.Metre, anyFlume); err != nil || !h.Assumed || h.Reserve.Metres() != AssumedReserve {
		t.Errorf("%+v, %v", h, err)
	}
	for what, err := range map[string]error{
		"two blocks":       second(PlanHoldOn(units.MetresPerSecond(1.1), units.Metres(18), true, 2, units.Metre, anyFlume)),
		"no threshold":     second(PlanHoldOn(units.Speed{}, units.Metres(18), true, 4, units.Metre, anyFlume)),
		"too slow a flume": second(PlanHoldOn(units.MetresPerSecond(1.1), units.Metres(18), true, 4, units.Metre, units.MetresPerSecond(1.15))),
	} {
		if err == nil {
			t.Errorf("%s: no error", what)
		}
	}
}

func second(_ HoldOn, err error) error { return err }

// TestWhatCounts: which blocks of a test are timed swims.
func TestWhatCounts(t *testing.T) {
	good := Held{Swum: Figure{5 * time.Minute, units.Metres(360)}, Cap: HoldCap, Date: today, Simulated: true}
	s, why := good.Counts()
	if why != "" || s.Where != Flume || !s.Simulated || s.Date != today || math.Abs(s.Distance.Metres()-360) > 0 {
		t.Errorf("%+v, %q", s, why)
	}
	for what, f := range map[string]func(*Held){
		"disturbed":       func(h *Held) { h.Disturbed = true },
		"held to the cap": func(h *Held) { h.Swum = Figure{HoldCap, units.Metres(1080)} },
		"hardly begun":    func(h *Held) { h.Swum = Figure{20 * time.Second, units.Metres(24)} },
		"no water":        func(h *Held) { h.Swum.Distance = units.Distance{} },
	} {
		h := good
		f(&h)
		if _, why := h.Counts(); why == "" {
			t.Errorf("%s: it counts", what)
		}
	}
}
