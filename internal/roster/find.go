package roster

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// Simulated reports whether the configured flume is not there.
func Simulated(s *settings.Settings) bool { return s.Drive.Backend == "simulated" }

// Find finds who swims: in the store, else in the configuration; of a swimmer in both the lower cap counts. An empty name is the default swimmer.
// The second value is nil for somebody whom the store does not know; st is nil where there is none.
func Find(s *settings.Settings, st *store.Store, name string) (settings.Person, *Known, error) {
	if name == "" {
		name = s.Swimmer
	}
	configured, unknown := s.Person(name)
	if name == "" {
		return configured, nil, nil
	}
	k, err := (*Known)(nil), error(store.ErrNone)
	if st != nil {
		k, err = Look(st, name, Simulated(s))
	}
	switch {
	case err == nil:
		p := settings.Person{Name: k.Name, Threshold: k.Flume(), Cap: k.Cap}
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

// Check says what is not allowed of a swimmer, wherever they come from.
func Check(w *store.Swimmer) error {
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

// ParseDistance reads "400", "400m" or "500 yd".
func ParseDistance(text string, u units.Unit) (units.Distance, error) {
	number := strings.TrimSpace(text)
	for _, one := range []units.Unit{units.Yard, units.Metre} {
		if n, ok := strings.CutSuffix(number, one.String()); ok {
			number, u = strings.TrimSpace(n), one
			break
		}
	}
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || !(n > 0 && n < 1e6) {
		return units.Distance{}, fmt.Errorf("distance %q: allowed is a number with m or yd behind it, as in 400m", text)
	}
	return units.Of(n, u), nil
}

// ParseDay reads a date that is not in the future; an empty one is today, where the clock is set.
func ParseDay(text string, now time.Time) (time.Time, error) {
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, time.UTC)
	if text == "" {
		if now.Year() < 2020 {
			return time.Time{}, errors.New("the clock of this computer is not set: say the day with --day, as in --day 2026-05-20")
		}
		return today, nil
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil || day.Year() < 1950 || now.Year() >= 2020 && day.After(today) {
		return time.Time{}, fmt.Errorf("day %q: allowed is a date that is not in the future, as in 2026-05-20", text)
	}
	return day, nil
}

// ReadTimed reads a timed swim as it is put in; see ParseDistance, units.ParseTime and ParseDay.
func ReadTimed(distance, clock, day string, u units.Unit, flume bool, now time.Time) (t store.Timed, err error) {
	t.Flume = flume
	if t.Distance, err = ParseDistance(distance, u); err != nil {
		return t, err
	}
	if t.Time, err = units.ParseTime(clock); err != nil {
		return t, fmt.Errorf("time %q: %w", clock, err)
	}
	if err = (swimmer.Swim{Distance: t.Distance, Time: t.Time}).Check(); err != nil {
		return t, err
	}
	t.Day, err = ParseDay(day, now)
	return t, err
}

// ReadThreshold reads a threshold that is set by hand.
func ReadThreshold(pace, day string, u units.Unit, flume bool, now time.Time) (t store.Threshold, err error) {
	t.Flume, t.ByHand = flume, true
	if t.Pace, err = units.ParsePace(pace, u); err != nil {
		return t, err
	}
	if err = swimmer.CheckThreshold(t.Pace); err != nil {
		return t, err
	}
	t.Day, err = ParseDay(day, now)
	return t, err
}
