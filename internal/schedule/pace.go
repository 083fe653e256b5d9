package schedule

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"flume.example/sequencerd/internal/units"
)

// pace is a pace as a session has it: seconds per 100 of the session's unit; relative ones are to be added to the swimmer's threshold.
type pace struct {
	seconds  float64
	relative bool
	own      float64 // the figure as it is written, counted in
	in       measure
}

// measure is what the figure of a pace counts.
type measure uint8

const (
	secondsPer100m measure = iota
	secondsPer100yd
	metresPerSecond
)

func per100(u units.Unit) measure {
	if u == units.Yard {
		return secondsPer100yd
	}
	return secondsPer100m
}

// unit is what a measure is per 100 of; the metre for m/s.
func (m measure) unit() units.Unit {
	if m == secondsPer100yd {
		return units.Yard
	}
	return units.Metre
}

// newPace makes the pace of a figure for a session that counts in u.
func newPace(own float64, relative bool, in measure, u units.Unit) pace {
	if own == 0 {
		own = 0 // threshold-0
	}
	p := pace{relative: relative, own: own, in: in}
	switch {
	case relative:
		p.seconds = own * (u.Metres() / in.unit().Metres())
	case in == metresPerSecond:
		p.seconds = units.MetresPerSecond(own).Pace(u).Seconds()
	default:
		p.seconds = units.PacePer100(own, in.unit()).In(u).Seconds()
	}
	return p
}

// of is the pace in seconds per 100 of the session's unit for a swimmer with that threshold, in the same unit.
func (p pace) of(threshold float64) float64 {
	if p.relative {
		return threshold + p.seconds
	}
	return p.seconds
}

var relativePace = regexp.MustCompile(`^threshold([+-][0-9]{1,3}(?:\.[0-9]{1,3})?)?$`)

// parsePaces reads one pace, or two as in "1:50 to 1:40". What is allowed comes back where the text is not.
func parsePaces(text string, unit units.Unit) (from, to pace, allowed string) {
	first, second, two := strings.Cut(text, " to ")
	if from, allowed = parsePace(strings.TrimSpace(first), unit); allowed != "" || !two {
		return from, from, allowed
	}
	to, allowed = parsePace(strings.TrimSpace(second), unit)
	return from, to, allowed
}

func parsePace(text string, unit units.Unit) (p pace, allowed string) {
	if m := relativePace.FindStringSubmatch(text); m != nil {
		offset := 0.0
		if m[1] != "" {
			offset, _ = strconv.ParseFloat(m[1], 64) // the expression lets nothing else through
		}
		if offset < -mostOffset || offset > mostOffset {
			return p, fmt.Sprintf("threshold-%g to threshold+%g, in seconds per 100 %s", mostOffset, mostOffset, unit)
		}
		return newPace(offset, true, per100(unit), unit), ""
	}
	given, err := units.ParsePace(text, unit)
	if err != nil {
		return p, `minutes:seconds per 100 as in "1:40", "1:40.5" or "1:40/100yd"; "threshold", "threshold-2" or "threshold+5"; or two of these as in "1:50 to 1:40"`
	}
	p = newPace(given.Seconds(), false, per100(given.Unit()), unit)
	if p.seconds < fastestPace || p.seconds > slowestPace {
		return p, paceRange(unit)
	}
	return p, ""
}

func paceRange(unit units.Unit) string {
	return fmt.Sprintf("%s to %s per 100 %s", units.PacePer100(fastestPace, unit).Clock(), units.PacePer100(slowestPace, unit).Clock(), unit)
}
