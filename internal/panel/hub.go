package panel

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/sequencer"
)

// hub looks at the sequencer for everybody: each snapshot is written as JSON once, however many watch.
type hub struct {
	panel *Panel

	mu      sync.Mutex
	readers map[*reader]struct{}
	profile *ramp.Profile
	seq     uint64 // of the snapshot that profile is from
	plans   uint64 // profiles seen
	swum    swum
	drops   atomic.Uint64
}

// frame is a status as it goes over the wire, for those who are paired, and without names for those who are not.
type frame struct {
	seq         uint64
	full, plain []byte
}

// reader is one stream. Its box holds the latest frame only: whoever reads slowly misses some, and holds nobody up.
type reader struct{ box chan *frame }

// mostReaders is how many streams there may be.
const mostReaders = 256

// atLeast is the longest time between two events.
const atLeast = time.Second

func newHub(p *Panel) *hub { return &hub{panel: p, readers: map[*reader]struct{}{}} }

// plan is the number of a snapshot's profile: another one for another profile.
func (h *hub) plan(s *sequencer.Snapshot) uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	if s.Profile != h.profile && s.Seq > h.seq {
		h.profile = s.Profile
		h.plans++
		h.swum.begin(s.Profile)
	}
	h.seq = max(h.seq, s.Seq)
	return h.plans
}

// join adds a stream; nil where there are too many.
func (h *hub) join() *reader {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.readers) >= mostReaders {
		return nil
	}
	r := &reader{make(chan *frame, 1)}
	h.readers[r] = struct{}{}
	return r
}

func (h *hub) leave(r *reader) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.readers, r)
}

func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.readers)
}

// follow sends a frame at every change, every Refresh of a swim under way, and at least once a second.
func (h *hub) follow(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		snap, changed := h.panel.cfg.Sequencer.Snapshot()
		h.look(&snap)
		wait := atLeast
		if snap.State.Under() || snap.Motor.RPM() > 0 {
			wait = min(wait, h.panel.cfg.Refresh)
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		case <-timer.C:
		}
	}
}

// together is how many streams are woken at once, and between is the time until the next. All of them at once would stand in the queue before the control
// loop, which is to run within a millisecond.
const (
	together = 8
	between  = 500 * time.Microsecond
)

// look notes what was swum, and gives the frame to all, a few at a time.
func (h *hub) look(s *sequencer.Snapshot) {
	f := h.panel.frame(s)
	h.mu.Lock()
	all := slices.Collect(maps.Keys(h.readers))
	h.mu.Unlock()
	for i, r := range all {
		if i > 0 && i%together == 0 {
			time.Sleep(between)
		}
		select {
		case <-r.box:
		default:
		}
		select {
		case r.box <- f:
		default: // somebody else was quicker, with as new a frame
		}
	}
}

// frame writes a snapshot as JSON.
func (p *Panel) frame(s *sequencer.Snapshot) *frame {
	st := p.describe(s)
	p.hub.note(s, st)
	f := &frame{seq: s.Seq}
	f.full, _ = json.Marshal(st)          // numbers are finite: it cannot fail
	st.Swimmer, st.Session = "", st.Title // the name of a file may have a swimmer's in it
	f.plain, _ = json.Marshal(st)
	return f
}

func (f *frame) text(paired bool) []byte {
	if paired {
		return f.full
	}
	return f.plain
}
