package panel

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"mime"
	"net/http"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

// request is the JSON body of a command.
type request struct {
	Seen    *seen    `json:"seen"`
	Session *string  `json:"session"`   // lay-out
	Swimmer *string  `json:"swimmer"`   // lay-out, swimmer
	Pace    *string  `json:"pace"`      // steady
	Nudge   *float64 `json:"s_per_100"` // nudge
	Again   bool     `json:"again"`     // start: where the last swim was interrupted
	Confirm bool     `json:"confirm"`   // start: a pace that seems too fast is meant so
}

// seen is what the person saw when they gave the command.
type seen struct {
	Boot string  `json:"boot_id"` // may be left out
	Swim *uint64 `json:"swim_id"`
	Seq  *uint64 `json:"seq"`
	At   *int64  `json:"at_ms"`
}

const (
	mostBody      = 16 << 10
	answerWithin  = 2 * time.Second // for the loop to answer, which it does within a tick
	mostNudge     = 60.0
	slowestSteady = 1200.0 // s per 100
)

// settled are the commands that must not act on what has changed since it was seen: the second of two presses, or one that came as the block ended.
var settled = map[run.Command]bool{
	run.LayOut: true, run.Swimmer: true, run.Start: true, run.Steady: true, run.Resume: true, run.On: true, run.Skip: true, run.Back: true, run.Reset: true,
}

// stop stops. Nothing is asked, read or checked before the drive has it; the loop is told after.
func (p *Panel) stop(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), answerWithin)
	defer cancel()
	err := p.cfg.Sequencer.Do(ctx, sequencer.Command{What: run.Stop, By: sequencer.Panel})
	p.metrics.commands[run.Stop].Add(1)
	tellLog(r, run.Stop)
	if err != nil {
		refuse(w, inTime(err))
		return
	}
	if strings.Contains(r.Header.Get("Accept"), "text/html") { // the form of a page whose script does not run
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	p.done(w, nil)
}

// command carries out every other command.
func (p *Panel) command(w http.ResponseWriter, r *http.Request) {
	what, ok := run.ParseCommand(r.PathValue("command"))
	if !ok {
		refuse(w, fault.Of(fault.NoSuchPage))
		return
	}
	req, err := read(w, r)
	if err != nil {
		refuse(w, err)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), answerWithin)
	defer cancel()
	p.laying.Lock()
	warnings, err := p.carry(ctx, r, what, req)
	p.laying.Unlock()
	if err != nil {
		refuse(w, inTime(err))
		return
	}
	p.metrics.commands[what].Add(1)
	tellLog(r, what)
	p.done(w, warnings)
}

// tellLog says who commanded what, for whoever asks the next day why the water stopped.
func tellLog(r *http.Request, what run.Command) {
	slog.Info("commanded at the panel", "command", what.String(), "from", r.RemoteAddr)
}

// done answers a command that was taken with the status after it.
func (p *Panel) done(w http.ResponseWriter, warnings []told) {
	snap, _ := p.cfg.Sequencer.Snapshot()
	answer(w, http.StatusOK, struct {
		Taken    bool   `json:"taken"`
		Swim     uint64 `json:"swim_id"`
		Seq      uint64 `json:"seq"`
		State    string `json:"state"`
		Warnings []told `json:"warnings,omitempty"`
	}{true, snap.Swim, snap.Seq, snap.State.String(), warnings})
}

// inTime is an error of the loop as a person is told it.
func inTime(err error) error {
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return fault.Of(fault.LoopBusy)
	}
	return err
}

// carry does a command, looking first at whether the person can have seen what they act on.
func (p *Panel) carry(ctx context.Context, r *http.Request, what run.Command, req *request) ([]told, error) {
	snap, _ := p.cfg.Sequencer.Snapshot()
	saw, err := p.saw(&snap, what, req.Seen)
	if err != nil {
		return nil, err
	}
	c := sequencer.Command{What: what, By: sequencer.Panel, Seen: saw}
	switch what {
	case run.LayOut:
		if req.Session == nil {
			return nil, unclear("lay-out needs a session, as in {\"session\": \"first-swim\"}")
		}
		l, err := p.prepare(*req.Session, text(req.Swimmer))
		if err != nil {
			return nil, err
		}
		return warnings(l), p.commit(ctx, l, what, saw)
	case run.Swimmer:
		if req.Swimmer == nil {
			return nil, unclear("swimmer needs a name, as in {\"swimmer\": \"…\"}")
		}
		l := p.laid.Load()
		if l == nil || l.profile != snap.Profile {
			return nil, fault.Of(fault.NothingLaidOut)
		}
		if l, err = p.forSwimmer(l, *req.Swimmer); err != nil {
			return nil, err
		}
		return warnings(l), p.commit(ctx, l, what, saw)
	case run.Start:
		if err := p.mayStart(r); err != nil {
			return nil, err
		}
		if l := p.laid.Load(); l != nil && l.profile == snap.Profile && l.confirm && !req.Confirm && snap.State != run.CountIn {
			return nil, fault.Of(fault.Unconfirmed)
		}
		c.Again = req.Again
	case run.Steady:
		if snap.State != run.Running {
			if err := p.mayStart(r); err != nil {
				return nil, err
			}
		}
		if c.Pace, err = p.steadyPace(req.Pace, snap.Unit); err != nil {
			return nil, err
		}
	case run.Nudge:
		if req.Nudge == nil || math.Abs(*req.Nudge) > mostNudge || *req.Nudge == 0 {
			return nil, unclear(fmt.Sprintf("nudge needs s_per_100, from -%g to %g and not 0", mostNudge, mostNudge))
		}
		c.Nudge = *req.Nudge
	case run.Resume:
		if err := p.mayStart(r); err != nil {
			return nil, err
		}
	}
	return nil, p.cfg.Sequencer.Do(ctx, c)
}

