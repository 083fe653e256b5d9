package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

// display shows a swim: on a terminal one live line under what has happened, elsewhere a line for each thing that happens.
type display struct {
	out  io.Writer
	live bool
	l    *loaded
	plan run.Plan // what is swum; with turns, each block as it was asked of whoever swam it
	next string   // who swims next; empty without turns

	block     int // last one told
	state     run.State
	ask       bool
	simulated bool
	drawn     bool // the live line stands below
}

func newDisplay(out io.Writer, live bool, l *loaded) *display {
	return &display{out: out, live: live, l: l, plan: l.plan, block: -1}
}

func (d *display) begin(simulated bool, shared *turns) {
	d.simulated = simulated
	if shared == nil {
		fmt.Fprintf(d.out, "%s\n", d.l.summary())
	}
	if simulated {
		fmt.Fprintln(d.out, "SIMULATED drive: no real water moves.")
	}
	if d.live {
		fmt.Fprintln(d.out, "space: pause, resume; next in an open block   n: next   +: slower   -: faster")
		fmt.Fprintln(d.out, "Ctrl-C: come to rest; twice: stop at once   any other key: still there")
	}
	if shared != nil {
		d.next = shared.next().person.Name
		fmt.Fprintln(d.out, "s: in a pause, and at the end, the next swimmer")
	}
}

// takesOver shows that somebody else swims from here on, or all of it anew.
func (d *display) takesOver(l *loaded, block int, anew bool, next string) {
	plan := l.plan.Copy()
	text := l.person.Name + " begins."
	if !anew {
		copy(plan.Blocks[:min(block, len(plan.Blocks))], d.plan.Blocks)
		text = l.person.Name + " swims on. Space resumes after five seconds; s gives the water to " + next + "."
	}
	d.l, d.plan, d.next, d.block = l, plan, next, -1
	if !l.threshold.IsZero() {
		text = "Threshold " + l.threshold.In(l.session.Unit).String() + ": " + text
	}
	d.say(text)
}

// between sums up a swim that is over while others wait for theirs.
func (d *display) between(s sequencer.Snapshot, results []run.Result, t *turns) {
	var b strings.Builder
	if s.State == run.Finished {
		rehearse.WriteSwum(&b, d.plan, results, d.simulated)
	} else {
		b.WriteString("The start was taken back.\n")
	}
	fmt.Fprintf(&b, "s: %s starts it   space: %s starts it again   Ctrl-C: the end", t.next().person.Name, t.now().person.Name)
	for _, line := range strings.Split(b.String(), "\n") {
		d.say(line)
	}
	d.block = -1
}

// say puts a line above the live line.
func (d *display) say(s string) {
	if d.live {
		fmt.Fprintf(d.out, "\r\x1b[K%s\r\n", s)
		d.drawn = false
		return
	}
	fmt.Fprintln(d.out, s)
}

func (d *display) update(s sequencer.Snapshot) {
	if s.State != d.state {
		if t := d.stateText(s); t != "" {
			d.say(t)
		}
		d.state = s.State
	}
	if s.State == run.Running && s.Block != d.block {
		d.block = s.Block
		d.say(d.blockText(s))
	}
	if s.Ask && !d.ask {
		d.say(units.FormatTimeWhole(s.Elapsed) + "  " + fault.Of(fault.StillThere).Text())
	}
	d.ask = s.Ask
	if d.live && s.State.Under() {
		fmt.Fprintf(d.out, "\r\x1b[K%s", d.line(s))
		d.drawn = true
	}
}

func (d *display) stateText(s sequencer.Snapshot) string {
	at := units.FormatTimeWhole(s.Elapsed)
	switch s.State {
	case run.CountIn:
		if s.CountIn > 0 {
			if s.CountIn == 0 {
				return ""
			}
			return fmt.Sprintf("%s  The water starts in %s.", at, units.FormatTimeWhole(s.CountIn))
		}
	case run.Pausing:
		return at + "  Pausing: the water comes to rest."
	case run.Paused:
		text := at + "  Paused: the motor is off; what still moves runs out. Space resumes after five seconds."
		if d.next != "" {
			text += " s: " + d.next + " swims on."
		}
		return text
	case run.Stopping:
		if s.Block == s.Blocks {
			return at + "  Last block done; the water runs out."
		}
		return at + "  Coming to rest; the water still moves."
	case run.Stopped:
		return at + "  " + fault.Of(s.Reason).Text()
	case run.Finished:
		return at + "  The water is still."
	}
	return ""
}

