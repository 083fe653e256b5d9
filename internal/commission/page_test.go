package commission_test

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
)

// atPages puts pages in the place, which run until the test is over.
func atPages(t *testing.T, text string, do func(ctx context.Context, p *place, page *commission.Page)) {
	t.Helper()
	dir := t.TempDir()
	inPlace(t, text, nil, func(ctx context.Context, p *place) {
		ctx, cancel := context.WithCancel(ctx)
		page := commission.NewPage(commission.Config{Sequencer: p.seq, Settings: p.s, Dir: dir, Now: func() time.Time { return installed }, Simulated: true})
		ended := make(chan error)
		go func() { ended <- page.Run(ctx) }()
		do(ctx, p, page)
		cancel()
		if err := <-ended; err != nil {
			p.t.Error(err)
		}
	})
}

func state(page *commission.Page) *commission.State { return page.State("", true).(*commission.State) }

// until looks at the page ten times a second until something is so.
func (p *place) untilPage(page *commission.Page, what string, so func(*commission.State) bool) *commission.State {
	p.t.Helper()
	for range 10 * 600 {
		if st := state(page); so(st) {
			return st
		}
		<-time.After(100 * time.Millisecond)
	}
	p.t.Fatalf("%s did not come: %+v", what, state(page).Going)
	return nil
}

func asked(begin string) func(*commission.State) bool {
	return func(st *commission.State) bool {
		return st.Going != nil && st.Going.Question != nil && strings.HasPrefix(st.Going.Question.Text, begin)
	}
}

// answer answers what is asked just now.
func (p *place) answer(page *commission.Page, text string) {
	p.t.Helper()
	if err := page.Answer(state(page).Going.Question.ID, text); err != nil {
		p.t.Fatal(err)
	}
}

// throughPage goes through a part as somebody who does all right, with the page in front of them.
func (p *place) throughPage(ctx context.Context, page *commission.Page, id string) *commission.Ended {
	p.t.Helper()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() { // the browser
		for ctx.Err() == nil {
			state(page)
			select {
			case <-ctx.Done():
			case <-time.After(300 * time.Millisecond):
			}
		}
	}()
	p.said = nil
	if err := page.Begin(id); err != nil {
		p.t.Fatal(err)
	}
	heard, answered := 0, ""
	for {
		st := state(page)
		if st.Going == nil {
			return st.Last
		}
		for ; heard < len(st.Going.Lines); heard++ {
			if line := st.Going.Lines[heard]; !strings.HasPrefix(line, "> ") {
				p.Say(line)
			}
		}
		if q := st.Going.Question; q != nil && q.ID != answered {
			answered = q.ID
			a, err := p.Ask(ctx, commission.Question{Text: q.Text, Choices: q.Choices, Timed: q.Timed})
			if err == nil {
				err = page.Answer(q.ID, a)
			}
			if err != nil {
				p.t.Fatal(err)
			}
		}
		<-time.After(50 * time.Millisecond)
	}
}

// TestThePageGoesThroughTheCourse: all parts pass, all that is measured is shown, and records are written and read.
func TestThePageGoesThroughTheCourse(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		if st := state(page); st.Standing.Passed || !strings.Contains(st.Standing.Why, "nobody has gone through") || len(st.Parts) != len(commission.Parts()) || st.Parts[0].Verdict != "open" {
			t.Errorf("before: %+v", st)
		}
		if _, err := page.Report(); !errors.Is(err, fault.Of(fault.NoCourse)) {
			t.Errorf("a record of nothing: %v", err)
		}
		for _, part := range commission.Parts() {
			if end := p.throughPage(ctx, page, part.ID); end.Verdict != "passed" || end.Why != "" || len(end.Lines) < 2 {
				t.Fatalf("%s: %s %s\n%s", part.ID, end.Verdict, end.Why, strings.Join(end.Lines, "\n"))
			}
		}
		st := state(page)
		if !st.Standing.Passed || st.Standing.Since != "2026-11-25" || st.Standing.Until != "2027-11-25" {
			t.Errorf("it does not stand: %+v", st.Standing)
		}
		if st.Water == nil || len(st.Water.Points) < 6 || st.RunOut == nil || len(st.Places) != 2 {
			t.Errorf("what was measured is not shown: %+v %+v %+v", st.Water, st.RunOut, st.Places)
		}
		for _, part := range st.Parts {
			if part.Verdict != "passed" || part.Changed || part.At == "" || len(part.Findings) == 0 {
				t.Errorf("%+v", part)
			}
		}
		if page.State(st.Mark, true) != nil {
			t.Error("the same is sent twice")
		}
		name, err := page.Report()
		if err != nil {
			t.Fatal(err)
		}
		if again, err := page.Report(); err != nil || again == name {
			t.Errorf("the second record: %s, %v", again, err)
		}
		if st := page.State(st.Mark, true); st == nil || len(st.(*commission.State).Reports) != 2 {
			t.Error("the records are not shown")
		}
		for _, end := range []string{".html", ".json"} {
			if text, err := page.Record(name + end); err != nil || !strings.Contains(string(text), "Odile Farrow") {
				t.Errorf("%s%s: %v", name, end, err)
			}
		}
		for _, other := range []string{"course.json", "../" + name + ".html", name, name + ".txt", "/etc/passwd", "commissioning-*.html", ""} {
			if _, err := page.Record(other); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("%q is read: %v", other, err)
			}
		}
	})
}

