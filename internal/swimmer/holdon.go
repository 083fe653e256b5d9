package swimmer

import (
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// HoldOn is a hold-on test. In a flume the water sets the pace, so a timed 400 measures nothing. Instead the water keeps a steady pace above the threshold,
// and somebody says on when the swimmer slips back; how long that was, and how far, is a timed swim.
type HoldOn struct {
	Blocks  []Hold // the slowest first: where the threshold is not what was thought, it shows at once
	Unit    units.Unit
	Reserve units.Distance // that the times are expected by
	Assumed bool           // the reserve is not the swimmer's own
}

// Hold is one block of it.
type Hold struct {
	Pace     units.Pace // to the tenth
	Expected time.Duration
}

// HoldName begins the name of every block whose time and distance go into the fit.
const HoldName = "Hold on"

// HoldCap ends a block that is held for longer than the relation is known for. Such a block is no timed swim: the swimmer could have gone on.
const HoldCap = Longest

// AssumedReserve is taken where a swimmer's own is not known, m. Published: 9.6 to 17.1 for groups of juniors, 23.3 (6.2) for adults by trials (IJSPP 2018).
const AssumedReserve = 16.0

// spread is how much the time to exhaustion at one pace scatters from day to day, as a share of it: our own assumption, for what the test will tell.
const spread = 0.1

// aims are the times aimed at, within 2 to 15 minutes. The longer they are, the more the test tells, and the sooner a threshold that is a little faster than
// was thought makes a pace that never ends: so they are short until a test with an error of its own has been swum in the flume.
var aims = map[int]struct{ first, again []time.Duration }{
	3: {[]time.Duration{420 * time.Second, 240 * time.Second, 150 * time.Second}, []time.Duration{660 * time.Second, 360 * time.Second, 180 * time.Second}},
	4: {[]time.Duration{420 * time.Second, 270 * time.Second, 190 * time.Second, 140 * time.Second}, []time.Duration{660 * time.Second, 420 * time.Second, 270 * time.Second, 165 * time.Second}},
}

// leadIn is swum before each block, a little slower than the threshold, so that the change to the pace costs nothing that counts.
const (
	leadIn      = 30 * time.Second
	leadInSlow  = 8.0 // s per 100 m
	mostExpects = 14 * time.Minute
)

// PlanHoldOn chooses three or four paces from what is known. The threshold is the one that counts in the flume; a reserve of nothing or less is not
// known; sure says that both are from three or more flume swims. A flume or a swimmer's cap that is too slow for the test is an error.
func PlanHoldOn(threshold units.Speed, reserve units.Distance, sure bool, blocks int, u units.Unit, fastest units.Speed) (HoldOn, error) {
	aim, ok := aims[blocks]
	if !ok {
		return HoldOn{}, fmt.Errorf("%d blocks: allowed is 3 or 4", blocks)
	}
	if err := CheckThreshold(threshold.Pace(u)); err != nil {
		return HoldOn{}, err
	}
	h, times := HoldOn{Unit: u, Reserve: reserve}, aim.again
	r := min(max(reserve.Metres(), 6), 40) // no pace is chosen by a reserve that hardly anybody has
	switch {
	case !(reserve.Metres() > 0):
		h.Reserve, h.Assumed, times = units.Metres(AssumedReserve), true, aim.first
	case !sure: // two-distance reserves scatter by 13 to 45 % (PMC10875687): half of it is what most people have
		h.Reserve, times = units.Metres((r+AssumedReserve)/2), aim.first
	default:
		h.Reserve = units.Metres(r)
	}
	cs, d := threshold.MetresPerSecond(), h.Reserve.Metres()
	for _, t := range times {
		pace := units.MetresPerSecond(cs + d/t.Seconds()).Pace(u)
		pace = units.PacePer100(math.Round(pace.Seconds()*10)/10, u)
		over := pace.Speed().MetresPerSecond() - cs
		if pace.Speed().MetresPerSecond() > fastest.MetresPerSecond() {
			return HoldOn{}, fmt.Errorf("the test needs %s, and the fastest here is %s", pace, fastest.Pace(u))
		}
		if t := seconds(d / over); over > 0 && t <= mostExpects {
			h.Blocks = append(h.Blocks, Hold{pace, t})
			continue
		}
		return HoldOn{}, fmt.Errorf("a reserve of %.1f m is too little for paces that differ by a tenth", d)
	}
	return h, nil
}

// Tells is how sure the threshold will be, as the half width of its band in seconds per 100 of the unit in 95 of 100 cases, if holding times scatter by a
// tenth from day to day: with all blocks, and without the slowest, which is the first that does not count where the threshold is faster than was thought.
// Two blocks tell no error: then without is infinite.
func (h HoldOn) Tells() (all, without float64) {
	return h.tells(h.Blocks), h.tells(h.Blocks[1:])
}

func (h HoldOn) tells(blocks []Hold) float64 {
	n, mean, sxx := float64(len(blocks)), 0.0, 0.0
	if n < 3 {
		return math.Inf(1)
	}
	for _, b := range blocks {
		mean += b.Expected.Seconds() / n
	}
	for _, b := range blocks {
		sxx += (b.Expected.Seconds() - mean) * (b.Expected.Seconds() - mean)
	}
	// A holding time that is off by a share of itself is off the line by that share of the reserve.
	se := spread * h.Reserve.Metres() / math.Sqrt(sxx)
	p := h.Blocks[0].Pace
	return p.Seconds() / p.Speed().MetresPerSecond() * quantile(n-2) * se
}

// Says is what the test will tell and how surely, in words.
func (h HoldOn) Says() string {
	all, without := h.Tells()
	text := fmt.Sprintf("It tells the threshold to about %.1f s per 100 %s either way, in 95 of 100 cases, if holding times scatter by a tenth", all, h.Unit)
	if !math.IsInf(without, 1) {
		return text + fmt.Sprintf("; without one of its blocks to about %.0f s.", math.Ceil(without))
	}
	return text + "; without one of its blocks it tells no error."
}

// Session writes the test as a session file for a swimmer; the threshold is the one in the flume.
func (h HoldOn) Session(swimmer string, threshold units.Speed) string {
	var b strings.Builder
	easy := units.PacePer100(threshold.Pace(units.Metre).Seconds()+leadInSlow, units.Metre).In(h.Unit).Clock()
	warm := units.PacePer100(threshold.Pace(units.Metre).Seconds()*1.2, units.Metre).In(h.Unit).Clock()
	fmt.Fprintf(&b, "# A hold-on test for %s, from a threshold of %s.\n", plain(swimmer), threshold.Pace(h.Unit))
	fmt.Fprintf(&b, "# NEVER without somebody watching at the wall or the panel, from the first block to the last.\n")
	fmt.Fprintf(&b, "# %s\n", h.Says())
	fmt.Fprintf(&b, "format = 1\ntitle = \"Hold-on test\"\nunit = \"%s\"\n", h.Unit)
	fmt.Fprintf(&b, "notes = \"\"\"\nNever without somebody watching.\nSwim with the water as long as you can. When you slip back, whoever watches says on (a press at the wall, the panel, the space bar).\n")
	fmt.Fprintf(&b, "Rest until you are fresh again, better on another day: then finish here, and skip to the next block that day.\nA pause, a nudge or a skip in a block, and its cap of %s, leave it out of the threshold.\n\"\"\"\n",
		units.FormatTime(HoldCap))
	fmt.Fprintf(&b, "\n[[step]]\nname = \"Warm-up\"\nkind = \"warm-up\"\ntime = \"8:00\"\npace = \"%s\"\n", warm)
	for i, hold := range h.Blocks {
		fmt.Fprintf(&b, "\n[[step]]\nname = \"Rest before %d\"\nrest = \"open\"\n", i+1)
		fmt.Fprintf(&b, "\n[[step]]\nname = \"Lead-in %d\"\ntime = \"%s\"\npace = \"%s\"\n", i+1, units.FormatTime(leadIn), easy)
		fmt.Fprintf(&b, "\n[[step]]\nname = \"%s %d\"\nkind = \"main\"\nnote = \"about %s expected; on ends it\"\nopen = true\ncap = \"%s\"\npace = \"%s\"\n",
			HoldName, i+1, units.FormatTimeWhole(hold.Expected), units.FormatTime(HoldCap), hold.Pace.Clock())
	}
	fmt.Fprintf(&b, "\n[[step]]\nname = \"Easy\"\nkind = \"cool-down\"\ntime = \"5:00\"\npace = \"%s\"\n", warm)
	return b.String()
}

// plain is a name on one line of a comment.
func plain(name string) string { return strings.Join(strings.Fields(name), " ") }

// Held is a block of a hold-on test as it was delivered.
type Held struct {
	Swim      int64 // the number of the swim that it is in
	Block     int
	Swum      Figure
	Cap       time.Duration // zero where not known
	Disturbed bool          // by a pause, a nudge, a skip, the guard, or events that were lost
	Date      time.Time
	Simulated bool
}

// Counts gives the timed swim that a block of a test is; else why it is none.
func (h Held) Counts() (s Swim, why string) {
	s = Swim{Distance: h.Swum.Distance, Time: h.Swum.Time, Date: h.Date, Where: Flume, Simulated: h.Simulated}
	switch {
	case h.Disturbed:
		return s, "it was disturbed: a pause, a nudge, a skip or a stop"
	case h.Cap > 0 && h.Swum.Time >= h.Cap-500*time.Millisecond:
		return s, "held to the cap: the pace was below what would end it, and the threshold is probably faster"
	case h.Swum.Time < 45*time.Second:
		return s, "too short to say anything"
	}
	if err := s.Check(); err != nil {
		return s, err.Error()
	}
	return s, ""
}
