package logbook

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// mostHappenings is how many commands and guard levels are kept of a swim. Somebody leaning on a key makes more.
const mostHappenings = 5000

// record is a swim in memory, and what of it is not on the disk yet.
type record struct {
	swim   store.Swim
	number uint64 // the loop's

	began    time.Duration // on the loop's clock
	clock    time.Duration // of the swim when it began: not zero where it takes up another
	distance units.Distance
	carried  ramp.Progress // swum of its first block by the swim that it takes up
	carries  bool
	before   *record // that swim, where this process swam it

	blocks     []store.Block
	fresh      []int // numbers of blocks not on the disk as they are
	told       []int // of those, whose end somebody waits to hear of
	happenings []store.Happening
	happening  int            // how many there were
	samples    []store.Sample // all of the minute that the first one not on the disk is in, and later ones
	drift      drift
	dirty      bool
}

func newRecord(e sequencer.Event, c *Config, before *record) *record {
	p := &e.Plan
	r := &record{
		number: e.Swim, began: e.At, clock: e.Clock, distance: e.Distance, before: before, dirty: true,
		carried: e.Place.Done, carries: e.Place.Done.Time > 0,
		swim: store.Swim{
			Began: time.Now(), Title: p.Title, Swimmer: p.Swimmer, Unit: p.Unit, Threshold: p.Threshold, Simulated: c.Simulated,
			At: place(e.Place), Blocks: len(p.Blocks), Texts: c.Texts,
		},
		blocks: make([]store.Block, len(p.Blocks)), fresh: make([]int, len(p.Blocks)),
	}
	r.swim.Session = p.Text
	asked := schedule.Asked(p.Blocks)
	for i, b := range p.Blocks {
		r.fresh[i] = i
		r.blocks[i] = store.Block{
			Number: i, Name: b.Name, Kind: b.Kind, Round: b.Round, Of: b.Of, Rest: b.Rest, From: b.From, To: b.To,
			Asked: store.Figure{Time: asked[i].Time, Distance: asked[i].Distance},
		}
		if p.Profile != nil && i < len(p.Profile.Spans()) {
			s := &p.Profile.Spans()[i]
			r.blocks[i].Planned = store.Figure{Time: s.Duration, Distance: s.Distance}
		}
	}
	return r
}

func place(p run.Place) store.Place {
	return store.Place{Block: p.Block, Time: p.Done.Time, Distance: p.Done.Distance, SecondPace: p.Done.InS}
}

// passes brings the figures of the whole swim up to an event.
func (r *record) passes(e sequencer.Event) {
	r.swim.Passed = e.At - r.began
	r.swim.Swum = store.Figure{Time: e.Clock - r.clock, Distance: less(e.Distance, r.distance)}
	r.dirty = true
}

func less(a, b units.Distance) units.Distance { return units.Metres(a.Metres() - b.Metres()) }

// relabel puts the label of when it began right, after the clock of the computer was set; now is on the loop's clock.
func (r *record) relabel(now time.Duration) {
	r.swim.Began = time.Now().Add(r.began - now)
	r.dirty = true
}

// left notes a block's end.
func (r *record) left(e sequencer.Event) {
	r.passes(e)
	if e.Block >= len(r.blocks) {
		return
	}
	b := &r.blocks[e.Block]
	b.Swum = store.Figure{Time: e.Result.Time, Distance: e.Result.Distance}
	if r.carries && e.Block == r.swim.At.Block { // what was swum of it before belongs to that swim
		b.Swum = store.Figure{Time: b.Swum.Time - r.carried.Time, Distance: less(b.Swum.Distance, r.carried.Distance)}
	}
	r.carries = false
	b.Left, b.Was, b.Done = r.swim.Passed, true, e.Result.Done
	r.fresh = append(r.fresh, e.Block)
	r.told = append(r.told, e.Block)
	if r.swim.At.Block <= e.Block { // until the next sample says better
		r.swim.At = store.Place{Block: e.Block + 1}
		if !e.Result.Done {
			r.swim.At = store.Place{Block: e.Block, Time: e.Result.Time, Distance: e.Result.Distance}
		}
	}
}

func (r *record) happened(e sequencer.Event, h store.Happening) {
	r.passes(e)
	r.note(h)
}

func (r *record) note(h store.Happening) {
	if r.happening == mostHappenings {
		r.swim.Missed++
		return
	}
	h.Number, h.At = r.happening, r.swim.Passed
	r.happening++
	r.happenings = append(r.happenings, h)
}

func (r *record) sampled(e sequencer.Event) {
	r.passes(e)
	r.swim.At = place(e.Place)
	r.drift.sampled(e)
	r.samples = append(r.samples, store.Sample{
		At: r.swim.Passed, Block: e.Place.Block, Wish: e.Wish, Water: e.Water, Motor: e.Motor, Distance: r.swim.Swum.Distance,
	})
}

// ended notes where the swim came to its end.
func (r *record) ended(e sequencer.Event) {
	r.passes(e)
	r.swim.At = place(e.Place)
}

func (r *record) end(why fault.Code) {
	r.dirty = true
	r.swim.Code = why
	switch {
	case r.swim.At.Block >= len(r.blocks):
		r.swim.Outcome = store.Finished
	case why == "": // a count-in that was taken back
		r.swim.Outcome, r.swim.Code = store.ByPerson, fault.PersonStop
	case why == fault.PersonStop, why == fault.StopPressed, why == fault.OtherSwimmer:
		r.swim.Outcome = store.ByPerson
	case why == fault.StoreMissed:
		r.swim.Outcome = store.Lost
	default:
		r.swim.Outcome = store.ByGuard
	}
}

func (r *record) miss(n int) {
	r.swim.Missed += n
	r.dirty = true
}

// wet reports whether the water has moved: a count-in that was taken back is no swim.
func (r *record) wet() bool { return r.swim.ID != 0 || r.swim.Swum.Time > 0 }

// entry is what the disk does not have yet.
func (r *record) entry() store.Entry {
	e := store.Entry{Swim: &r.swim, Happenings: r.happenings, Samples: r.samples}
	if r.before != nil {
		r.swim.Continues = r.before.swim.ID
	}
	for _, i := range r.fresh {
		e.Blocks = append(e.Blocks, r.blocks[i])
	}
	return e
}

// kept is called when the disk has all of entry.
func (r *record) kept(tell func(int64, int)) {
	for _, i := range r.told {
		if tell != nil {
			tell(r.swim.ID, i)
		}
	}
	r.fresh, r.told, r.happenings, r.dirty, r.before = r.fresh[:0], r.told[:0], r.happenings[:0], false, nil
	if n := len(r.samples); n > 0 {
		first := n - 1 // of the last sample's minute, which is written again with the next ones
		for first > 0 && r.samples[first-1].At/time.Minute == r.samples[n-1].At/time.Minute {
			first--
		}
		r.samples = append(r.samples[:0], r.samples[first:]...)
	}
}
