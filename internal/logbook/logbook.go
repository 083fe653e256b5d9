// Package logbook turns what the loop tells into stored swims, without ever holding the loop up.
//
// The loop puts copies into a bounded channel and goes on. Here they become entries in memory, and go to the store in batches: at the end of a block, at
// the end of a swim, and every few seconds. A disk that is full, slow or broken is a caution; what could not be written is kept in memory and tried again.
package logbook

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/survey"
)

const (
	// Room is how many events the channel should hold: more than an hour of samples while a disk does not answer.
	Room = 4096
	// every is how often what is new is written, where nothing more urgent does: what the plug can take is no older.
	every = 5 * time.Second
	// slow is how long a write may take before it is a caution.
	slow = time.Second
	// mostWaiting is how many samples wait in memory for a disk, over five hours; then the oldest go.
	mostWaiting = 20_000
)

// Config is what a Logbook is made of.
type Config struct {
	Store     *store.Store // open for recording; the logbook does not close it
	Events    <-chan sequencer.Event
	Simulated bool
	Texts     store.Texts                 // limits, configuration and calibration that all swims are swum with; each swim's session comes with its plan
	Most      int64                       // bytes of the store beyond which the oldest samples go; 0 for store.DefaultMost
	Kept      func(swim int64, block int) // called once a block's end is on the disk; nil for nobody
}

// Logbook keeps swims. Run is for one goroutine; Status may be called from any.
type Logbook struct {
	cfg    Config
	open   *record      // the swim under way
	queue  []*record    // what is not all on the disk: in the order of swimming, the last one may be open
	last   *record      // the swim before
	lost   uint64       // events that the loop had no room for, as last told
	failed time.Time    // when a write failed last; zero after one that did not
	drift  survey.Drift // what the latest swims that were long enough said of motor and water
	status atomic.Pointer[Status]
}

// Status is how keeping goes.
type Status struct {
	Code    fault.Code   // a caution to show; empty where all is well
	Cause   error        // for the log
	Swim    int64        // the number of the swim under way, else of the latest; 0 before it is first written
	Waiting int          // swims that are not wholly on the disk
	Drift   survey.Drift // of motor and of water, each by the latest swim that was long enough to tell
}

// New makes a logbook.
func New(c Config) *Logbook {
	if c.Most == 0 {
		c.Most = store.DefaultMost
	}
	l := &Logbook{cfg: c}
	l.status.Store(&Status{})
	return l
}

// Status is how keeping goes at the moment.
func (l *Logbook) Status() Status { return *l.status.Load() }

// Run keeps swims until ctx is done; then it writes what is left. A disk that fails is no error of Run's: see Status.
func (l *Logbook) Run(ctx context.Context) error {
	timer := time.NewTimer(every)
	defer timer.Stop()
	for {
		urgent := false
		select {
		case <-ctx.Done():
			l.drain()
			if l.open != nil {
				l.end(l.open, fault.ProgramEnds)
				l.open = nil
			}
			l.write()
			return nil
		case e := <-l.cfg.Events:
			urgent = l.take(e)
			urgent = l.drain() || urgent
			if !urgent || !l.failed.IsZero() { // a disk that failed is not tried at every block
				continue
			}
		case <-timer.C:
		}
		l.write()
		timer.Reset(every)
	}
}

// drain takes all events that are there.
func (l *Logbook) drain() (urgent bool) {
	for {
		select {
		case e := <-l.cfg.Events:
			urgent = l.take(e) || urgent
		default:
			return urgent
		}
	}
}

// take notes one event, and reports whether it should be on the disk at once.
func (l *Logbook) take(e sequencer.Event) (urgent bool) {
	if e.Lost > l.lost && l.open != nil {
		l.open.miss(int(e.Lost - l.lost))
		slog.Warn("events of a swim were lost", "count", e.Lost-l.lost)
	}
	l.lost = e.Lost
	if e.Kind == sequencer.Judged && e.Code == fault.ClockSet {
		for _, r := range l.queue {
			r.relabel(e.At)
		}
	}
	switch e.Kind {
	case sequencer.Begun:
		l.begin(e, nil)
		return false
	case sequencer.Changed:
		if before := l.open; before != nil {
			l.end(before, fault.OtherSwimmer)
			l.begin(e, before)
		}
		return true
	}
	r := l.open
	if r == nil || r.number != e.Swim {
		return false // of a swim that is over, or none
	}
	switch e.Kind {
	case sequencer.BlockEnd:
		r.left(e)
		return true
	case sequencer.Given:
		r.happened(e, store.Happening{Kind: "command", What: e.Command.String(), By: e.By.String(), Code: e.Code, Nudge: e.Nudge})
	case sequencer.Judged:
		r.happened(e, store.Happening{Kind: "guard", What: levels[e.Level], Code: e.Code})
	case sequencer.Sample:
		r.sampled(e)
		l.forget()
	case sequencer.Ended:
		r.ended(e)
		l.end(r, e.Code)
		l.open = nil
		return true
	}
	return false
}

