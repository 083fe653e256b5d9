package store

import (
	"encoding/binary"
	"errors"
	"math"
	"time"

	"flume.example/sequencerd/internal/units"
)

// A minute of samples is packed as zigzag varints (encoding/binary), sample after sample: how much each figure differs from the sample before. Of time and
// distance, which rise steadily, it is the change of that difference, so that in steady water nearly all are one byte.
const packFormat = 1 // first byte

// scales of the six figures: the unit that one step stands for.
func figures(s Sample) [6]int64 {
	return [6]int64{
		int64(math.Round(float64(s.At) / float64(time.Millisecond))), int64(s.Block),
		int64(math.Round(s.Wish.MetresPerSecond() * 1000)), int64(math.Round(s.Water.MetresPerSecond() * 1000)),
		int64(math.Round(s.Motor.RPM() * 10)), int64(math.Round(s.Distance.Metres() * 100)),
	}
}

func sample(f [6]int64) Sample {
	return Sample{
		At: time.Duration(f[0]) * time.Millisecond, Block: int(f[1]),
		Wish: units.MetresPerSecond(float64(f[2]) / 1000), Water: units.MetresPerSecond(float64(f[3]) / 1000),
		Motor: units.RPM(float64(f[4]) / 10), Distance: units.Metres(float64(f[5]) / 100),
	}
}

// steady are the figures of which the change of the difference is written.
var steady = [6]bool{0: true, 5: true}

func pack(samples []Sample) []byte {
	out := []byte{packFormat}
	var last, slope [6]int64
	for _, s := range samples {
		for i, v := range figures(s) {
			d := v - last[i]
			w := d
			if steady[i] {
				w, slope[i] = d-slope[i], d
			}
			last[i] = v
			out = binary.AppendVarint(out, w)
		}
	}
	return out
}

// mostFigure is more than any swim has of anything: 279 years in milliseconds, beyond which there is no duration.
const mostFigure = 1 << 43

var errPacked = errors.New("packed samples are damaged")

// unpack appends the samples of a minute to out.
func unpack(out []Sample, b []byte) ([]Sample, error) {
	if len(b) == 0 || b[0] != packFormat {
		return out, errPacked
	}
	b = b[1:]
	var last, slope [6]int64
	for len(b) > 0 {
		for i := range last {
			d, n := binary.Varint(b)
			if n <= 0 {
				return out, errPacked
			}
			b = b[n:]
			if steady[i] {
				slope[i] += d
				d = slope[i]
			}
			if last[i] += d; last[i] > mostFigure || last[i] < -mostFigure {
				return out, errPacked
			}
		}
		out = append(out, sample(last))
	}
	return out, nil
}