// toFirstTurn goes to where the motor turns and the display's speed is asked.
func (p *place) toFirstTurn(ctx context.Context, page *commission.Page) {
	p.t.Helper()
	for _, id := range []string{"stop", "sensors"} {
		if end := p.throughPage(ctx, page, id); end.Verdict != "passed" {
			p.t.Fatalf("%s: %+v", id, end)
		}
	}
	if err := page.Begin("first-turn"); err != nil {
		p.t.Fatal(err)
	}
	p.Say("Somebody is seen")
	p.untilPage(page, "the first question", asked("The motor will turn"))
	p.answer(page, "yes")
	p.untilPage(page, "the display", asked("What does the drive"))
	if n := p.back.Motor().RPM(); n < 50 {
		p.t.Fatalf("the motor turns at %v rpm", n)
	}
}

// TestAMotorAtWhichNobodyLooksIsStopped: the phone loses the network while the motor turns. It turns on for some seconds, as radio does that; then it is
// stopped, and the part is left with nothing of it kept. As long as a page asks it turns on, up to the jog's own limit.
func TestAMotorAtWhichNobodyLooksIsStopped(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		p.toFirstTurn(ctx, page)
		for range 12 { // somebody looks, a minute long
			<-time.After(5 * time.Second)
			state(page)
		}
		if n := p.back.Motor().RPM(); n < 50 {
			t.Fatalf("somebody looks, and the motor turns at %v rpm", n)
		}
		<-time.After(18 * time.Second)
		if n := p.back.Motor().RPM(); n < 50 {
			t.Errorf("after 18 s the motor turns at %v rpm", n)
		}
		<-time.After(5 * time.Second)
		if n := p.back.Motor().RPM(); n > 1 {
			t.Errorf("after 23 s without anybody the motor turns at %v rpm", n)
		}
		st := state(page)
		if st.Going != nil || st.Last.Verdict != "left" || !strings.Contains(st.Last.Why, "no page was in touch for 20 s") {
			t.Errorf("it says %+v", st.Last)
		}
		for _, part := range st.Parts {
			if part.ID == "first-turn" && part.Verdict != "open" {
				t.Errorf("a part that was left counts as %s", part.Verdict)
			}
		}
		if s, _ := p.seq.Snapshot(); s.Installing {
			t.Error("the flume is not given back")
		}
	})
}

// TestTheJogHasItsOwnEnd: somebody looks and does nothing. The motor stops by the time of its jog.
func TestTheJogHasItsOwnEnd(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		p.toFirstTurn(ctx, page)
		for range 70 {
			<-time.After(5 * time.Second)
			state(page)
		}
		if n := p.back.Motor().RPM(); n > 1 {
			t.Errorf("after six minutes of a jog of five the motor turns at %v rpm", n)
		}
		if st := state(page); st.Going == nil {
			t.Errorf("the part is gone: %+v", st.Last)
		}
	})
}

