package commission

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/task"
	"flume.example/sequencerd/internal/units"
)

// mostApart is how long the process of its own may turn the motor: less than the loop lends the link for.
const mostApart = time.Minute

// killed: the program is killed while it turns the motor, and the drive has to stop by itself. What is killed is a process of its own, the same program with
// the same guard: the one that the installer works with has to see what comes of it.
func (w *work) killed(ctx context.Context, at namedSpeed) (err error) {
	if err := w.goAt(ctx, at); err != nil {
		return err
	}
	p := &victim{cmd: w.cfg.Apart(at.n, mostApart)}
	defer func() { // also where all went well: the link was somebody else's, and nothing moves over it before a stop
		p.kill()
		err = errors.Join(err, w.cfg.Sequencer.Do(context.WithoutCancel(ctx), sequencer.Command{What: run.Stop}))
	}()
	if err := w.begin(ctx, func() error { return w.cfg.Sequencer.Lend(ctx, mostApart+20*time.Second, p.kill) }); err != nil {
		return err
	}
	s, _ := w.cfg.Sequencer.Snapshot()
	from := s.At
	if _, err := w.until(ctx, time.Second, func(s *sequencer.Snapshot) bool { return s.At-from > 4*sequencer.Tick }); err != nil { // the line is let go of by now
		return err
	}
	allowed := w.linkLoss() + w.bound(at.n)
	what := fmt.Sprintf("The program killed at %v, the motor %.1f s later", at, allowed.Seconds())
	if err := w.turnApart(ctx, p, at.n); err != nil {
		return w.tellNo(what, at.n, err)
	}
	w.say("It turns at %.0f rpm, and the program that turns it is killed now.", at.n.RPM())
	p.kill()
	if err := w.cfg.Sequencer.Hush(ctx, allowed); err != nil {
		return err
	}
	return w.afterwards(ctx, what, allowed)
}

// turnApart has the process turn the motor until it keeps its speed. Whatever a jog would be stopped for ends it.
func (w *work) turnApart(ctx context.Context, p *victim, n units.MotorSpeed) error {
	steady, err := p.start(n)
	if err != nil {
		return &motorError{text: err.Error()}
	}
	w.say("A second program turns it now.")
	look := time.NewTicker(sequencer.Tick / 2)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-steady:
			if err != nil && p.dead() { // by a stop, which the loop is about to tell
				if _, late := w.until(ctx, time.Second, func(s *sequencer.Snapshot) bool { return s.State == run.Stopped }); late != nil {
					return late
				}
				s, _ := w.cfg.Sequencer.Snapshot()
				return over(&s)
			}
			return err
		case <-look.C:
		}
		s, _ := w.cfg.Sequencer.Snapshot()
		why := s.Reason
		switch {
		case s.State == run.Stopped:
		case s.Wall.Occupancy == safety.Good:
			why = fault.PersonInJog
		case s.Wall.Cover == safety.Bad:
			why = fault.CoverOff
		default:
			continue
		}
		return &motorError{code: why, text: fault.Of(why).Text()}
	}
}

// victim is a process that turns the motor, and is there to be killed. It says at each of its ticks how fast the motor turns: a number in rpm, and no more on
// a line. It ends where its input does, so it does not outlive whoever started it.
type victim struct {
	cmd  *exec.Cmd
	errs bytes.Buffer

	mu     sync.Mutex
	runs   bool
	killed bool
}

// start gives a channel that says once that the motor keeps its speed, or why it never will.
func (p *victim) start(n units.MotorSpeed) (<-chan error, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.killed {
		return nil, errors.New("stop was pressed before it began")
	}
	in, err := p.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	p.cmd.Stderr = &p.errs
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for the installer's program, which kills this one
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	p.runs = true
	steady := make(chan error, 2)
	task.Start("reader of the process that turns the motor", func(err error) { steady <- err }, func() {
		defer in.Close()
		if keeps(out, n) {
			steady <- nil
		}
		_, _ = io.Copy(io.Discard, out)
		_ = p.cmd.Wait() // killed, or for the reason that it has told
		steady <- ended(strings.TrimSpace(p.errs.String()))
	})
	return steady, nil
}

// ended is why the process has ended before it was killed, by what it told: a fault has its code behind its text.
func ended(told string) error {
	_, code, _ := strings.Cut(told, "[")
	return &motorError{code: fault.Code(strings.TrimSuffix(code, "]")), text: "the process that was to turn it has ended: " + told}
}

// keeps reads until the motor keeps its speed; false where the lines end before that.
func keeps(out io.Reader, n units.MotorSpeed) bool {
	since := time.Time{}
	for lines := bufio.NewScanner(out); lines.Scan(); {
		rpm, err := strconv.ParseFloat(lines.Text(), 64)
		switch {
		case err != nil || !near(rpm, n.RPM()):
			since = time.Time{}
		case since.IsZero():
			since = time.Now()
		case time.Since(since) >= steadily:
			return true
		}
	}
	return false
}

// dead reports whether it was killed.
func (p *victim) dead() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.killed
}

// kill does not block, and works at any time and twice.
func (p *victim) kill() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.killed = true
	if p.runs {
		_ = p.cmd.Process.Kill() // one that has ended already is just as well
	}
}
