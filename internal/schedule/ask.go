package schedule

import (
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Ask is what a block asks of a swimmer on paper: at its pace (the mean speed of two) from its first moment to its last, without changes of speed.
type Ask struct {
	Time     time.Duration
	Distance units.Distance
}

// Asked gives the asked figures of each block. A rest asks no distance, an open block its planned time, and a rest that waits for a send-off what the
// other blocks of its round leave of it, at least its own time.
func Asked(blocks []Block) []Ask {
	asks := make([]Ask, len(blocks))
	starts := make([]time.Duration, len(blocks)+1)
	for i, b := range blocks {
		v := b.MeanSpeed().MetresPerSecond()
		a := Ask{Time: b.Time}
		switch {
		case b.Rest:
			for _, l := range b.Leaves {
				a.Time = max(a.Time, starts[l.First]+l.Every-starts[i])
			}
		case b.Extent == ByDistance:
			a.Distance = b.Distance
			a.Time = 0
			if v > 0 {
				a.Time = time.Duration(math.Round(b.Distance.Metres() / v * float64(time.Second)))
			}
		default:
			a.Distance = units.Metres(v * b.Time.Seconds())
		}
		asks[i] = a
		starts[i+1] = starts[i] + a.Time
	}
	return asks
}
