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
// the same guard: the one that the installer works with has to see what comes of it. Nothing is said while it turns: a terminal that hangs holds up whoever
// speaks, and this is who looks after the process.
func (w *work) killed(ctx context.Context, at namedSpeed) (err error) {
	if err := w.goAt(ctx, at); err != nil {
		return err
	}
	w.say("A second program turns it now, and is killed as soon as it keeps its speed.")
	p := &standIn{cmd: w.cfg.Apart(at.n, mostApart)}
	defer func() {
		p.kill()
		err = errors.Join(err, w.takeBack(ctx))
	}()
	if err := w.begin(ctx, func() error { return w.cfg.Sequencer.Lend(ctx, mostApart+20*time.Second, p.kill) }); err != nil {
		return err
	}
	lent, _ := w.cfg.Sequencer.Snapshot()
	begun := lent.At // of the silence, or shortly before
	silent, err := w.until(ctx, time.Second, func(s *sequencer.Snapshot) bool {
		if !s.Drive.Silent {
			begun = s.At
		}
		return s.At-begun > 4*sequencer.Tick // the line is let go of by now
	})
	if err != nil {
		return err
	}
	if s, _ := w.cfg.Sequencer.Snapshot(); !silent {
		return errors.Join(over(&s), errors.New("the link is not lent"))
	}
	allowed := w.linkLoss() + w.bound(at.n)
	what := fmt.Sprintf("The program killed at %v, the motor %.1f s later", at, allowed.Seconds())
	if err := w.turnApart(ctx, p, at.n); err != nil {
		return w.tellNo(what, at.n, err)
	}
	w.afresh()
	p.kill()
	if err := w.cfg.Sequencer.Hush(ctx, allowed); err != nil {
		return err
	}
	select {
	case err = <-p.died:
	case <-time.After(allowed):
		err = errors.New("the process that turned the motor does not end, although it was killed")
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil { // it has stopped the motor itself, before it was killed
		return err
	}
	w.say("It turned at %.0f rpm, and was killed.", at.n.RPM())
	return w.afterwards(ctx, what, allowed)
}

// takeBack stops the motor: the link was somebody else's, and nothing moves over it before a stop. It waits until that is seen, so that what is asked next is
// not taken for an answer to it.
func (w *work) takeBack(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := w.cfg.Sequencer.Do(ctx, sequencer.Command{What: run.Stop}); err != nil {
		return nil // the loop has ended, and has stopped the drive
	}
	_, err := w.until(ctx, time.Second, func(s *sequencer.Snapshot) bool { return s.State == run.Stopped && s.Drive.Latched })
	return err
}

// turnApart has the process turn the motor until it keeps its speed, and tells it at each tick of the loop that all is well here. What a jog would be stopped
// for ends it.
func (w *work) turnApart(ctx context.Context, p *standIn, n units.MotorSpeed) error {
	if err := p.start(n); err != nil {
		return err
	}
	look := time.NewTicker(sequencer.Tick / 2)
	defer look.Stop()
	end := time.NewTimer(mostApart)
	defer end.Stop()
	var tick uint64
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-p.steady:
			return nil
		case err := <-p.died:
			if p.wasKilled() { // by a stop, which the loop is about to tell
				_, _ = w.until(ctx, time.Second, func(s *sequencer.Snapshot) bool { return s.State == run.Stopped })
				s, _ := w.cfg.Sequencer.Snapshot()
				return errors.Join(over(&s), ctx.Err())
			}
			return err
		case <-end.C:
			return &motorError{text: fmt.Sprintf("does not keep its speed within %.0f s", mostApart.Seconds())}
		case <-look.C:
		}
		s, _ := w.cfg.Sequencer.Snapshot()
		if s.Seq != tick {
			tick = s.Seq
			p.well()
		}
		why := s.Reason
		switch {
		case s.State == run.Stopped:
		case s.Wall.Occupancy != safety.Absent && s.Wall.Occupancy != safety.Bad:
			why = fault.PersonInJog
		case s.Wall.Cover != safety.Absent && s.Wall.Cover != safety.Good:
			why = fault.CoverOff
		case s.Wall.Level != safety.Absent && s.Wall.Level != safety.Good:
			why = fault.WaterLevel
		default:
			continue
		}
		return &motorError{code: why, text: fault.Of(why).Text()}
	}
}

// standIn is a process that turns the motor in place of this one, and is there to be killed. It says at each of its ticks how fast the motor turns: a number
// in rpm, and no more on a line. It ends where it is not told for a while that all is well, so it does not outlive whoever started it.
type standIn struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	errs   bytes.Buffer
	steady chan struct{} // closed once the motor keeps its speed
	died   chan error    // nil: it was killed while it ran

	mu     sync.Mutex
	runs   bool
	killed bool
}

func (p *standIn) start(n units.MotorSpeed) error {
	out, err := p.cmd.StdoutPipe()
	if err == nil {
		p.in, err = p.cmd.StdinPipe()
	}
	if err != nil {
		return err
	}
	p.cmd.Stderr = &p.errs
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for the installer's program, which kills this one
	if err := p.cmd.Start(); err != nil {
		return err
	}
	p.mu.Lock()
	p.runs = true
	killed := p.killed // while it was starting
	p.mu.Unlock()
	if killed {
		p.kill()
	}
	p.steady, p.died = make(chan struct{}), make(chan error, 1)
	task.Start("reader of the process that turns the motor", func(err error) { p.died <- err }, func() {
		if keeps(out, n) {
			close(p.steady)
		}
		_, _ = io.Copy(io.Discard, out)
		_ = p.cmd.Wait() // what it says is in the state
		if s, ok := p.cmd.ProcessState.Sys().(syscall.WaitStatus); ok && s.Signaled() && s.Signal() == syscall.SIGKILL {
			p.died <- nil
			return
		}
		p.died <- ended(strings.TrimSpace(p.errs.String()))
	})
	return nil
}

// ended is why the process has ended by itself, by what it told: a fault has its code behind its text.
func ended(told string) error {
	if told == "" {
		told = "its time was over"
	}
	code := told[strings.LastIndex(told, "[")+1:]
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

// well tells it that all is well here.
func (p *standIn) well() { _, _ = p.in.Write([]byte{'\n'}) } // one that reads no more has ended, which is told elsewhere

// kill does not block, and works at any time and twice.
func (p *standIn) kill() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.killed = true
	if p.runs {
		_ = p.cmd.Process.Kill() // one that has ended already is just as well
	}
}

// wasKilled reports whether somebody has killed it, or wanted to.
func (p *standIn) wasKilled() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.killed
}