// saw turns what was seen into what the sequencer judges. What lies ahead of now was seen in another life of the program.
func (p *Panel) saw(snap *sequencer.Snapshot, what run.Command, s *seen) (*sequencer.Seen, error) {
	if s == nil || s.Swim == nil || s.Seq == nil || s.At == nil {
		return nil, unclear(`every command but stop says what was seen, as in {"seen": {"swim_id": 1, "seq": 200, "at_ms": 10000}}, from the status`)
	}
	at := time.Duration(*s.At) * time.Millisecond
	early := *s.At < 0 || *s.At > snap.At.Milliseconds() || *s.Seq > snap.Seq
	if early || s.Boot != "" && s.Boot != p.boot || settled[what] && *s.Seq < snap.Changed {
		return nil, fault.Of(fault.Stale)
	}
	return &sequencer.Seen{Swim: *s.Swim, At: at}, nil
}

// mayStart says whether water may be started from where a request comes from.
func (p *Panel) mayStart(r *http.Request) error {
	switch from := p.cfg.Settings.StartFrom; {
	case from == "paired", from == "loopback" && local(r):
		return nil
	}
	return fault.Of(fault.StartNotHere)
}

// steadyPace reads a pace; whether this flume can give it is the planner's question.
func (p *Panel) steadyPace(s *string, unit units.Unit) (units.Pace, error) {
	if s == nil {
		return units.Pace{}, unclear(`steady needs a pace, as in {"pace": "1:40/100m"}`)
	}
	pace, err := units.ParsePace(*s, unit)
	if err != nil || pace.Seconds() > slowestSteady {
		return units.Pace{}, unclear(fmt.Sprintf(`pace %.40q: allowed is minutes:seconds per 100, as in "1:40/100m" or "1:40/100yd"`, *s))
	}
	return pace, nil
}

// warnings are the remarks on a session that was laid out.
func warnings(l *laid) []told {
	out := []told{}
	for _, r := range l.input.Remarks {
		t := told{Code: r.Code, Level: "notice", What: r.Text}
		if schedule.NeedsConfirming(r.Code) {
			t.Level = "confirm"
		}
		out = append(out, t)
	}
	return out
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// knows says whether somebody of that name is known; nobody named is always right.
func (p *Panel) knows(swimmer string) error {
	if swimmer == "" {
		return nil
	}
	if _, _, err := roster.Find(p.cfg.Settings, p.cfg.Store, swimmer); err != nil {
		return fault.Of(fault.NoSuchSwimmer)
	}
	return nil
}

// read reads a command's body: one JSON object, or nothing.
func read(w http.ResponseWriter, r *http.Request) (*request, error) {
	text, err := body(w, r, mostBody)
	if err != nil {
		return nil, err
	}
	req := new(request)
	if len(bytes.TrimSpace(text)) == 0 {
		return req, nil
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return nil, fault.Of(fault.WrongType)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(req); err != nil {
		return nil, unclear(plainly(err))
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, unclear("there is something after the JSON object")
	}
	return req, nil
}

// body reads no further than most bytes.
func body(w http.ResponseWriter, r *http.Request, most int64) ([]byte, error) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, most))
	var long *http.MaxBytesError
	switch {
	case errors.As(err, &long):
		return nil, fault.Of(fault.TooLarge)
	case err != nil:
		return nil, unclear("its text broke off")
	}
	return text, nil
}

// plainly is what is wrong with a JSON text, without the words of a programmer.
func plainly(err error) string {
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &kind):
		return fmt.Sprintf("%q cannot be a %s", kind.Field, kind.Value)
	case strings.HasPrefix(err.Error(), "json: unknown field "):
		return "it has an unknown key, " + strings.TrimPrefix(err.Error(), "json: unknown field ")
	}
	return "its text is not JSON"
}
