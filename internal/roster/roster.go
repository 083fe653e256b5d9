// Package roster tells who swims here: swimmers of the store, with what they swam, and those whom only the configuration knows.
package roster

import (
	"fmt"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// Known is somebody of the store, with what they swam.
type Known struct {
	store.Swimmer
	Now   store.Threshold // that counts; without a pace there is none
	Fit   *swimmer.Fit    // that it is from; nil where it was set by hand, or there is none
	Why   error           // why the timed swims give none
	Held  []store.Held    // blocks of hold-on tests
	Weeks []store.Week
}

// Flume is the threshold as it counts in the flume.
func (k *Known) Flume() units.Pace {
	if k.Now.Flume {
		return k.Now.Pace
	}
	return swimmer.InFlume(k.Now.Pace, k.Offset)
}

// Whence says what a threshold is from, in a few words.
func (k *Known) Whence() string {
	switch {
	case k.Now.Pace.IsZero():
		return "not known"
	case k.Now.ByHand:
		return "set by hand"
	case k.Now.Flume:
		return "from flume swims"
	}
	return "from pool swims"
}

// timed are all timed swims: those put in by hand, and the blocks of hold-on tests that count.
func (k *Known) timed() (all []swimmer.Swim) {
	for _, t := range k.Timed {
		one := swimmer.Swim{Number: t.Number, Distance: t.Distance, Time: t.Time, Date: t.Day}
		if t.Flume {
			one.Where = swimmer.Flume
		}
		all = append(all, one)
	}
	for _, h := range k.Held {
		if one, why := AsHeld(h).Counts(); why == "" {
			all = append(all, one)
		}
	}
	return all
}

// AsHeld is a block of a test as the threshold takes it.
func AsHeld(h store.Held) swimmer.Held {
	return swimmer.Held{
		Swim: h.Swim, Block: h.Number, Swum: swimmer.Figure{Time: h.Swum.Time, Distance: h.Swum.Distance}, Cap: h.Cap,
		Disturbed: h.Disturbed, Date: h.Day, Simulated: h.Simulated,
	}
}

// Look finds somebody in the store, and brings their threshold up to date: where the timed swims are not those of the latest fit (a hold-on test was
// swum, a timed swim was put in or taken away), there is a new one, which counts from now on. One that was set by hand counts until then.
func Look(st *store.Store, name string, simulated bool) (*Known, error) {
	w, err := st.Swimmer(name)
	if err != nil {
		return nil, err
	}
	k := &Known{Swimmer: *w}
	if k.Held, err = st.Held(name, swimmer.HoldName); err != nil {
		return nil, err
	}
	if k.Weeks, _, err = st.Trends(name); err != nil {
		return nil, err
	}
	k.Now, _ = w.Threshold()
	fit, why := swimmer.Best(k.timed(), simulated)
	if why != nil {
		k.Why = why
		return k, nil
	}
	found := asThreshold(&fit)
	if last := latestFit(k.History); last == nil || last.Swims != found.Swims {
		if err := st.AddThreshold(name, found); err != nil {
			return nil, err
		}
		k.History = append(k.History, found)
		k.Now = found
	}
	if !k.Now.ByHand {
		k.Fit = &fit
	}
	return k, nil
}

func latestFit(history []store.Threshold) *store.Threshold {
	for i := len(history) - 1; i >= 0; i-- {
		if !history[i].ByHand {
			return &history[i]
		}
	}
	return nil
}

// asThreshold is a fit as it is kept.
func asThreshold(f *swimmer.Fit) store.Threshold {
	t := store.Threshold{Pace: f.Threshold.Pace(units.Metre), Reserve: f.Reserve, Flume: f.Where() == swimmer.Flume}
	t.Error, _ = f.Error(units.Metre)
	var words []string
	for _, s := range f.Swims {
		if s.Date.After(t.Day) {
			t.Day = s.Date
		}
		one := fmt.Sprintf("%s in %s", Metres(s.Distance), units.FormatTime(s.Time))
		if s.Simulated {
			one += " SIMULATED"
		}
		if !s.Date.IsZero() {
			one += " on " + s.Date.Format(time.DateOnly)
		}
		words = append(words, one)
	}
	t.Swims = f.Where().String() + ": " + strings.Join(words, ", ")
	return t
}

// Metres is a distance as it was put in: whole yards as such.
func Metres(d units.Distance) string {
	m, yd := d.In(units.Metre), d.In(units.Yard)
	whole := func(v float64) bool { return v-float64(int(v+0.5)) < 1e-6 && float64(int(v+0.5))-v < 1e-6 }
	switch {
	case whole(m):
		return fmt.Sprintf("%.0f m", m)
	case whole(yd):
		return fmt.Sprintf("%.0f yd", yd)
	}
	return fmt.Sprintf("%.1f m", m)
}

// Doubts are all warnings about the threshold that counts.
func (k *Known) Doubts(today time.Time) (out []fault.Remark) {
	switch {
	case k.Now.Pace.IsZero():
		return nil
	case k.Fit != nil:
		out = k.Fit.Doubts(today)
	case k.Now.ByHand:
		out = append(out, fault.Remark{Code: swimmer.SetByHand, Block: -1, Text: "The threshold was set by hand: nobody knows how sure it is."})
		out = append(out, swimmer.Age(k.Now.Day, today)...)
	default:
		out = append(out, fault.Remark{Code: swimmer.SwimsGone, Block: -1,
			Text: fmt.Sprintf("This is a threshold of before: the timed swims that are here now give none (%v). Swim others, or set it by hand.", k.Why)})
		out = append(out, swimmer.Age(k.Now.Day, today)...)
	}
	if !k.Now.Flume && k.Offset == 0 {
		out = append(out, fault.Remark{Code: swimmer.OtherWater, Block: -1,
			Text: "It is a pool threshold. Flume swimming mostly costs less: a hold-on test finds the flume's own, sequencerd swimmers offset shifts this one."})
	}
	return out
}

// HoldOn chooses a hold-on test by what is known of somebody; see swimmer.PlanHoldOn.
func (k *Known) HoldOn(blocks int, fastest units.Speed) (swimmer.HoldOn, error) {
	if k.Now.Pace.IsZero() {
		return swimmer.HoldOn{}, fmt.Errorf("the threshold of %s is not known: two timed swims give one", k.Name)
	}
	var reserve units.Distance
	sure := false
	if k.Fit != nil {
		reserve, sure = k.Fit.Reserve, k.Fit.Sure() && k.Now.Flume
	}
	return swimmer.PlanHoldOn(k.Flume().Speed(), reserve, sure, blocks, k.Unit, fastest)
}

// Distances are those that predicted times are shown for.
func Distances(u units.Unit) (out []units.Distance) {
	n := []float64{100, 200, 400, 800, 1500}
	if u == units.Yard {
		n = []float64{100, 200, 500, 1000, 1650}
	}
	for _, d := range n {
		out = append(out, units.Of(d, u))
	}
	return out
}
