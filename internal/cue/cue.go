// Package cue holds the rhythms: what each cue is, as on and off times.
//
// A cue tells someone whose face is in the water what comes next. Beeper, lamp and page play the same rhythm,
// so that one learns it once. No rhythm flashes more than three times a second.
package cue

import "time"

// Cue is one message in rhythm. The zero Cue is silence.
type Cue uint8

// The cues.
const (
	None       Cue = iota
	Faster         // three short
	Slower         // one long
	Rest           // two long; also before the end of the session
	LastRound      // three short, one long
	CountIn        // one short a second
	StillThere     // two short every two seconds
	Stop           // three seconds solid
)

var names = [...]string{"", "faster", "slower", "rest", "last round", "count-in", "still there?", "stop"}

// String names the cue in the words that a person reads; empty for None.
func (c Cue) String() string { return names[c] }

const (
	short = 150 * time.Millisecond
	long  = 800 * time.Millisecond
	gap   = 200 * time.Millisecond // short and gap together: 2.9 a second, below the three that are allowed
)

// Rhythm is a sequence of on and off times, beginning with on; Every is the time after which it starts again, 0 for once.
type Rhythm struct {
	OnOff []time.Duration
	Every time.Duration
}

var rhythms = [...]Rhythm{
	None:       {},
	Faster:     {OnOff: []time.Duration{short, gap, short, gap, short}},
	Slower:     {OnOff: []time.Duration{long}},
	Rest:       {OnOff: []time.Duration{long, gap, long}},
	LastRound:  {OnOff: []time.Duration{short, gap, short, gap, short, gap, long}},
	CountIn:    {OnOff: []time.Duration{short}, Every: time.Second},
	StillThere: {OnOff: []time.Duration{short, gap, short}, Every: 2 * time.Second},
	Stop:       {OnOff: []time.Duration{3 * time.Second}},
}

// Rhythm is the cue's rhythm. Its slice is shared: do not change it.
func (c Cue) Rhythm() Rhythm { return rhythms[c] }

// On reports whether sound and light are on at t after the cue's begin.
func (c Cue) On(t time.Duration) bool {
	r := rhythms[c]
	if t < 0 {
		return false
	}
	if r.Every > 0 {
		t %= r.Every
	}
	for i, d := range r.OnOff {
		if t < d {
			return i%2 == 0
		}
		t -= d
	}
	return false
}

// Length is how long the cue lasts once; a repeating cue's period.
func (c Cue) Length() time.Duration {
	r := rhythms[c]
	if r.Every > 0 {
		return r.Every
	}
	var sum time.Duration
	for _, d := range r.OnOff {
		sum += d
	}
	return sum
}
