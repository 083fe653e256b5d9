package main

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// The session format once more, as somebody outside reads its description: straight from the text to the blocks that are expected, with nothing of
// the program's own code. What a session asks is checked against this.

type outsideStep struct {
	Name, Kind, Note, Time, Cap, Pace, Rest string
	Distance                                float64
	Open                                    bool
	Repeat                                  int
	SendOff                                 string  `toml:"send_off"`
	Descend                                 float64 `toml:"descend_s"`
	Speed                                   float64 `toml:"speed_mps"`
	Step                                    []outsideStep
}

type outsideSession struct {
	Title, Unit string
	Step        []outsideStep
}

// wanted is a block that the contract promises for a session.
type wanted struct {
	name, kind string       // empty where nothing is promised
	step       *outsideStep // that it comes from; nil for a rest that a send-off makes
	round, of  int
	rest, open bool
	timed      float64 // s; 0 where a distance or a send-off says when it ends
	metres     float64
	from, to   float64 // m/s
}

// promised is a round on a send-off: block first to block next (the next round's first) take so long, or longer where another send-off ends there too.
type promised struct {
	first, next int
	every       float64
	alone       bool
}

type outsider struct {
	metre     float64 // metres in one of the session's unit
	threshold float64 // s per 100 m; 0 for none
	blocks    []wanted
	rounds    []promised
}

// metresPerYard is exact since 1 July 1959: NBS circular 572, addendum.
const metresPerYard = 0.9144

func readAsOutsider(t tester, text string, threshold float64) (*outsider, outsideSession) {
	t.Helper()
	var s outsideSession
	if _, err := toml.Decode(text, &s); err != nil {
		t.Fatalf("no TOML: %v\n%s", err, text)
	}
	o := &outsider{metre: 1, threshold: threshold}
	if s.Unit == "yd" {
		o.metre = metresPerYard
	}
	o.steps(s.Step, wanted{round: 1, of: 1}, 0)
	for i := range o.rounds {
		r := &o.rounds[i]
		r.alone = true
		for j := range o.rounds {
			r.alone = r.alone && (i == j || o.rounds[j].next != r.next)
		}
	}
	return o, s
}

func (o *outsider) steps(steps []outsideStep, around wanted, faster float64) {
	for i := range steps {
		s, b := steps[i], around
		if s.Name != "" {
			b.name = s.Name
		}
		if s.Kind != "" {
			b.kind = s.Kind
		}
		if len(s.Step) == 0 {
			b.step = &steps[i]
			o.block(s, b, faster)
			continue
		}
		repeat := max(s.Repeat, 1)
		for k := range repeat {
			inner := b
			if repeat > 1 {
				inner.round, inner.of = k+1, repeat
			}
			first := len(o.blocks)
			o.steps(s.Step, inner, faster+float64(k)*s.Descend)
			if s.SendOff == "" {
				continue
			}
			if last := &o.blocks[len(o.blocks)-1]; last.rest && !last.open {
				last.timed = 0
			} else {
				o.blocks = append(o.blocks, wanted{name: "send-off", round: inner.round, of: inner.of, rest: true})
			}
			o.rounds = append(o.rounds, promised{first: first, next: len(o.blocks), every: clockSeconds(s.SendOff)})
		}
	}
}

func (o *outsider) block(s outsideStep, b wanted, faster float64) {
	switch {
	case s.Rest == "open":
		b.rest, b.open = true, true
	case s.Rest != "":
		b.rest, b.timed = true, clockSeconds(s.Rest)
	case s.Open:
		b.open = true
	case s.Time != "":
		b.timed = clockSeconds(s.Time)
	default:
		b.metres = s.Distance * o.metre
	}
	if b.open {
		b.timed = 60 // without a cap an open block is planned as 60 s
		if s.Cap != "" {
			b.timed = clockSeconds(s.Cap)
		}
	}
	switch {
	case b.rest:
	case s.Speed != 0:
		// descend_s is in seconds per 100 of the unit
		v := 100 * o.metre / (100*o.metre/s.Speed - faster)
		b.from, b.to = v, v
	default:
		first, second, two := strings.Cut(s.Pace, " to ")
		if !two {
			second = first
		}
		b.from, b.to = o.speed(first, faster), o.speed(second, faster)
	}
	o.blocks = append(o.blocks, b)
}

var relative = regexp.MustCompile(`^threshold([+-][0-9.]+)?$`)

// speed is that of a pace, in m/s.
func (o *outsider) speed(pace string, faster float64) float64 {
	if m := relative.FindStringSubmatch(pace); m != nil {
		offset, _ := strconv.ParseFloat(m[1], 64)
		return 100 * o.metre / (o.threshold*o.metre + offset - faster)
	}
	clock, per, given := strings.Cut(pace, "/100")
	unit := o.metre
	if given {
		unit = map[string]float64{"m": 1, "yd": metresPerYard}[strings.TrimSpace(per)]
	}
	// a pace per 100 of another unit, first in seconds per 100 of the session's own, which is what descends
	return 100 * o.metre / (clockSeconds(clock)*o.metre/unit - faster)
}

// clockSeconds reads "1:40.5", ":20", "1:02:03".
func clockSeconds(text string) (s float64) {
	for _, part := range strings.Split(text, ":") {
		n, _ := strconv.ParseFloat("0"+part, 64)
		s = s*60 + n
	}
	return s
}

// Values that are known from elsewhere, so that the outsider is no second guess.
func TestTheOutsiderKnowsItsPaces(t *testing.T) {
	// 1:40/100 m = 1.0000, 1:30/100 m = 1.1111, 1:40/100 yd = 0.9144, 1:30/100 yd = 1.0160 m/s: arithmetic on the yard of NBS circular 572.
	for _, c := range []struct {
		unit, pace, want string
	}{{"m", "1:40", "1.0000"}, {"m", "1:30", "1.1111"}, {"yd", "1:40", "0.9144"}, {"yd", "1:30", "1.0160"}, {"m", "1:40/100yd", "0.9144"}} {
		o, _ := readAsOutsider(t, fmt.Sprintf("unit = %q\n[[step]]\ntime = \"1:00\"\npace = %q", c.unit, c.pace), 0)
		if got := fmt.Sprintf("%.4f", o.blocks[0].to); got != c.want {
			t.Errorf("%s in %s: %s m/s, want %s", c.pace, c.unit, got, c.want)
		}
	}
}
