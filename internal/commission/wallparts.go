package commission

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"
	"strings"

	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/wall"
	"time"
)

// boardAndPeople: who is here, what is wired, and what no software can find out.
func boardAndPeople(ctx context.Context, w *work) (err error) {
	if w.installer, err = w.text(ctx, "Your name, for the record"); err != nil {
		return err
	}
	if w.electrician, err = w.text(ctx, "The licensed electrician's name and licence, for the record"); err != nil {
		return err
	}
	w.noted("Installer", w.installer)
	w.noted("Electrician", w.electrician)
	w.noted("Computer", cmp.Or(w.cfg.Board, "one that does not say what it is")+", "+runtime.GOARCH)
	c := w.cfg.Settings.Wall
	if c.Present() {
		var pins []string
		for _, p := range wall.Pins() {
			if at, ok := c.Fitted()[p]; ok {
				pins = append(pins, p.Key()+" = "+at)
			}
		}
		slices.Sort(pins)
		w.noted("Pins", strings.Join(pins, ", "))
		if err := w.confirmed(ctx, "Each wire is on the terminal of its pin", "Is each of these wires on the terminal of its pin?",
			"put it right with the power off, or change [wall] in the configuration"); err != nil {
			return err
		}
	} else {
		w.noted("Wall", "no buttons are wired to this computer")
	}
	for _, q := range []struct{ what, question, do string }{
		{"Emergency stop by wire", "Is there an emergency stop in the swimmer's reach that takes the drive's enable or power away by wire, with no software in between, and did you try it today with the drive switched on?",
			"wire one: this program is no safety device, and does not replace it"},
		{"Protection and bonding", "Has the electrician tested protective device (RCD or GFCI), bonding and supply under the local code?",
			"have it done before anybody is in the water: local code decides"},
		{"Covers", "Are the covers of outlet and suction in place, undamaged and within their service life?", "fit covers that comply with the local rules"},
		{"Start command", "Does the drive start on nothing but this link: no start at power-up, none from its own panel?", "set the drive's command source, and its behaviour at power-up"},
		{"Rotation lock", "Is the drive set to refuse to turn backwards?", "set its rotation lock"},
	} {
		if err := w.confirmed(ctx, q.what, q.question, q.do); err != nil {
			return err
		}
	}
	return nil
}

// stop is what the stop input says, in words.
var stopWords = map[bool]string{true: "pressed", false: "released"}

// stopButton: pressed, released, and the wire opened. A contact that closes when it is pressed is found before anybody relies on it.
func stopButton(ctx context.Context, w *work) error {
	s, _ := w.cfg.Sequencer.Snapshot()
	if s.Wall.Stop == safety.Absent {
		return w.notFitted("No stop button is wired to this computer (wall.stop_pin). The emergency stop by wire is the only one by hand.")
	}
	if err := w.go_(ctx, "Leave the stop button released."); err != nil {
		return err
	}
	pressed := func(s *sequencer.Snapshot) bool { return s.Wall.Stop == safety.Bad }
	released := func(s *sequencer.Snapshot) bool { return s.Wall.Stop == safety.Good }
	if ok, err := w.until(ctx, time.Second, released); err != nil {
		return err
	} else if !ok {
		return w.stopReadsPressed(ctx, released)
	}
	w.good("Released, it reads", "released", "released")
	for _, step := range []struct {
		say, what string
		seen      func(*sequencer.Snapshot) bool
		want, do  string
	}{
		{"Press the stop button, and hold it.", "Pressed, it reads", pressed, "pressed", "look for a short between its wires, and whether it is on the pin of wall.stop_pin"},
		{"Release it.", "Released again, it reads", released, "released", "look whether it sticks"},
		{"Take one of its wires off the terminal.", "With the wire off, it reads", pressed, "pressed", "the input has to read a broken wire as pressed: pull it down, and switch the supply through a normally closed contact"},
		{"Put the wire back.", "With the wire back, it reads", released, "released", "look at the terminal"},
	} {
		w.say("%s", step.say)
		ok, err := w.await(ctx, step.seen)
		if err != nil {
			return err
		}
		s, _ := w.cfg.Sequencer.Snapshot()
		w.within(ok, step.what, stopWords[s.Wall.Stop != safety.Good], step.want, step.do)
		if !ok {
			return nil
		}
	}
	return nil
}

// stopReadsPressed finds out why a released button reads pressed.
func (w *work) stopReadsPressed(ctx context.Context, released func(*sequencer.Snapshot) bool) error {
	w.say("Press the stop button, and hold it.")
	open, err := w.await(ctx, released)
	if err != nil {
		return err
	}
	if open {
		w.bad("Released, it reads", "pressed; and pressed, released", "released",
			"the contact is wired normally open: a broken wire would look like a released button. Use the normally closed contact")
		return nil
	}
	w.bad("Released, it reads", "pressed, either way", "released", "the wire is open, or on another pin than wall.stop_pin, or its supply is missing")
	return nil
}

// go_ waits until the installer says that something is done. It is the deliberate act that lets a motor start again which somebody had stopped before that was
// asked: a stop since then may have been meant for the answer that was on its way.
func (w *work) go_(ctx context.Context, text string) error {
	s, _ := w.cfg.Sequencer.Snapshot()
	w.agreed = s.Drive.Pressed
	_, err := w.choose(ctx, text+" Ready?", "yes")
	return err
}

