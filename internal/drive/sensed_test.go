package drive_test

import (
	"math"
	"testing"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// sensor is a motor with a flow sensor that shows what it likes.
type sensor struct {
	wire
	shows drive.Sensed
}

func (s *sensor) Read(r drive.Round) (drive.Feedback, error) {
	f, err := s.wire.Read(r)
	f.Sensed = s.shows
	return f, err
}

// A sensor's speed is told at the reference, and only where water can have it. That it cannot is no failure of the link.
func TestWhatASensorShows(t *testing.T) {
	for _, c := range []struct {
		name          string
		shows, factor float64
		known         bool
		want          float64
	}{
		{"as it is, without a factor", 1.2, 0, true, 1.2},
		{"beside the jet, where it is slower", 0.96, 1.25, true, 1.2},
		{"its noise in still water", -0.01, 1, true, -0.01},
		{"backwards: a broken wire of 4 to 20 mA", -0.6, 1, false, 0},
		{"faster than any water", 5.1, 1, false, 0},
		{"faster than any water by its factor", 4, 1.3, false, 0},
		{"no number", math.NaN(), 1, false, 0},
		{"no end of it", math.Inf(1), 1, false, 0},
		{"no end of it, backwards", math.Inf(-1), 1, false, 0},
	} {
		s := &sensor{shows: drive.Sensed{Known: true, Speed: units.MetresPerSecond(c.shows)}}
		d := drive.New(s, drive.Config{Model: model(t), Sensor: c.factor})
		d.Exchange(0)
		r := d.Report()
		if r.Sensed.Known != c.known || math.Abs(r.Sensed.Speed.MetresPerSecond()-c.want) > 1e-12 {
			t.Errorf("%s: %+v", c.name, r.Sensed)
		}
		if r.Link != nil || r.Reads != 1 || r.Fault != "" {
			t.Errorf("%s: the link suffers: %+v", c.name, r)
		}
		s.shows.Known = false
		d.Exchange(every)
		if r := d.Report(); r.Sensed != (drive.Sensed{}) || r.Reads != 2 {
			t.Errorf("%s: the sensor is gone, and %+v", c.name, r)
		}
	}
}
