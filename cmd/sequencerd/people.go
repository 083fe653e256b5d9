package main

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// known is what is known of a swimmer besides what the configuration says.
type known struct {
	store.Swimmer
	now   store.Threshold // that counts; without a pace there is none
	fit   *swimmer.Fit    // that it is from; nil where it was set by hand, or there is none
	why   error           // why the timed swims give none
	held  []store.Held    // blocks of hold-on tests
	weeks []store.Week
}

// flume is the threshold as it counts in the flume.
func (k *known) flume() units.Pace {
	if k.now.Flume {
		return k.now.Pace
	}
	return swimmer.InFlume(k.now.Pace, k.Offset)
}

// whence says what a threshold is from, in a few words.
func (k *known) whence() string {
	switch {
	case k.now.Pace.IsZero():
		return "not known"
	case k.now.ByHand:
		return "set by hand"
	case k.now.Flume:
		return "from flume swims"
	}
	return "from pool swims"
}

// timed are all timed swims: those put in by hand, and the blocks of hold-on tests that count.
func (k *known) timed() (all []swimmer.Swim) {
	for _, t := range k.Timed {
		one := swimmer.Swim{Number: t.Number, Distance: t.Distance, Time: t.Time, Date: t.Day}
		if t.Flume {
			one.Where = swimmer.Flume
		}
		all = append(all, one)
	}
	for _, h := range k.held {
		if one, why := asHeld(h).Counts(); why == "" {
			all = append(all, one)
		}
	}
	return all
}

func asHeld(h store.Held) swimmer.Held {
	return swimmer.Held{
		Swim: h.Swim, Block: h.Number, Swum: swimmer.Figure{Time: h.Swum.Time, Distance: h.Swum.Distance}, Cap: h.Cap,
		Disturbed: h.Disturbed, Date: h.Day, Simulated: h.Simulated,
	}
}

// knowledge finds somebody in the store, and brings their threshold up to date: where the timed swims are not those of the latest fit (a hold-on test was
// swum, a timed swim was put in or taken away), there is a new one, which counts from now on. One that was set by hand counts until then.
func knowledge(st *store.Store, name string, simulated bool) (*known, error) {
	w, err := st.Swimmer(name)
	if err != nil {
		return nil, err
	}
	k := &known{Swimmer: *w}
	if k.held, err = st.Held(name, swimmer.HoldName); err != nil {
		return nil, err
	}
	if k.weeks, _, err = st.Trends(name); err != nil {
		return nil, err
	}
	k.now, _ = w.Threshold()
	fit, why := swimmer.Best(k.timed(), simulated)
	if why != nil {
		k.why = why
		return k, nil
	}
	found := asThreshold(&fit)
	if last := latestFit(k.History); last == nil || last.Swims != found.Swims {
		if err := st.AddThreshold(name, found); err != nil {
			return nil, err
		}
		k.History = append(k.History, found)
		k.now = found
	}
	if !k.now.ByHand {
		k.fit = &fit
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
		one := fmt.Sprintf("%s in %s", metres(s.Distance), units.FormatTime(s.Time))
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

// metres is a distance as it was put in: whole yards as such.
func metres(d units.Distance) string {
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

// simulatedFlume reports whether the configured flume is not there.
func simulatedFlume(s *settings.Settings) bool { return s.Drive.Backend == "simulated" }

// findPerson finds who swims: in the store, else in the configuration; of a swimmer in both the lower cap counts. An empty name is the default swimmer.
// The second value is nil for somebody whom the store does not know.
func findPerson(s *settings.Settings, name string) (settings.Person, *known, error) {
	if name == "" {
		name = s.Swimmer
	}
	configured, unknown := s.Person(name)
	if name == "" {
		return configured, nil, nil
	}
	k, err := stored(s, name)
	switch {
	case err == nil:
		p := settings.Person{Name: k.Name, Threshold: k.flume(), Cap: k.Cap}
		if unknown == nil && configured.Cap != (units.Speed{}) && (p.Cap == (units.Speed{}) || configured.Cap.MetresPerSecond() < p.Cap.MetresPerSecond()) {
			p.Cap = configured.Cap
		}
		if unknown == nil && p.Threshold.IsZero() {
			p.Threshold = configured.Threshold
		}
		return p, k, nil
	case unknown == nil: // the configuration is enough, whatever the store says
		return configured, nil, nil
	case errors.Is(err, store.ErrNone), errors.Is(err, store.ErrNobody):
		return settings.Person{}, nil, fmt.Errorf("%w; sequencerd swimmers add %q makes somebody known too", unknown, name)
	}
	return settings.Person{}, nil, errors.Join(unknown, err)
}

// stored looks somebody up in the store of a configuration.
func stored(s *settings.Settings, name string) (*known, error) {
	dir, err := storeFolder(s)
	if err != nil {
		return nil, err
	}
	st, err := store.Open(dir)
	if err != nil {
		return nil, err
	}
	defer st.Close()
	return knowledge(st, name, simulatedFlume(s))
}

// checkSwimmer says what is not allowed of a swimmer, wherever they come from.
func checkSwimmer(w *store.Swimmer) error {
	if strings.TrimSpace(w.Name) != w.Name || w.Name == "" || utf8.RuneCountInString(w.Name) > 60 || !utf8.ValidString(w.Name) || strings.ContainsFunc(w.Name, unicode.IsControl) {
		return fmt.Errorf("name %q: allowed are 1 to 60 characters on one line", w.Name)
	}
	if w.Cap != (units.Speed{}) {
		if err := swimmer.CheckCap(w.Cap); err != nil {
			return err
		}
	}
	if err := swimmer.CheckOffset(w.Offset); err != nil {
		return err
	}
	for _, t := range w.Timed {
		if err := (swimmer.Swim{Distance: t.Distance, Time: t.Time}).Check(); err != nil {
			return err
		}
	}
	for _, t := range w.History {
		if err := swimmer.CheckThreshold(t.Pace); err != nil {
			return err
		}
		if !(t.Error >= 0 && t.Error < 1000) || strings.ContainsFunc(t.Swims, unicode.IsControl) {
			return errors.New("a threshold has an error or swims that cannot be")
		}
	}
	return nil
}

// distances are those that predicted times are shown for.
func distances(u units.Unit) (out []units.Distance) {
	n := []float64{100, 200, 400, 800, 1500}
	if u == units.Yard {
		n = []float64{100, 200, 500, 1000, 1650}
	}
	for _, d := range n {
		out = append(out, units.Of(d, u))
	}
	return out
}
