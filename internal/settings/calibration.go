package settings

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

// Calibration is what is known of the calibration beside its points.
type Calibration struct {
	On       time.Time     // the day that it was measured, in UTC; zero where not known
	After    time.Duration // it should be measured again when it is older; 0 for never
	Band     float64       // how far the true speed may be off, as a fraction, either way; 0 where not known
	Sensor   float64       // what a flow sensor on the drive shows times this is the speed where the calibration was measured
	Stations []Station     // the nearest to the outlet first; none where they were not measured
}

// Station is a place along the flume, and how fast the water is there.
type Station struct {
	Name       string
	FromOutlet units.Distance // of the jet, along the flume
	Share      float64        // of the calibrated speed; 1 where the calibration was measured
}

// Speed is the water's speed at the station while it is v where the calibration was measured.
func (s Station) Speed(v units.Speed) units.Speed {
	return units.MetresPerSecond(v.MetresPerSecond() * s.Share)
}

const mostStations = 16

// calibration reads what stands beside the points of [water].
func (s *Settings) calibration(t *tomlplace.Table) {
	c := &s.Calibration
	if text, ok := t.String("calibrated_on"); ok {
		day, err := time.Parse(time.DateOnly, text)
		switch {
		case text == "":
			c.On = time.Time{}
		case err != nil || day.Year() < 2000 || day.Year() > 2199:
			wrong(t, "calibrated_on", `allowed is a day, as in "2026-11-25", or "" where it is not known`)
		default:
			c.On = day
		}
	}
	number(t, "recalibrate_after_days", 0, 3650, inDays, &c.After)
	number(t, "band_percent", 0, 50, fraction, &c.Band)
	number(t, "flow_sensor_factor", 0.1, 10, plain, &c.Sensor)
	if !t.Has("station") {
		return
	}
	c.Stations = nil
	rows := t.Tables("station")
	for _, row := range rows {
		s.station(row)
	}
	slices.SortStableFunc(c.Stations, func(a, b Station) int {
		return cmp.Compare(a.FromOutlet.Metres(), b.FromOutlet.Metres())
	})
	switch {
	case len(rows) > mostStations:
		t.Problem("station", "%d stations: allowed are up to %d", len(rows), mostStations)
	case len(rows) > 0 && len(rows) == len(c.Stations) && !slices.ContainsFunc(c.Stations, func(o Station) bool { return o.Share == 1 }):
		t.Problem("station", "no station has share = 1: allowed is one where the calibration was measured, which the others are shares of")
	}
	for i := 1; i < len(c.Stations); i++ {
		if a, b := c.Stations[i-1], c.Stations[i]; b.Share > a.Share {
			t.Problem("station", "station %q, %g m from the outlet, has a share of %g, and %q, farther on at %g m, of %g: a jet loses speed on its way; are the two swapped?",
				a.Name, a.FromOutlet.Metres(), a.Share, b.Name, b.FromOutlet.Metres(), b.Share)
		}
	}
}

// station reads one; it takes part only where it is whole.
func (s *Settings) station(t *tomlplace.Table) {
	var o Station
	unset := units.Metres(-1)
	o.FromOutlet = unset
	name(t, "name", &o.Name)
	number(t, "from_outlet_m", 0, 50, units.Metres, &o.FromOutlet)
	number(t, "share", 0.2, 1.5, plain, &o.Share)
	t.Rest()
	for _, key := range []string{"name", "from_outlet_m", "share"} {
		if !t.Has(key) {
			t.Problem("", "a station without %s: it has name, from_outlet_m and share", key)
		}
	}
	for _, other := range s.Calibration.Stations {
		switch {
		case o.Name != "" && strings.EqualFold(other.Name, o.Name):
			wrong(t, "name", "another station has that name already")
		case other.FromOutlet == o.FromOutlet:
			wrong(t, "from_outlet_m", "another station is there already")
		}
	}
	if o.Name != "" && o.FromOutlet != unset && o.Share > 0 {
		s.Calibration.Stations = append(s.Calibration.Stations, o)
	}
}

func inDays(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }
