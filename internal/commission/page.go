package commission

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
)

// Page is the course as web pages go through it: one part at a time, all pages see the same. Run does the work; all else may be called from several
// goroutines. A page that asks for the State, and could start a part, is taken for somebody who looks: a motor that turns while none has asked for so long is stopped.
type Page struct {
	cfg  Config // but for the Hand
	life string // random: a question of another life of the program is not answered
	next chan *going

	mu      sync.Mutex
	seq     uint64 // another one whenever State is another
	record  *Record
	trouble string // why there is no record
	going   *going // nil where no part is under way
	last    *Ended
	looked  time.Time // when a page last asked
	reports []string  // that were written; kept here, since whoever looks must not wait for a disk that hangs, nor what stops a motor for them
}

// How long nobody may look, before a motor that turns is stopped, and before a part that waits is left. A person who leaves one page for another, or a radio
// link that is gone for a moment, is no reason; our own choice.
const (
	motorAlone = 20 * time.Second
	partAlone  = 30 * time.Minute
)

var (
	errMotorAlone = fmt.Errorf("no page was in touch for %.0f s while the motor turned: it was stopped, and the part was left. Begin it again", motorAlone.Seconds())
	errPartAlone  = fmt.Errorf("no page was in touch for %.0f minutes: the part was left", partAlone.Minutes())
)

// mostLines is how much of what was said in a part is kept.
const mostLines = 400

// going is a part under way; it is the Hand of its course.
type going struct {
	page   *Page
	part   Part
	cancel context.CancelCauseFunc // nil as long as it has not begun
	left   bool

	lines    []string
	before   string // the question before
	question *Asked
	reply    chan string
	asked    int
}

// Asked is a question that waits for its answer.
type Asked struct {
	ID      string   `json:"id"`
	Text    string   `json:"text"`
	Choices []string `json:"choices,omitempty"`
	Timed   bool     `json:"timed,omitempty"` // see Question
	Again   bool     `json:"again,omitempty"` // what was answered before was not understood; the last line says why
}

// NewPage makes the course for the pages over c, whose Hand is not used.
func NewPage(c Config) *Page {
	p := &Page{cfg: c, life: rand.Text()[:8], next: make(chan *going, 1), looked: time.Now()}
	p.load()
	return p
}

// load reads the record; what is wrong with it is shown, and is no reason for the program not to start.
func (p *Page) load() {
	r, err := Load(p.cfg.Dir)
	reports := Reports(p.cfg.Dir)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seq++
	p.reports = reports
	p.record, p.trouble = r, ""
	if err != nil {
		p.record, p.trouble = nil, err.Error()
	}
}

// Run goes through the parts that are begun, one after the other, until ctx is done.
func (p *Page) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case g := <-p.next:
			if err := p.do(ctx, g); err != nil {
				return err
			}
		}
	}
}

// do goes through a part, and looks after whether anybody still looks.
func (p *Page) do(ctx context.Context, g *going) error {
	inner, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	p.mu.Lock()
	g.cancel = cancel
	if g.left {
		cancel(ErrLater)
	}
	p.mu.Unlock()
	var done Done
	var failed error
	err := task.Run(inner, p.halt,
		task.Task{Name: "part of the course", Run: func(ctx context.Context) error {
			defer cancel(nil)
			c := p.cfg
			c.Hand = g
			course, err := New(c)
			if err == nil {
				done, err = course.Do(ctx, g.part.ID)
			}
			failed = err
			return nil
		}},
		task.Task{Name: "whoever looks", Run: p.attend},
	)
	if err != nil {
		return err
	}
	end := &Ended{Part: g.part.ID, Title: g.part.Title, Verdict: done.Verdict()}
	if failed != nil {
		end.Verdict, end.Why = "left", why(failed, context.Cause(inner))
	}
	p.mu.Lock()
	end.Lines = g.lines
	p.going, p.last = nil, end
	p.mu.Unlock()
	p.load()
	return nil
}

// why is what a person is told of a part that did not come to its end.
func why(failed, cause error) string {
	var f fault.Fault
	switch {
	case errors.Is(cause, errMotorAlone), errors.Is(cause, errPartAlone):
		return cause.Error() + "."
	case errors.Is(cause, ErrLater), errors.Is(failed, ErrLater):
		return "It was left for later; nothing of it is kept."
	case errors.As(failed, &f):
		return f.Text()
	case errors.Is(failed, context.Canceled):
		return "The program ended, or read its configuration again, while it was under way; nothing of it is kept."
	}
	return failed.Error() + "."
}

