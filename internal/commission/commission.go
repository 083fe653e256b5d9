// Package commission is the installer's course: it has things pressed, opened and turned, measures what comes of it, says what is wrong and what to do, and
// keeps a record. Nobody swims on a real drive before its safety part is passed.
//
// The course speaks to a Hand, which is a terminal or a page, and turns the motor through the loop, under the same guard and drive as every swim.
package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os/exec"
	"slices"
	"sync"
	"time"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// Config is what a course needs.
type Config struct {
	Sequencer *sequencer.Sequencer
	Settings  *settings.Settings
	Hand      Hand
	Board     string           // what the computer is; empty where it does not know
	Dir       string           // where the record is kept
	Now       func() time.Time // for dates alone
	Simulated bool             // the drive is not a real one
	// Water is the true water of a simulated flume, its speed and how far it has flowed, in which the course times floats by itself; nil elsewhere.
	Water func() (units.Speed, units.Distance)
	// Apart is a process of its own that turns the motor at so many rpm for so long over the link that the loop lends it: see standIn. Nil where the drive is simulated.
	Apart func(n units.MotorSpeed, length time.Duration) *exec.Cmd
	// Uncommissioned lets the installer swim whatever the record says, as the program was told when it started.
	Uncommissioned bool
	// Patience is how long somebody may take to press what they are asked to; default a minute.
	Patience time.Duration
}

// Course is one installer at one flume. Its methods are called from one goroutine.
type Course struct {
	cfg    Config
	record *Record

	mu    sync.Mutex
	trace []moment // since the last turn began
}

// moment is one tick of a motor that is tried.
type moment struct {
	at      time.Duration // of the tick
	read    time.Duration // of the drive's report
	reads   uint64
	rpm     float64
	stops   uint64
	pressed bool // the wall's stop
}

// mostMoments bounds the trace: half an hour of ticks.
const mostMoments = 36000

// ErrLater is a part that the installer left for another time. Nothing of it is kept.
var ErrLater = errors.New("left for later")

// New goes on with the record in the folder, or begins one.
func New(c Config) (*Course, error) {
	if c.Patience <= 0 {
		c.Patience = time.Minute
	}
	r, err := Load(c.Dir)
	if err != nil {
		return nil, err
	}
	if r == nil {
		r = &Record{Format: recordFormat, Parts: map[string]Done{}}
	}
	r.Flume, r.Simulated = c.Settings.Flume.Name, c.Simulated
	return &Course{cfg: c, record: r}, nil
}

// Record is how far the course is; a copy that later parts do not change.
func (c *Course) Record() Record { return c.record.copy() }

// Part is a piece of the course.
type Part struct {
	ID, Title string
	Safety    bool // nobody swims on a real drive before it is passed
	Minutes   int  // what it takes where all is well: our own estimate
	do        func(context.Context, *work) error
}

// Parts are all of them, in their order: what keeps people safe first.
func Parts() []Part {
	return []Part{
		{"board", "Board, wiring and people", true, 8, boardAndPeople},
		{"stop", "The stop button and its wire", true, 3, stopButton},
		{"buttons", "The other buttons", true, 2, buttons},
		{"signals", "Lamp and beeper", true, 1, signals},
		{"sensors", "Occupancy sensor and interlocks", true, 3, sensors},
		{"drive", "The drive answers", true, 3, driveAnswers},
		{"first-turn", "The first slow turn", true, 4, firstTurn},
		{"silence", "The drive stops by itself", true, 2, silence},
		{"relay", "The relay that the heartbeat holds", true, 2, relay},
		{"stops", "Stops from slow, middle and full speed", true, 20, stops},
		{"limits", "Lowest and highest speed, the motor's ramp", true, 4, limits},
		{"water", "Calibration: how fast the water really is", false, 50, calibrate},
		{"inertia", "How the water runs out", false, 10, runOut},
		{"stations", "Places along the flume", false, 30, stations},
	}
}

// Do goes through a part, and keeps what came of it. The error says why it did not come to its end: then the record stays as it was.
func (c *Course) Do(ctx context.Context, id string) (Done, error) {
	for _, p := range Parts() {
		if p.ID == id {
			return c.do(ctx, p)
		}
	}
	return Done{}, fmt.Errorf("%q is no part of the course", id)
}

func (c *Course) do(ctx context.Context, p Part) (done Done, err error) {
	if err := c.cfg.Sequencer.Install(ctx, true, c.watch); err != nil {
		return Done{}, err
	}
	defer func() { err = errors.Join(err, c.leave(ctx)) }()
	began := time.Now()
	s, _ := c.cfg.Sequencer.Snapshot()
	w := &work{Course: c, part: p, agreed: s.Drive.Pressed}
	w.say("%s", p.Title)
	if err := p.do(ctx, w); err != nil {
		return Done{}, err
	}
	w.done.At, w.done.Wiring = c.cfg.Now(), Wiring(c.cfg.Settings)
	w.done.TookS = time.Since(began).Round(time.Second).Seconds()
	w.done.judge()
	c.record.take(p.ID, w)
	return w.done, c.record.save(c.cfg.Dir)
}

// leave stops whatever still turns, and gives the flume back.
func (c *Course) leave(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	// Not only while it is ordered to turn: in a silence of the link nothing is, and a stop ends that silence.
	if s, _ := c.cfg.Sequencer.Snapshot(); s.Jog != (units.MotorSpeed{}) || s.Drive.Silent || math.Abs(s.Motor.RPM()) > atRest {
		if c.cfg.Sequencer.Do(ctx, sequencer.Command{What: run.Stop}) == nil { // at the drive it is in any case; here the guard is to have heard of it
			_, _ = c.until(ctx, 10*sequencer.Tick, func(s *sequencer.Snapshot) bool { return s.State == run.Stopped })
		}
	}
	err := c.cfg.Sequencer.Install(ctx, false, nil)
	if err == nil && !c.cfg.Simulated {
		err = c.cfg.Sequencer.Commissioned(ctx, c.cfg.Uncommissioned || c.record.Stands(c.cfg.Settings, c.cfg.Now()).Passed)
	}
	if ctx.Err() != nil { // the loop has ended
		return nil
	}
	return err
}

// watch notes each tick.
func (c *Course) watch(s *sequencer.Snapshot) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.trace) < mostMoments {
		r := &s.Drive
		c.trace = append(c.trace, moment{at: s.At, read: s.ReadAt, rpm: r.Motor.RPM(), reads: r.Reads, stops: r.Stops, pressed: s.Wall.Stop == safety.Bad})
	}
}

// moments are the trace so far, which begins anew with afresh.
func (c *Course) moments() []moment {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.trace)
}

func (c *Course) afresh() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.trace = c.trace[:0]
}