// buttons: each is pressed once, and has to be the one that answers.
func buttons(ctx context.Context, w *work) error {
	kinds := []struct {
		pin  wall.Pin
		kind wall.Kind
		name string
	}{{wall.PressPin, wall.Pressed, "press"}, {wall.SlowerPin, wall.Slower, "slower"}, {wall.FasterPin, wall.Faster, "faster"}, {wall.SkipPin, wall.Skip, "skip"}}
	any := false
	for _, k := range kinds {
		if _, ok := w.cfg.Settings.Wall.Fitted()[k.pin]; !ok {
			continue
		}
		any = true
		s, _ := w.cfg.Sequencer.Snapshot()
		before := s.Buttons
		w.say("Press the %q button once, shortly.", k.name)
		got := wall.Kind(0)
		ok, err := w.await(ctx, func(s *sequencer.Snapshot) bool {
			got = s.Button
			return s.Buttons > before && s.Button != wall.Held && s.Button != wall.HeldReleased
		})
		if err != nil {
			return err
		}
		what := fmt.Sprintf("The %q button answers as", k.name)
		switch {
		case !ok:
			w.bad(what, "nothing", k.name, fmt.Sprintf("look at its wires, wall.%s, and wall.buttons_to", k.pin.Key()))
		case got != k.kind:
			w.bad(what, buttonName(got), k.name, fmt.Sprintf("it is wired to the pin of %q: swap the two wires, or the two pins in [wall]", buttonName(got)))
		default:
			w.good(what, k.name, k.name)
		}
	}
	if !any {
		return w.notFitted("No other buttons are wired to this computer.")
	}
	return nil
}

func buttonName(k wall.Kind) string {
	switch k {
	case wall.Slower:
		return "slower"
	case wall.Faster:
		return "faster"
	case wall.Skip:
		return "skip"
	}
	return "press"
}

// signals: lamp and beeper are switched on one after the other.
func signals(ctx context.Context, w *work) error {
	pins := w.cfg.Settings.Wall.Fitted()
	_, lamp := pins[wall.LampPin]
	_, beeper := pins[wall.BeeperPin]
	if !lamp && !beeper {
		return w.notFitted("Neither lamp nor beeper is wired to this computer.")
	}
	for _, t := range []struct {
		there bool
		trial sequencer.Trial
		name  string
		does  string
	}{{lamp, sequencer.Trial{Lamp: true}, "lamp", "light"}, {beeper, sequencer.Trial{Beeper: true}, "beeper", "sound"}} {
		if !t.there {
			continue
		}
		if err := w.cfg.Sequencer.Try(ctx, t.trial, 5*time.Second); err != nil {
			return err
		}
		if err := w.confirmed(ctx, "The "+t.name+" works", fmt.Sprintf("For five seconds the %s is on. Did it %s?", t.name, t.does), "look at its wires and supply, and its pin in [wall]"); err != nil {
			return err
		}
	}
	return nil
}

// sensors: each changes when it is made to, and comes back.
func sensors(ctx context.Context, w *work) error {
	any := false
	s, _ := w.cfg.Sequencer.Snapshot()
	for _, t := range []struct {
		name, to, back, well, ill, do string
		input                         func(*sequencer.Snapshot) safety.Signal
	}{
		{"occupancy sensor", "Make sure that the occupancy sensor sees nobody.", "Step where it sees you.", "somebody", "nobody", "it is stuck, or on another pin than wall.occupancy_pin: look whether its own lamp follows",
			func(s *sequencer.Snapshot) safety.Signal { return s.Wall.Occupancy }},
		{"cover contact", "Take the cover away from its contact, or open a wire of it.", "Put the cover back.", "closed", "open", "the contact has to be normally closed: look at it, and at wall.cover_pin",
			func(s *sequencer.Snapshot) safety.Signal { return s.Wall.Cover }},
		{"water level contact", "Make the water level contact open, or open a wire of it.", "Let it close again.", "closed", "open", "the contact has to be normally closed: look at it, and at wall.level_pin",
			func(s *sequencer.Snapshot) safety.Signal { return s.Wall.Level }},
	} {
		if t.input(&s) == safety.Absent {
			continue
		}
		any = true
		seen, err := w.turnsTo(ctx, t.to, "The "+t.name+" shows", t.ill, t.do, func(s *sequencer.Snapshot) bool { return t.input(s) == safety.Bad })
		if err != nil {
			return err
		}
		if !seen {
			continue
		}
		if _, err := w.turnsTo(ctx, t.back, "The "+t.name+" then shows", t.well, t.do, func(s *sequencer.Snapshot) bool { return t.input(s) == safety.Good }); err != nil {
			return err
		}
	}
	if !any {
		return w.notFitted("Neither occupancy sensor nor interlocks are wired to this computer.")
	}
	return nil
}

func (w *work) turnsTo(ctx context.Context, say, what, want, do string, seen func(*sequencer.Snapshot) bool) (bool, error) {
	w.say("%s", say)
	ok, err := w.await(ctx, seen)
	if err != nil {
		return false, err
	}
	w.within(ok, what, map[bool]string{true: want, false: "no change"}[ok], want, do)
	return ok, nil
}
