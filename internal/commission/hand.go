package commission

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/sequencer"
)

// Hand is the installer, at a terminal or a page.
type Hand interface {
	// Say tells something, a sentence or a few.
	Say(text string)
	// Ask puts a question and waits for its answer, as typed. It returns ErrLater where the installer would rather go on another time.
	Ask(ctx context.Context, q Question) (string, error)
	// StopKey says how the motor is stopped from where the hand is, as in "press Ctrl-C"; empty where it cannot be.
	StopKey() string
}

// Question is what an installer is asked.
type Question struct {
	Text    string
	Choices []string // one of these; empty for free text
	Timed   bool     // times in seconds are asked: a hand with a watch may offer it
}

// work is one part under way.
type work struct {
	*Course
	part Part
	done Done

	agreed uint64 // stops pressed before the installer was last asked for a go, as the drive counts them

	calibration *Calibrated // what the part measured of the water; nil where it did not
	inertia     *RunOut
	places      []PlaceShare
	installer   string
	electrician string
}

func (w *work) say(format string, args ...any) { w.cfg.Hand.Say(fmt.Sprintf(format, args...)) }

// good notes what was found to be well; bad what was not, with what to do about it; noted what is to be known.
func (w *work) good(what, value, bound string) {
	w.note(Finding{What: what, Value: value, Bound: bound, Good: true})
}

func (w *work) bad(what, value, bound, do string) {
	w.note(Finding{What: what, Value: value, Bound: bound, Do: do})
}

func (w *work) noted(what, value string) {
	w.note(Finding{What: what, Value: value, Good: true, Note: true})
}

func (w *work) note(f Finding) {
	w.done.Findings = append(w.done.Findings, f)
	w.say("%s", f.String())
}

// within notes a measurement against a bound.
func (w *work) within(ok bool, what, value, bound, do string) {
	if ok {
		w.good(what, value, bound)
	} else {
		w.bad(what, value, bound, do)
	}
}

// notFitted ends a part about something that is not there.
func (w *work) notFitted(text string) error {
	w.done.NotFitted = true
	w.say("%s", text)
	return nil
}

// yes asks what can be answered so or so.
func (w *work) yes(ctx context.Context, format string, args ...any) (bool, error) {
	a, err := w.choose(ctx, fmt.Sprintf(format, args...), "yes", "no")
	return a == "yes", err
}

func (w *work) choose(ctx context.Context, text string, choices ...string) (string, error) {
	for {
		a, err := w.cfg.Hand.Ask(ctx, Question{Text: text, Choices: choices})
		if err != nil {
			return "", err
		}
		a = strings.ToLower(strings.TrimSpace(a))
		for _, c := range choices {
			if a == c || len(a) == 1 && a[0] == c[0] {
				return c, nil
			}
		}
		w.say("%q is not among %s.", a, strings.Join(choices, ", "))
	}
}

// confirmed notes something that only a person can know: yes is well.
func (w *work) confirmed(ctx context.Context, what, question, do string) error {
	ok, err := w.yes(ctx, "%s", question)
	if err == nil {
		w.within(ok, what, map[bool]string{true: "yes", false: "no"}[ok], "yes", do)
	}
	return err
}

// text asks for free text that is not empty.
func (w *work) text(ctx context.Context, question string) (string, error) {
	for {
		a, err := w.cfg.Hand.Ask(ctx, Question{Text: question})
		if a = strings.TrimSpace(a); err != nil || a != "" && len(a) <= mostText {
			return a, err
		}
		w.say("Something has to stand here, of at most %d characters.", mostText)
	}
}

// numbers asks for numbers, parted by blanks: at least and at most so many, each from lo to hi. unit is for the sentence where one is not.
func (w *work) numbers(ctx context.Context, question string, least, most int, lo, hi float64, unit string) ([]float64, error) {
	for {
		a, err := w.cfg.Hand.Ask(ctx, Question{Text: question, Timed: unit == "s"})
		if err != nil {
			return nil, err
		}
		out, wrong := parseNumbers(a, least, most, lo, hi, unit)
		if wrong == "" {
			return out, nil
		}
		w.say("%s", wrong)
	}
}

func parseNumbers(text string, least, most int, lo, hi float64, unit string) (out []float64, wrong string) {
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseFloat(f, 64)
		switch {
		case err != nil && strings.Contains(f, ","):
			return nil, fmt.Sprintf("%s: a decimal is written with a point here, and numbers are parted by blanks: %s", f, strings.ReplaceAll(f, ",", "."))
		case err != nil || math.IsNaN(v) || !(v >= lo && v <= hi):
			return nil, fmt.Sprintf("%s: allowed is a number from %g to %g %s", f, lo, hi, unit)
		}
		out = append(out, v)
	}
	switch {
	case len(out) >= least && len(out) <= most:
		return out, ""
	case most == 1:
		return nil, fmt.Sprintf("One number is asked, from %g to %g %s.", lo, hi, unit)
	}
	return nil, fmt.Sprintf("%d numbers: asked are %d to %d, parted by blanks.", len(out), least, most)
}

// await waits, with the installer's patience, for something to be seen.
func (w *work) await(ctx context.Context, seen func(*sequencer.Snapshot) bool) (bool, error) {
	return w.until(ctx, w.cfg.Patience, seen)
}

// until waits so long for something to be seen.
func (c *Course) until(ctx context.Context, patience time.Duration, seen func(*sequencer.Snapshot) bool) (bool, error) {
	look := time.NewTicker(sequencer.Tick / 2)
	defer look.Stop()
	end := time.NewTimer(patience)
	defer end.Stop()
	for {
		if s, _ := c.cfg.Sequencer.Snapshot(); seen(&s) {
			return true, nil
		}
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-end.C:
			return false, nil
		case <-look.C:
		}
	}
}