// halt is for a part that fails in a way that it must not: no motor turns on.
func (p *Page) halt(fault.Code) {
	_ = p.cfg.Sequencer.Do(context.Background(), sequencer.Command{What: run.Stop, By: sequencer.Panel})
}

// attend leaves a part at which nobody looks any more; leaving stops the motor.
func (p *Page) attend(ctx context.Context) error {
	look := time.NewTicker(time.Second)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
		}
		s, _ := p.cfg.Sequencer.Snapshot()
		p.mu.Lock()
		alone, g := time.Since(p.looked), p.going
		p.mu.Unlock()
		switch {
		case (s.Jog != (units.MotorSpeed{}) || s.Drive.Silent) && s.State != run.Stopped && alone > motorAlone:
			g.cancel(errMotorAlone)
		case alone > partAlone:
			g.cancel(errPartAlone)
		}
	}
}

// Begin begins a part. The error is a fault.
func (p *Page) Begin(id string) error {
	i := slices.IndexFunc(Parts(), func(q Part) bool { return q.ID == id })
	if i < 0 {
		return fault.Of(fault.NoSuchPage)
	}
	if s, _ := p.cfg.Sequencer.Snapshot(); s.State.Under() {
		return fault.Of(fault.UnderWay)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.going != nil {
		return fault.Of(fault.PartUnderWay)
	}
	p.seq++
	p.looked = time.Now()
	p.going = &going{page: p, part: Parts()[i], reply: make(chan string, 1)}
	p.next <- p.going
	return nil
}

// Answer answers a question by its ID. One that was answered already, or of another life of the program, is a fault.
func (p *Page) Answer(id, text string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.going == nil || p.going.question == nil || p.going.question.ID != id {
		return fault.Of(fault.Stale)
	}
	p.seq++
	p.looked = time.Now()
	g := p.going
	g.lines = tail(append(g.lines, "> "+text))
	g.question = nil
	select {
	case g.reply <- text:
	default: // the part is being left
	}
	return nil
}

// Leave leaves the part under way for another time; without one it does nothing. A motor that turns is stopped.
func (p *Page) Leave() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if g := p.going; g != nil {
		g.left = true
		if g.cancel != nil {
			g.cancel(ErrLater)
		}
	}
	return nil
}

// Report writes the record into the folder, as a page and as JSON, and gives its name without an end.
func (p *Page) Report() (string, error) {
	p.mu.Lock()
	r := p.record
	p.mu.Unlock()
	if r == nil {
		return "", fault.Of(fault.NoCourse)
	}
	page, _, err := SaveReport(p.cfg.Dir, r.copy(), p.cfg.Now())
	reports := Reports(p.cfg.Dir)
	p.mu.Lock()
	p.seq++
	p.reports = reports
	p.mu.Unlock()
	return strings.TrimSuffix(filepath.Base(page), ".html"), err
}

// Record is a record that was written, by its name with .html or .json behind it; fs.ErrNotExist for any other name.
func (p *Page) Record(name string) ([]byte, error) {
	base, html := strings.CutSuffix(name, ".html")
	if !html {
		var data bool
		if base, data = strings.CutSuffix(name, ".json"); !data {
			return nil, fs.ErrNotExist
		}
	}
	if !slices.Contains(Reports(p.cfg.Dir), base) {
		return nil, fs.ErrNotExist
	}
	return os.ReadFile(filepath.Join(p.cfg.Dir, name))
}

// Say, Ask and StopKey make a part under way the installer's hand.

// Say keeps what is said for all pages.
func (g *going) Say(text string) {
	g.page.mu.Lock()
	defer g.page.mu.Unlock()
	g.page.seq++
	g.lines = tail(append(g.lines, text))
}

// Ask shows a question, and waits for the first answer from any page.
func (g *going) Ask(ctx context.Context, q Question) (string, error) {
	p := g.page
	p.mu.Lock()
	p.seq++
	g.asked++
	again := q.Text == g.before && len(g.lines) > 1 && strings.HasPrefix(g.lines[len(g.lines)-2], "> ")
	g.question = &Asked{ID: fmt.Sprintf("%s-%s-%d", p.life, g.part.ID, g.asked), Text: q.Text, Choices: q.Choices, Timed: q.Timed, Again: again}
	g.before = q.Text
	p.mu.Unlock()
	select {
	case a := <-g.reply:
		return a, nil
	case <-ctx.Done():
		if errors.Is(context.Cause(ctx), ErrLater) {
			return "", ErrLater
		}
		return "", ctx.Err()
	}
}

// StopKey is the page's own stop, which works without any course.
func (g *going) StopKey() string { return "press Stop on this page" }

func tail(lines []string) []string {
	if len(lines) > mostLines {
		return lines[len(lines)-mostLines:]
	}
	return lines
}