// TestAPartAtWhichNobodyLooksIsLeft: one that waits for an answer, with the motor at rest, is given half an hour, and then the flume back.
func TestAPartAtWhichNobodyLooksIsLeft(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		if err := page.Begin("board"); err != nil {
			t.Fatal(err)
		}
		p.untilPage(page, "the name", asked("Your name"))
		for range 29 * 60 { // somebody looks all the time, from where nothing can be started
			<-time.After(time.Second)
			page.State("", false)
		}
		if s, _ := p.seq.Snapshot(); !s.Installing {
			t.Error("it is left after 29 minutes")
		}
		<-time.After(2 * time.Minute)
		if s, _ := p.seq.Snapshot(); s.Installing {
			t.Error("after 31 minutes it is not left")
		}
		if st := state(page); st.Going != nil || !strings.Contains(st.Last.Why, "30 minutes") {
			t.Errorf("it says %+v", st.Last)
		}
	})
}

// TestOneAtATime: what comes twice, too late or for nothing is refused, and does nothing.
func TestOneAtATime(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		refused := func(what string, err error, code fault.Code) {
			t.Helper()
			if !errors.Is(err, fault.Of(code)) {
				t.Errorf("%s: %v, want %s", what, err, code)
			}
		}
		refused("no such part", page.Begin("relais"), fault.NoSuchPage)
		refused("an answer to nothing", page.Answer("x", "yes"), fault.Stale)
		if err := page.Leave(); err != nil {
			t.Errorf("leaving nothing: %v", err)
		}
		if err := page.Begin("board"); err != nil {
			t.Fatal(err)
		}
		refused("a second part", page.Begin("stop"), fault.PartUnderWay)
		q := p.untilPage(page, "the name", asked("Your name")).Going.Question
		refused("another question", page.Answer(q.ID+"0", "x"), fault.Stale)
		if err := page.Answer(q.ID, " "); err != nil {
			t.Fatal(err)
		}
		refused("the same question twice", page.Answer(q.ID, "x"), fault.Stale)
		st := p.untilPage(page, "the name again", func(st *commission.State) bool { return asked("Your name")(st) && st.Going.Question.ID != q.ID })
		if !st.Going.Question.Again || !strings.Contains(st.Going.Lines[len(st.Going.Lines)-1], "Something has to stand here") {
			t.Errorf("a wrong answer is not said to be one: %+v", st.Going)
		}
		p.answer(page, "Odile Farrow")
		if st := p.untilPage(page, "the next", asked("The licensed")); st.Going.Question.Again {
			t.Error("a right answer is said to be a wrong one")
		}
		if err := page.Leave(); err != nil {
			t.Fatal(err)
		}
		st = p.untilPage(page, "the end", func(st *commission.State) bool { return st.Going == nil })
		if st.Last.Verdict != "left" || !strings.Contains(st.Last.Why, "left for later") || st.Parts[0].Verdict != "open" {
			t.Errorf("it was left, and says %+v", st.Last)
		}
		// What is pressed before the part has begun leaves it too.
		if err := errors.Join(page.Begin("board"), page.Leave()); err != nil {
			t.Fatal(err)
		}
		p.untilPage(page, "the end", func(st *commission.State) bool { return st.Going == nil })
	})
}

// hands does things at the wall, one after the other, and waits until they are heard.
func (p *place) hands(ctx context.Context, lines ...string) {
	p.t.Helper()
	for _, line := range lines {
		if _, err := p.wall.Command(ctx, line); err != nil {
			p.t.Fatal(err)
		}
		<-time.After(300 * time.Millisecond)
	}
}

// still looks on for ten seconds, with a page open, and the motor does not turn.
func (p *place) still(page *commission.Page, after string) {
	p.t.Helper()
	for range 100 {
		if n := p.back.Motor().RPM(); n > 5 {
			p.t.Errorf("%s the motor turns at %v rpm without anybody having said go", after, n)
			return
		}
		state(page)
		<-time.After(100 * time.Millisecond)
	}
}

