package panel

import (
	"fmt"
	"net/http"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// readWithin is how long one event may take to be read; who takes longer is dropped.
const readWithin = 2 * time.Second

// status answers with the latest snapshot.
func (p *Panel) status(w http.ResponseWriter, r *http.Request) {
	snap, _ := p.cfg.Sequencer.Snapshot()
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	w.Write(append(p.frame(&snap).text(p.mayAll(r)), '\n'))
}

// events is a stream of status events (Server-Sent Events of the HTML standard).
func (p *Panel) events(w http.ResponseWriter, r *http.Request) {
	me := p.hub.join()
	if me == nil {
		refuse(w, fault.Of(fault.TooMany))
		return
	}
	defer p.hub.leave(me)
	out := http.NewResponseController(w)
	out.SetReadDeadline(time.Time{}) // the request has been read
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	paired := p.mayAll(r)
	snap, _ := p.cfg.Sequencer.Snapshot()
	f := p.frame(&snap)
	var text []byte
	for last := uint64(0); ; {
		if f.seq > last || last == 0 {
			last = f.seq
			out.SetWriteDeadline(time.Now().Add(readWithin))
			text = fmt.Appendf(text[:0], "event: status\nretry: 1000\nid: %d\ndata: ", f.seq)
			text = append(append(text, f.text(paired)...), '\n', '\n')
			_, err := w.Write(text)
			if err == nil {
				err = out.Flush()
			}
			if err != nil {
				p.hub.drops.Add(1)
				return
			}
		}
		select {
		case <-r.Context().Done():
			return
		case f = <-me.box:
			paired = p.mayAll(r) // a device may have been revoked since
		}
	}
}
