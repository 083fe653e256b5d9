package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/doctor"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

type commissionCommand struct {
	Part   string `arg:"" optional:"" help:"One part of the course; else all that are still open, one after the other."`
	Sheet  bool   `xor:"what" help:"Print what an installer reads before going: wiring, what to set in the drive, what to bring, the time it takes."`
	List   bool   `xor:"what" help:"Say how far the course is, and nothing else."`
	Record bool   `xor:"what" help:"Write the record so far: a page for paper, and the same for programs."`
	Keep   bool   `xor:"what" help:"Put what was measured of the water into the configuration."`
	Marks  bool   `xor:"what" help:"Print the paces along the flume, for markers on its floor."`
	Yes    bool   `help:"With --keep: do not ask."`
}

// Run is the installer's course in a terminal.
func (m *commissionCommand) Run(ctx context.Context, c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	if err := m.known(); err != nil {
		return err
	}
	switch {
	case m.Sheet:
		return commission.WriteSheet(c.out, s)
	case m.Marks:
		return commission.WriteMarks(c.out, s)
	}
	dir, err := recordDir(s)
	if err != nil {
		return err
	}
	if !m.List && !m.Keep && !m.Record {
		return m.course(ctx, c, s, dir)
	}
	r, err := commission.Load(dir)
	switch {
	case err != nil:
		return err
	case m.Keep:
		return keepWater(c, s, r, m.Yes)
	case m.Record:
		return writeRecord(c.out, dir, r)
	}
	return listCourse(c.out, s, r)
}

// writeRecord writes the record beside the course, and says where.
func writeRecord(out io.Writer, dir string, r *commission.Record) error {
	if r == nil {
		return errors.New("no part of the course was gone through yet: there is nothing to record")
	}
	page, data, err := commission.SaveReport(dir, *r, time.Now())
	if err != nil {
		return fmt.Errorf("the record cannot be written: %w", err)
	}
	_, err = fmt.Fprintf(out, "The record, to print and sign: %s\nThe same for programs: %s\n", page, data)
	return err
}

// known reports whether the part is one.
func (m *commissionCommand) known() error {
	var ids []string
	for _, p := range commission.Parts() {
		if ids = append(ids, p.ID); m.Part == p.ID {
			return nil
		}
	}
	if m.Part == "" {
		return nil
	}
	return fmt.Errorf("%q is no part of the course: they are %s", m.Part, strings.Join(ids, ", "))
}

// recordDir is where the record of the course is kept: with the store.
func recordDir(s *settings.Settings) (string, error) {
	dir, err := storeFolder(s)
	return filepath.Join(dir, "commissioning"), err
}

// keepWater puts what the course measured of the water into the configuration, after asking. What stood there before is kept beside it.
func keepWater(c console, s *settings.Settings, r *commission.Record, yes bool) error {
	switch {
	case r == nil || r.Water == nil:
		return errors.New("nothing was measured of the water yet: go through the part \"water\" first")
	case s.File == "":
		return errors.New("no configuration file is in use, only the defaults: begin one, and name it with --config")
	}
	before, err := os.ReadFile(s.File)
	if err != nil {
		return err
	}
	after := r.Configured(string(before))
	if _, err := settings.Parse(s.File, []byte(after), config.Default()); err != nil {
		return fmt.Errorf("with what was measured the configuration would not hold, and stays as it is: %w", err)
	}
	if after == string(before) {
		fmt.Fprintln(c.out, "It stands in the configuration already.")
		return nil
	}
	if !yes {
		fmt.Fprintf(c.out, "%s\n[water] and flume.inertia_m of %s become this; what stands there now is kept beside it. Type yes: ", r.Fragment(), s.File)
		a, _ := bufio.NewReader(c.in).ReadString('\n')
		if strings.TrimSpace(strings.ToLower(a)) != "yes" {
			return errors.New("nothing was changed")
		}
	}
	old := s.File + ".before-" + time.Now().Format("2006-01-02T150405")
	if err := commission.ReplaceFile(old, before); err != nil {
		return err
	}
	if err := commission.ReplaceFile(s.File, []byte(after)); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Done; before it was %s. It counts once the program reads its configuration again.\n", old)
	return nil
}

// listCourse says how far it is.
func listCourse(out io.Writer, s *settings.Settings, r *commission.Record) error {
	for _, p := range commission.Parts() {
		var d commission.Done
		if r != nil {
			d = r.Parts[p.ID]
		}
		when := ""
		if !d.At.IsZero() {
			when = d.At.Format(time.DateOnly)
		}
		kind := ""
		if p.Safety {
			kind = "safety"
		}
		fmt.Fprintf(out, "%-11s %-6s %-43s %-11s %s\n", p.ID, kind, p.Title, d.Verdict(), when)
	}
	if st := r.Stands(s, time.Now()); st.Passed {
		fmt.Fprintf(out, "The safety part is passed, the oldest of it on %s.\n", st.Since.Format(time.DateOnly))
	} else {
		fmt.Fprintf(out, "Nobody swims here on a real drive: %s.\n", st.Why)
	}
	fmt.Fprintln(out, calibrated(s))
	if old := outdated(s, time.Now()); old != "" {
		fmt.Fprintln(out, fault.Of(old).Text())
	}
	return nil
}

func (m *commissionCommand) course(ctx context.Context, c console, s *settings.Settings, dir string) error {
	l := &loaded{settings: s}
	d, err := l.openDrive()
	if err != nil {
		return err
	}
	var water func() (units.Speed, units.Distance)
	if l.simulated != nil {
		water = l.simulated.Water
	}
	w, err := wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) })
	if err != nil {
		return errors.Join(err, d.Close())
	}
	guard := l.guard()
	guard.Uncommissioned, guard.MotorRamp = true, s.Drive.Motor.RPMPerSecond
	seq := sequencer.New(sequencer.Config{Drive: d, Model: s.Model, Safety: guard, Wall: w, Inline: d.Simulated()}, 1)
	hand := &terminalHand{out: c.out, lines: make(chan string)}
	course, err := commission.New(commission.Config{
		Sequencer: seq, Settings: s, Hand: hand, Board: doctor.Model(), Dir: dir, Now: time.Now, Simulated: d.Simulated(), Water: water,
		Apart: apart(s),
	})
	if err != nil {
		return errors.Join(err, w.Close(), d.Close())
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var done error // told to the person, and no failure of the program
	tasks := []task.Task{
		{Name: "sequencer", Run: seq.Run},
		{Name: "wall", Run: w.Run},
		{Name: "signals", Run: func(ctx context.Context) error { return hand.signals(ctx, seq, cancel) }},
		{Name: "installer", Run: func(ctx context.Context) error {
			defer cancel()
			task.Start("reader of the terminal", func(error) { cancel() }, func() { hand.read(c.in) })
			done = m.go_(ctx, hand, course, s, dir)
			return nil
		}},
	}
	if !d.Simulated() {
		tasks = append(tasks, task.Task{Name: "drive", Run: d.Run})
	}
	err = task.Run(ctx, d.Stop, tasks...)
	if errors.Is(err, task.ErrHangs) {
		return err
	}
	return errors.Join(done, err, w.Close(), d.Close())
}

// go_ goes through one part, or through all that are open; at their end the record is written into dir.
func (m *commissionCommand) go_(ctx context.Context, hand *terminalHand, course *commission.Course, s *settings.Settings, dir string) error {
	hand.Say(fmt.Sprintf("The installer's course for %s. %s\n\"later\" at any question leaves a part for another time; Ctrl-C stops the motor, and once more leaves the course.",
		s.Flume.Name, "As drive manual, local code and electrician say where they say otherwise."))
	if s.Drive.Backend == "simulated" {
		hand.Say("SIMULATED: this is training. No motor and no water are there.")
	}
	gone := false
	for _, p := range commission.Parts() {
		if m.Part != "" && p.ID != m.Part {
			continue
		}
		r := course.Record()
		if m.Part == "" && r.Parts[p.ID].Passed && r.Parts[p.ID].Wiring == commission.Wiring(s) {
			continue
		}
		d, err := course.Do(ctx, p.ID)
		for commission.BrokenOff(err) && ctx.Err() == nil {
			hand.Say(fmt.Sprintf("That was interrupted: %v", err))
			if a, no := hand.Ask(ctx, commission.Question{Text: "Go through this part again?", Choices: []string{"yes", "no"}}); no != nil || !strings.HasPrefix(a, "y") {
				err = commission.ErrLater
				break
			}
			d, err = course.Do(ctx, p.ID)
		}
		switch {
		case errors.Is(err, commission.ErrLater):
			hand.Say("Left for later. Nothing of it was kept.")
			if m.Part == "" {
				if a, err := hand.Ask(ctx, commission.Question{Text: "Go on with the next part?", Choices: []string{"yes", "no"}}); err != nil || !strings.HasPrefix(a, "y") {
					return nil
				}
			}
		case ctx.Err() != nil:
			return refused{exitByPerson, errors.New("the course was left; what was passed is kept")}
		case err != nil:
			return fmt.Errorf("%s: %w", p.Title, err)
		default:
			hand.Say(fmt.Sprintf("%s: %s.", p.Title, d.Verdict()))
			gone = true
		}
	}
	r := course.Record()
	if err := listCourse(hand.out, s, &r); err != nil || !gone {
		return err
	}
	return writeRecord(hand.out, dir, &r)
}