// levels are the guard's, as they are kept.
var levels = [...]string{"fine", "notice", "caution", "slow", "soft stop", "fast stop"}

// begin opens a swim. Where it takes up an interrupted one, that is the one before, or what the desk remembers of a former life of the program.
func (l *Logbook) begin(e sequencer.Event, before *record) {
	if l.open != nil && before == nil {
		l.end(l.open, fault.StoreMissed) // its end was never told
	}
	again := e.Place.Block > 0 || e.Place.Done.Time > 0
	if again && before == nil {
		before = l.last
	}
	for before != nil && !before.wet() { // a count-in that was taken back takes up nothing
		before = before.before
	}
	r := newRecord(e, &l.cfg, before)
	if again && before == nil {
		if d, err := l.cfg.Store.Desk(); err == nil && d.Interrupted != nil && d.Session == r.swim.Session {
			r.swim.Continues = d.Interrupted.Swim
		}
	}
	l.open, l.last = r, r
	l.queue = append(l.queue, r)
}

// end closes a swim, and says where its motor did not turn as ordered, or its water did not flow as calibrated.
func (l *Logbook) end(r *record, why fault.Code) {
	r.end(why)
	found := r.drift.Drift(survey.DefaultDriftLimits())
	if found.Motor.Known {
		l.drift.Motor = found.Motor
	}
	if found.Water.Known {
		l.drift.Water = found.Water
	}
	for _, n := range found.Notices() {
		r.note(store.Happening{Kind: "drift", What: n.Text, Code: n.Code})
		slog.Warn("a swim was not as calibrated", "text", n.Text, "code", n.Code)
	}
}

// forget drops the oldest samples where too many wait for a disk.
func (l *Logbook) forget() {
	waiting := 0
	for _, r := range l.queue {
		waiting += len(r.samples)
	}
	for _, r := range l.queue {
		if n := min(waiting-mostWaiting, len(r.samples)); n > 0 {
			r.samples = r.samples[n:]
			r.swim.Thinned = true
			waiting -= n
		}
	}
}

// write brings everything that is new to the disk.
func (l *Logbook) write() {
	var code fault.Code
	var err error
	if !l.failed.IsZero() {
		if code := l.Status().Code; code != fault.StoreFull && code != fault.StoreBusy {
			l.cfg.Store.Reopen() // the disk may be back, but the file under our hands is not
		}
	}
	began := time.Now()
	finished := false
	for err == nil && len(l.queue) > 0 {
		r := l.queue[0]
		if r.dirty && r.wet() {
			if err = l.cfg.Store.Write(r.entry()); err != nil {
				break
			}
			r.kept(l.cfg.Kept)
		}
		if r.swim.Outcome == store.UnderWay {
			break
		}
		l.queue = l.queue[1:]
		finished = true
	}
	switch {
	case err != nil:
		code = store.CodeOf(err)
	case time.Since(began) > slow:
		code = fault.StoreSlow
	case l.last != nil && l.last.swim.Missed > 0:
		code = fault.StoreMissed
	}
	l.failed = time.Time{}
	if err != nil {
		l.failed = time.Now()
	} else if finished {
		l.tidy()
	}
	l.tell(code, err)
}

// tidy keeps the store within its size between swims.
func (l *Logbook) tidy() {
	if err := l.cfg.Store.Tidy(l.cfg.Most); err != nil {
		slog.Warn("the store could not be tidied", "error", err)
	}
}

func (l *Logbook) tell(code fault.Code, cause error) {
	before := l.Status()
	now := Status{Code: code, Cause: cause, Waiting: len(l.queue), Drift: l.drift}
	if l.last != nil {
		now.Swim = l.last.swim.ID
	}
	l.status.Store(&now)
	if code != before.Code {
		if code == "" {
			slog.Info("swims are kept again")
			return
		}
		slog.Warn("keeping what is swum", "code", code, "error", cause)
	}
}