func (d *display) blockText(s sequencer.Snapshot) string {
	b := s.Now
	what := b.Name
	if b.Of > 1 {
		what += fmt.Sprintf(" %d of %d", b.Round, b.Of)
	}
	out := fmt.Sprintf("%s  %s", units.FormatTimeWhole(s.Elapsed-s.InBlock), what)
	switch {
	case b.Extent == schedule.ByDistance:
		out += fmt.Sprintf(", %.0f %s", b.Distance.In(s.Unit), s.Unit)
	case b.Extent == schedule.Open:
		out += ", until you say on"
	case len(b.Leaves) > 0:
		out += ", until the send-off"
	default:
		out += ", " + units.FormatTime(b.Time)
	}
	if !b.Rest {
		out += " at " + pace(b) + d.elsewhere(b)
	}
	if b.Note != "" {
		out += " (" + b.Note + ")"
	}
	return out
}

// elsewhere is the same pace at the other places along the flume, where those were measured.
func (d *display) elsewhere(b schedule.Block) string {
	var at []string
	for _, o := range d.l.settings.Calibration.Stations {
		if o.Share != 1 && !b.TwoPace() {
			p := o.Speed(b.To.Speed()).Pace(b.To.Unit())
			at = append(at, o.Name+" "+units.FormatTimeWhole(secondsToDuration(p.Seconds())))
		}
	}
	if len(at) == 0 {
		return ""
	}
	return "; " + strings.Join(at, ", ")
}

func pace(b schedule.Block) string {
	if b.TwoPace() {
		return b.From.Clock() + " to " + b.To.String()
	}
	return b.To.String()
}

// line is the live line: block, time left, pace, distance, what comes next and its cue. Where the terminal is too narrow, the least important goes first.
func (d *display) line(s sequencer.Snapshot) string {
	water := s.Water.Pace(s.Unit).Clock()
	if s.Water.MetresPerSecond() < 0.2 {
		water = "–"
	}
	if d.simulated {
		water = "SIMULATED " + water
	}
	left := "space: next"
	switch {
	case s.State == run.CountIn:
		left = "starts in " + units.FormatTimeWhole(s.CountIn)
	case s.State != run.Running:
		left = s.State.String()
	case s.LeftKnown:
		left = units.FormatTimeWhole(s.Left) + " left"
	}
	var nudge, next, soon string
	if s.Nudge != 0 {
		nudge = fmt.Sprintf("%+g s", s.Nudge)
	}
	switch {
	case s.Next.Of > 0 && s.Next.Rest:
		next = "then rest"
	case s.Next.Of > 0:
		next = "then " + s.Next.From.Clock()
	}
	if s.Cue != cue.None && s.Cue != cue.CountIn && s.At-s.CueAt < 4*time.Second {
		soon = "» " + s.Cue.String()
	}
	parts := []string{
		fmt.Sprintf("%d of %d", min(s.Block+1, s.Blocks), s.Blocks), left, water + "/100" + s.Unit.String(),
		fmt.Sprintf("%.0f %s", s.Distance.In(s.Unit), s.Unit), nudge, next, soon,
	}
	const position, distance, nudged, then = 0, 3, 4, 5
	out := spaced(parts)
	for _, least := range []int{distance, nudged, position, then} {
		if utf8.RuneCountInString(out) < d.width() { // the last column stays free: some terminals wrap there
			break
		}
		parts[least] = ""
		out = spaced(parts)
	}
	return out
}

// spaced joins the parts that are there.
func spaced(parts []string) string {
	there := slices.DeleteFunc(slices.Clone(parts), func(p string) bool { return p == "" })
	return strings.Join(there, "  ")
}

// width is that of the terminal.
func (d *display) width() int {
	if f, ok := d.out.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
			return w
		}
	}
	return 80
}

// end sums up: asked beside what was delivered, a line a step, and what to do next.
func (d *display) end(s sequencer.Snapshot, results []run.Result, asked []time.Duration) {
	if d.drawn {
		fmt.Fprint(d.out, "\r\x1b[K")
	}
	fmt.Fprintln(d.out)
	rehearse.WriteSwum(d.out, d.plan, results, d.simulated)
	if len(asked) > 0 {
		times := make([]string, len(asked))
		for i, t := range asked {
			times[i] = units.FormatTimeWhole(t)
		}
		fmt.Fprintf(d.out, "Asked whether somebody is still there at %s; taken as answered at this rate.\n", strings.Join(times, ", "))
	}
	switch {
	case s.State == run.Stopped:
		fmt.Fprintf(d.out, "%s\n", fault.Of(s.Reason).Text())
	case s.State == run.Finished && s.Block == s.Blocks:
		fmt.Fprintln(d.out, "Done. Next: see where asked and swum differ with sequencerd rehearse, or change a pace in the file and swim again.")
	default:
		fmt.Fprintln(d.out, "Ended before the last block. Next: swim it again from the beginning with the same command.")
	}
}