// terminalHand is the installer at a terminal.
type terminalHand struct {
	out   io.Writer
	lines chan string
}

func (h *terminalHand) Say(text string) { fmt.Fprintln(h.out, text) }

func (h *terminalHand) StopKey() string { return "press Ctrl-C" }

func (h *terminalHand) Ask(ctx context.Context, q commission.Question) (string, error) {
	text := q.Text
	if len(q.Choices) > 0 {
		text += " [" + strings.Join(q.Choices, "/") + "]"
	}
	if len(q.Choices) == 1 { // a go: what was typed before it was asked is none
		select {
		case _, ok := <-h.lines:
			if !ok {
				return "", commission.ErrLater
			}
		default:
		}
	}
	fmt.Fprint(h.out, text+": ")
	select {
	case a, ok := <-h.lines:
		if !ok || strings.EqualFold(strings.TrimSpace(a), "later") {
			return "", commission.ErrLater
		}
		return a, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// read hands the terminal's lines over. It goes with the process: a read cannot be taken back.
func (h *terminalHand) read(in *os.File) {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		h.lines <- lines.Text()
	}
	close(h.lines)
}

// signals: Ctrl-C stops the motor; where none was turning, or once more within a while, it leaves. Hang-up, TERM, Ctrl-Z and a reader
// of the output that is gone leave.
func (h *terminalHand) signals(ctx context.Context, seq *sequencer.Sequencer, leave func()) error {
	sigs := make(chan os.Signal, 4)
	signal.Notify(sigs, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGTSTP, syscall.SIGPIPE) // see run
	defer signal.Stop(sigs)
	for {
		select {
		case <-ctx.Done():
			return nil
		case sig := <-sigs:
			s, _ := seq.Snapshot()
			if err := seq.Do(ctx, sequencer.Command{What: run.Stop}); err != nil {
				return err
			}
			if sig != os.Interrupt || s.Jog == (units.MotorSpeed{}) && !s.Drive.Silent {
				leave()
				return nil
			}
			fmt.Fprintln(h.out, "\nThe motor is stopped.")
		}
	}
}

// uncommissionedCap is how fast an installer may swim a real drive before its safety part is passed.
const uncommissionedCap = 0.5 // m/s: the project's own choice, a gentle walk

// hold keeps a flume that nobody has commissioned to the installer's cap.
func hold(s *settings.Settings) {
	if top := units.MetresPerSecond(uncommissionedCap); s.Safety.Cap == (units.Speed{}) || s.Safety.Cap.MetresPerSecond() > uncommissionedCap {
		s.Safety.Cap = top
	}
}

// uncommissioned says why nobody may swim on a real drive yet; nil where they may, or where the drive is simulated.
func uncommissioned(s *settings.Settings) error {
	if s.Drive.Backend == "simulated" {
		return nil
	}
	dir, err := recordDir(s)
	if err == nil {
		var r *commission.Record
		if r, err = commission.Load(dir); err == nil {
			if st := r.Stands(s, time.Now()); !st.Passed {
				err = errors.New(st.Why)
			}
		}
	}
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w (%v)", fault.Of(fault.NotCommissioned), err)
}

// keepCommissioned looks once an hour whether the record still stands: a daemon may run for longer than the safety part counts. A swim under way goes on.
func keepCommissioned(ctx context.Context, s *settings.Settings, seq *sequencer.Sequencer) error {
	look := time.NewTicker(time.Hour)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
		}
		if err := uncommissioned(s); err != nil {
			slog.Warn("no swim starts here any more", "why", err)
			if err := seq.Commissioned(ctx, false); err != nil && ctx.Err() == nil {
				return err
			}
		}
	}
}
