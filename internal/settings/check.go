package settings

import (
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/water"
)

// wrong notes a key with its value as written, and what is allowed.
func wrong(t *tomlplace.Table, key, allowed string) {
	t.Problem(key, "%s = %s: %s", key, t.Written(key), allowed)
}

// number reads a number from low to high and makes a quantity of it. A key that is missing or wrong leaves the value as it was.
func number[Q any](t *tomlplace.Table, key string, low, high float64, quantity func(float64) Q, into *Q) {
	v, ok := t.Float(key)
	switch {
	case !ok:
	case v < low || v > high:
		wrong(t, key, "allowed is "+figure(low)+" to "+figure(high))
	default:
		*into = quantity(v)
	}
}

func plain(v float64) float64 { return v }

func figure(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// duration reads a duration from low to high, as text with its units.
func duration(t *tomlplace.Table, key string, low, high time.Duration, into *time.Duration) {
	text, ok := t.String(key)
	if !ok {
		return
	}
	d, err := time.ParseDuration(text)
	switch {
	case err != nil:
		wrong(t, key, `allowed is a duration with its units, as in "90s", "30m", "1h30m" or "80ms", from `+short(low)+" to "+short(high))
	case d < low || d > high:
		wrong(t, key, "allowed is "+short(low)+" to "+short(high))
	default:
		*into = d
	}
}

// short is a duration as one writes it: "2h", not "2h0m0s".
func short(d time.Duration) string {
	s := d.String()
	for _, tail := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(s, tail) {
			s = s[:len(s)-2]
		}
	}
	return s
}

// name reads what something or somebody is called.
func name(t *tomlplace.Table, key string, into *string) {
	text, ok := t.String(key)
	switch {
	case !ok:
	case strings.TrimSpace(text) != text || text == "" || utf8.RuneCountInString(text) > 60 || strings.ContainsFunc(text, unicode.IsControl):
		wrong(t, key, "allowed are 1 to 60 characters on one line, without blanks around them")
	default:
		*into = text
	}
}

func words(list []string) string {
	quoted := make([]string, len(list))
	for i, w := range list {
		quoted[i] = strconv.Quote(w)
	}
	return strings.Join(quoted, " or ")
}

// place is a key that a check of several keys may blame; a table inside another is written with a dot.
type place struct{ table, key string }

func (p place) in(root *tomlplace.Table) *tomlplace.Table {
	t := root
	for name := range strings.SplitSeq(p.table, ".") {
		t = t.Table(name)
	}
	return t
}

// blame notes a problem at the first of these keys that the text gives: the others are defaults, which agree among themselves.
func blame(root *tomlplace.Table, at []place, format string, args ...any) {
	for _, p := range at {
		if t := p.in(root); t.Has(p.key) {
			t.Problem(p.key, format, args...)
			return
		}
	}
	root.Problem("", format, args...)
}

// agree checks the values against each other and makes the model. Without a good calibration it leaves out what needs one.
func (s *Settings) agree(root *tomlplace.Table, calibrated bool) {
	if relief, jerk := s.Limits.Relief.MetresPerSecond3(), s.Limits.Jerk.MetresPerSecond3(); relief < jerk {
		blame(root, []place{{"ramp", "relief_jerk_mps3"}, {"ramp", "jerk_mps3"}},
			"relief_jerk_mps3 is %g and jerk_mps3 is %g: allowed is a relief that is no less", relief, jerk)
	}
	if _, err := s.Person(""); err != nil {
		blame(root, []place{{"swimmer", "default"}, {"swimmer", "person"}}, "default is %v", err)
	}

	if l := s.Flume.Inertia.Metres() * (1 + s.Drive.Simulated.InertiaError); l > mostInertia {
		blame(root, []place{{"drive.simulated", "inertia_error_percent"}, {"flume", "inertia_m"}},
			"inertia_m with inertia_error_percent makes %.4g m of the simulated water: allowed is up to %d", l, mostInertia)
	}

	s.agreeOnSerial(root)
	m := s.Drive.Motor
	if m.Min.RPM() >= m.Max.RPM() {
		blame(root, []place{{"drive", "min_rpm"}, {"drive", "max_rpm"}}, "min_rpm is %g and max_rpm is %g: allowed is a min_rpm below max_rpm", m.Min.RPM(), m.Max.RPM())
		return
	}
	if !calibrated {
		return
	}
	if last := s.points[len(s.points)-1].Motor; m.Max.RPM() > last.RPM() {
		blame(root, []place{{"drive", "max_rpm"}, {"water", "rpm"}}, "max_rpm is %g and the calibration ends at %g rpm: allowed is a max_rpm within the calibration",
			m.Max.RPM(), last.RPM())
		return
	}
	model, err := water.New(s.points, s.Flume.Inertia, m)
	if err != nil {
		root.Problem("water", "%v", err)
		return
	}
	s.Model, s.Drive.Simulated.Model = model, model
	s.agreeOnReach(root)
}

// agreeOnReach: the motor drives the water to the flume's top speed, and turns slowly enough for the cap. Caps above the top speed are no fault: the
// lowest counts. Nor is a person's cap that is too low for this motor, which may be a person of the defaults: their paces are refused one by one.
func (s *Settings) agreeOnReach(root *tomlplace.Table) {
	motor, top := s.Drive.Motor, s.Flume.TopSpeed.MetresPerSecond()
	if reach := s.Model.Top().MetresPerSecond(); reach < top {
		blame(root, []place{{"flume", "top_speed_mps"}, {"drive", "max_rpm"}, {"water", "speed_mps"}}, "top_speed_mps is %g, but at max_rpm, %v, the water is only %.3f m/s fast by the calibration", top, motor.Max, reach)
	}
	if lowest, slowest := s.Ceiling(Person{}), s.Model.Slowest(); slowest.MetresPerSecond() >= lowest.MetresPerSecond() {
		blame(root, []place{{"drive", "min_rpm"}, {"safety", "cap_mps"}, {"flume", "top_speed_mps"}, {"water", "speed_mps"}},
			"no pace is possible: at min_rpm, %v, the water is already %v fast by the calibration, and the cap is %v", motor.Min, slowest, lowest)
	}
}