// TestAPressedStopIsTakenBackByAGoOnly: stop is pressed between a go and the turn, or while the motor turns. Released, and with all else well, the motor stays still
// until the installer says go once more.
func TestAPressedStopIsTakenBackByAGoOnly(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		for _, id := range []string{"stop", "sensors"} {
			if end := p.throughPage(ctx, page, id); end.Verdict != "passed" {
				t.Fatalf("%s: %+v", id, end)
			}
		}
		if err := page.Begin("first-turn"); err != nil { // somebody is seen, so that it does not turn at once
			t.Fatal(err)
		}
		p.untilPage(page, "the first question", asked("The motor will turn at"))
		p.answer(page, "yes")
		p.hands(ctx, "stop press", "stop release", "occupancy empty")
		p.still(page, "after a stop between go and turn")
		p.untilPage(page, "the second go", asked("The motor will turn once that is well"))
		p.answer(page, "yes")
		p.untilPage(page, "the display", asked("What does the drive"))
		if err := page.Leave(); err != nil {
			t.Fatal(err)
		}
		p.untilPage(page, "the end", func(st *commission.State) bool { return st.Going == nil })

		if err := page.Begin("water"); err != nil {
			t.Fatal(err)
		}
		p.untilPage(page, "how", asked("How is the water measured"))
		p.answer(page, "meter")
		p.untilPage(page, "the go", asked("The motor will turn at"))
		p.answer(page, "yes")
		p.untilPage(page, "the meter", func(st *commission.State) bool {
			return st.Going.Question != nil && strings.Contains(st.Going.Question.Text, "what does the meter show")
		})
		p.hands(ctx, "stop press", "stop release")
		p.answer(page, "0.5")
		p.still(page, "after a stop in a measurement")
		p.untilPage(page, "another go", asked("The motor will turn at"))
		p.answer(page, "yes")
		p.untilPage(page, "a motor that turns", func(*commission.State) bool { return p.back.Motor().RPM() > 50 })
	})
}

// TestWhatIsMadeWellByHandStartsNothing: a cover is put back, minutes after a go.
func TestWhatIsMadeWellByHandStartsNothing(t *testing.T) {
	atPages(t, everything, func(ctx context.Context, p *place, page *commission.Page) {
		for _, id := range []string{"stop", "sensors"} {
			if end := p.throughPage(ctx, page, id); end.Verdict != "passed" {
				t.Fatalf("%s: %+v", id, end)
			}
		}
		p.hands(ctx, "occupancy empty", "cover open")
		if err := page.Begin("first-turn"); err != nil {
			t.Fatal(err)
		}
		p.untilPage(page, "the first question", asked("The motor will turn at"))
		p.answer(page, "yes")
		p.still(page, "with the cover off")
		p.hands(ctx, "cover closed")
		p.still(page, "with the cover put back")
		p.answer(page, "yes")
		p.untilPage(page, "the display", asked("What does the drive"))
	})
}

// TestLeavingEndsASilence: the drive has no link-loss stop, and the part is left in the middle of the silence in which that would be found.
func TestLeavingEndsASilence(t *testing.T) {
	inPlace(t, everything, func(_ *place, c *simulated.Config) { c.LinkLoss = time.Minute }, func(ctx context.Context, p *place) {
		p.through(ctx, "stop")
		p.through(ctx, "sensors")
		inner, leave := context.WithCancel(ctx)
		ended := make(chan error)
		go func() {
			_, err := p.course.Do(inner, "silence")
			ended <- err
		}()
		for s, _ := p.seq.Snapshot(); s.State != run.Stopped || s.Motor.RPM() < 50; s, _ = p.seq.Snapshot() {
			<-time.After(20 * time.Millisecond)
		}
		leave()
		<-ended
		<-time.After(500 * time.Millisecond)
		if n := p.back.Motor().RPM(); n > 5 {
			t.Errorf("half a second after the part was left the motor turns at %v rpm", n)
		}
	})
}

// TestAStopInASilenceIsNoVerdictOnTheDrive: it ends the silence, and the part.
func TestAStopInASilenceIsNoVerdictOnTheDrive(t *testing.T) {
	inPlace(t, everything, nil, func(ctx context.Context, p *place) {
		p.through(ctx, "stop")
		p.through(ctx, "sensors")
		ended := make(chan error)
		go func() {
			_, err := p.course.Do(ctx, "silence")
			ended <- err
		}()
		for s, _ := p.seq.Snapshot(); s.State != run.Stopped || s.Motor.RPM() < 50; s, _ = p.seq.Snapshot() {
			<-time.After(20 * time.Millisecond)
		}
		p.hands(ctx, "stop press", "stop release")
		if err := <-ended; !commission.BrokenOff(err) {
			t.Errorf("it ended with %v", err)
		}
		if r := p.course.Record(); !r.Parts["silence"].At.IsZero() {
			t.Errorf("it is kept as %s", r.Parts["silence"].Verdict())
		}
	})
}
