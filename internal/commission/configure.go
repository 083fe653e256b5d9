package commission

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Configured is a configuration's text with what the course measured of the water in the place of what stood there. Everything outside [water] and
// flume.inertia_m stays as it is; what stood in [water] goes, its comments too. Nothing measured, nothing changed.
func (r *Record) Configured(text string) string {
	if r == nil || r.Water == nil {
		return text
	}
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	if r.RunOut != nil {
		lines = setInertia(lines, fmt.Sprintf("inertia_m = %s", figure(r.RunOut.Metres)))
	}
	lines = replaceTable(lines, "water", r.waterTable())
	return strings.TrimLeft(strings.Join(lines, "\n"), "\n") + "\n"
}

// Fragment is what Configured puts into a configuration, for people to see; empty where nothing was measured.
func (r *Record) Fragment() string {
	if r.Water == nil {
		return ""
	}
	var lines []string
	if r.RunOut != nil {
		lines = setInertia(nil, "inertia_m = "+figure(r.RunOut.Metres))[1:]
		lines = append(lines, "")
	}
	return strings.Join(append(lines, r.waterTable()...), "\n")
}

// waterTable is [water] as measured.
func (r *Record) waterTable() []string {
	var rpm, mps []string
	for _, p := range r.Water.Points {
		rpm, mps = append(rpm, figure(p.RPM)), append(mps, figure(p.MPS))
	}
	out := []string{"[water]                         # as measured in the installer's course, " + r.Water.How,
		"rpm = [" + strings.Join(rpm, ", ") + "]", "speed_mps = [" + strings.Join(mps, ", ") + "]",
		fmt.Sprintf("calibrated_on = %q", r.Water.At.Format(time.DateOnly)), "band_percent = " + figure(r.Water.BandPct)}
	if len(r.Places) > 0 {
		out = append(out, "station = [")
		for _, p := range r.Places {
			out = append(out, fmt.Sprintf("  { name = %s, from_outlet_m = %s, share = %s },", strconv.Quote(p.Name), figure(p.FromOutlet), figure(p.Share)))
		}
		out = append(out, "]")
	}
	return append(out, "")
}

// figure is a number with four digits, which is more than a float can tell.
func figure(v float64) string {
	s := strconv.FormatFloat(v, 'g', 4, 64)
	if strings.ContainsRune(s, 'e') {
		s = strconv.FormatFloat(v, 'f', -1, 64)
	}
	return s
}

var tableHead = regexp.MustCompile(`^\s*\[{1,2}\s*([^\]]*?)\s*\]{1,2}`)

// tableAt is where a table begins and ends among lines, tables below it included; false where there is none.
func tableAt(lines []string, name string) (from, to int, ok bool) {
	from = -1
	for i, l := range lines {
		m := tableHead.FindStringSubmatch(l)
		switch {
		case m == nil || strings.HasPrefix(m[1], "{"):
		case from < 0 && m[1] == name:
			from = i
		case from >= 0 && m[1] != name && !strings.HasPrefix(m[1], name+"."):
			return from, i, true
		}
	}
	return from, len(lines), from >= 0
}

func replaceTable(lines []string, name string, with []string) []string {
	from, to, ok := tableAt(lines, name)
	if !ok {
		return append(append(lines, ""), with...)
	}
	return slices.Concat(lines[:from], with, lines[to:])
}

var inertiaKey = regexp.MustCompile(`^(\s*)inertia_m\s*=\s*[^#\s]*(.*)$`)

func setInertia(lines []string, with string) []string {
	from, to, ok := tableAt(lines, "flume")
	if !ok {
		return append(lines, "", "[flume]", with)
	}
	for i := from + 1; i < to; i++ {
		if m := inertiaKey.FindStringSubmatch(lines[i]); m != nil {
			lines[i] = m[1] + with + m[2]
			return lines
		}
	}
	return slices.Insert(lines, from+1, with)
}
