package rehearse

import (
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/units"
)

// Sketch draws a planned curve in plain characters, so many columns wide and lines high: the water's speed over the session's time, with the pace of
// the top line at the left.
func Sketch(profile *ramp.Profile, u units.Unit, width, height int) string {
	total, _ := profile.Total()
	if total <= 0 || width < 1 || height < 1 {
		return ""
	}
	speeds, top := make([]float64, width), 0.0
	cursor := profile.Cursor()
	for i := range speeds { // the mean of a column, so that a short rest among many is not lost or made too much of
		const looks = 8
		for k := range looks {
			at := time.Duration((float64(i) + (float64(k)+0.5)/looks) / float64(width) * float64(total))
			st, _, _ := cursor.At(at)
			speeds[i] += st.Speed.MetresPerSecond() / looks
		}
		top = math.Max(top, speeds[i])
	}
	if top == 0 {
		return ""
	}
	label := units.MetresPerSecond(top).Pace(u).Clock()
	var b strings.Builder
	for row := height; row > 0; row-- {
		var line strings.Builder
		for _, v := range speeds {
			switch fill := v/top*float64(height) - float64(row-1); {
			case fill >= 0.75:
				line.WriteByte('#')
			case fill >= 0.25:
				line.WriteByte('.')
			default:
				line.WriteByte(' ')
			}
		}
		left := ""
		if row == height {
			left = label
		}
		fmt.Fprintf(&b, "%8s |%s\n", left, strings.TrimRight(line.String(), " "))
	}
	end := units.FormatTimeWhole(total)
	fmt.Fprintf(&b, "%8s +%s\n%8s 0:00%*s\n", "", strings.Repeat("-", width), "", max(width-3, len(end)+1), end)
	return b.String()
}
