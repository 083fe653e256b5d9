package faults

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// table is what was found, a row for each class and kind of place: how often, of these with the motor on, the times from the fault to the begin of the
// quick stop and to rest (50 % of them at most, all of them at most) beside their bounds, how often this machine was away meanwhile, and what was wrong.
func (c *campaign) table() string {
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\tplace\tn\tmotor on\tbegun p50\tmax\tbound\trest p50\tmax\tbound\taway\twrong\tbound's reason, ms")
	for i := range classes {
		k := &classes[i]
		for _, s := range shares {
			if !k.at(s.kind) {
				continue
			}
			var begun, rest []time.Duration
			n, moving, away, wrong := 0, 0, 0, 0
			for _, r := range c.found {
				if r.Class != k.name || r.Kind != s.kind {
					continue
				}
				n++
				wrong += len(r.Wrong)
				if r.Moving {
					moving++
				}
				if r.Moving && r.Rest > 0 {
					begun, rest = append(begun, r.Begun), append(rest, r.Rest)
				}
				if r.Away > 0 {
					away++
				}
			}
			if n == 0 {
				continue
			}
			softly := "softly"
			if k.soft == 0 && !k.goesOn {
				softly = millis(k.begun)
			}
			b50, bMax := spread(begun)
			r50, rMax := spread(rest)
			if k.soft > 0 {
				b50, bMax = "", ""
			}
			restBound := millis(k.rest())
			if k.goesOn {
				softly, restBound = "never", ""
			}
			fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t%d\t%s\n", k.name, s.kind, n, moving, b50, bMax, softly, r50, rMax, restBound, away, wrong, k.why)
		}
	}
	w.Flush()
	return out.String()
}

func spread(d []time.Duration) (p50, most string) {
	if len(d) == 0 {
		return "", ""
	}
	slices.Sort(d)
	return millis(d[len(d)/2]), millis(d[len(d)-1])
}

func millis(d time.Duration) string { return fmt.Sprintf("%.0f", float64(d)/1e6) }
