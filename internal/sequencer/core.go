// Package sequencer is the loop: timer, facts, guard, drive, snapshots.
//
// Core is one tick of it, without a clock: a rehearsal calls it in a plain for loop, Sequencer on real time.
package sequencer

import (
	"errors"
	"math"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
	"flume.example/sequencerd/internal/water"
)

// Tick is the time between two ticks.
const Tick = 50 * time.Millisecond

// Source says where a command comes from.
type Source uint8

// The sources.
const (
	Terminal Source = iota
	AtWall
	Panel
	Home // home automation, which may stop and nothing else
)

var sourceNames = [...]string{"terminal", "wall", "panel", "home automation"}

// String is the source's name in what is kept of a swim.
func (s Source) String() string { return sourceNames[s] }

// countIn is the time from a start to the water, by where the start was given: from a panel, one still has to get in.
var countIn = [...]time.Duration{Terminal: 10 * time.Second, AtWall: 10 * time.Second, Panel: 30 * time.Second, Home: 30 * time.Second}

// staleAfter is how old what a person saw may be when they press.
const staleAfter = 3 * time.Second

// Command is what a person asks for.
type Command struct {
	What  run.Command
	By    Source
	Nudge float64    // s per 100, slower positive
	Pace  units.Pace // Steady
	Plan  run.Plan   // LayOut, Swimmer
	Again bool       // Start: where the last swim was interrupted
	Seen  *Seen      // what the person saw; nil where they see it live
}

// Seen is what was shown to a person when they gave a command.
type Seen struct {
	Swim uint64
	At   time.Duration
}

// Config is what a Core is made of.
type Config struct {
	Drive     *drive.Drive
	Model     *water.Model
	Planner   *ramp.Planner // for steady water
	Unit      units.Unit    // for steady water
	Safety    safety.Config
	Wall      *wall.Wall // nil for none
	Inline    bool       // the caller calls Drive.Exchange with the same time as Tick, after each; else Drive.Run runs
	NoCountIn bool
	Edited    func() bool  // the configuration on the disk is not the one that runs; must not block; nil for never
	Alive     func()       // called at the end of each tick that ended on time; feeds the watchdogs
	Events    chan<- Event // for a logbook; nil for none
}

// Core is one swim place: swim, guard, drive and the estimate of the water, advanced by ticks. It is not safe for concurrent use.
type Core struct {
	cfg   Config
	swim  run.Swim
	guard *safety.Guard

	now      time.Duration
	stop     fault.Code    // asked since the last tick
	press    bool          // a sign of a person since the last tick
	paused   time.Duration // when a pause was last given, and where
	pausedBy Source
	swimID   uint64
	steady   bool
	wish     run.Wish
	verdict  safety.Verdict
	shown    show
	changed  time.Duration // of the occupancy signal, as last seen
	seen     bool          // it changed since the last tick
	report   drive.Report
	facts    safety.Facts // of the latest tick
	flow     flow
	bench    bench

	clockUntil time.Duration // people are told until then that the computer's clock was set

	judged   safety.Verdict // last told
	sampleAt time.Duration  // when the next sample is due
	under    bool           // a swim was under way at the last tick
	lost     uint64         // events that found no room
}

// NewCore makes a core that is stopped.
func NewCore(c Config) *Core {
	return &Core{cfg: c, guard: safety.NewGuard(c.Safety)}
}

// Tick lets dt pass until now. gap is how long ago the last tick really was, which the guard judges.
func (c *Core) Tick(now, dt, gap time.Duration) {
	c.now = now
	defer c.after()
	f := c.learn()
	f.Gap = gap
	c.wish = c.swim.Step(dt, units.Metres(c.flow.head.Distance.Metres()))
	c.verdict = c.guard.Step(f, c.ask())
	c.stop, c.press, c.seen = "", false, false
	if c.verdict.Cleared == (safety.Cleared{}) {
		c.bench.jog = units.MotorSpeed{}
	}
	switch {
	case c.verdict.Stop:
		c.cfg.Drive.Stop(c.verdict.Why)
		c.swim.Halt(c.verdict.Why)
		return
	case c.verdict.Soft:
		c.swim.Soft(c.verdict.Why)
	}
	c.swim.Cap(c.verdict.Cap)
	if !c.verdict.Permit {
		return
	}
	if st, _ := c.swim.State(); !st.Under() && c.verdict.Cleared == (safety.Cleared{}) && !c.bench.comesDown(c.report.Motor) {
		c.cfg.Drive.Rest()
		return
	}
	c.cfg.Drive.Set(c.verdict.Cleared)
	if v, a := c.verdict.Cleared.Water(); !c.wish.Off && (v != c.wish.Speed || a != c.wish.Accel) {
		c.swim.Granted(ramp.State{Speed: v, Accel: a})
	}
}

// ask turns the swim's wish into what the guard wants to know.
func (c *Core) ask() safety.Wish {
	if c.bench.jog != (units.MotorSpeed{}) {
		return safety.Wish{Jog: c.bench.jog, Under: true}
	}
	st, _ := c.swim.State()
	w := safety.Wish{Speed: c.wish.Speed, Accel: c.wish.Accel, Off: c.wish.Off, Under: st.Under(), Swims: st == run.Running}
	w.AtRest, w.RestIn, w.RestAway = c.swim.RestAhead()
	return w
}

// learn gathers the facts, and brings the estimate of the water up to date.
func (c *Core) learn() *safety.Facts {
	c.report = c.cfg.Drive.Report()
	r := &c.report
	at := r.At
	if !c.cfg.Inline {
		at = c.now - (r.Now - r.At)
	}
	c.flow.update(c.cfg.Model, r.Reads, r.Motor, at, c.now)
	c.facts = safety.Facts{
		Now: c.now, Stop: c.stop, Press: c.press, Wall: c.cfg.Wall.Facts(c.now), Water: c.flow.head.Speed,
		Drive: safety.DriveFacts{
			Reads: r.Reads, At: at, Motor: r.Motor, Ordered: r.Ordered, Lost: r.Link != nil, Fault: r.Fault != "",
			Stops: r.Stops, Latched: r.Latched, Why: r.Why,
		},
	}
	if w := &c.facts.Wall; w.Occupancy != safety.Absent && w.Changed != c.changed {
		c.changed, c.seen = w.Changed, true
	}
	c.facts.Seen = c.seen
	c.facts.Edited = c.cfg.Edited != nil && c.cfg.Edited()
	return &c.facts
}

// after is the end of every tick: what the wall shows, and what the logbook hears.
func (c *Core) after() {
	c.shown.tick(c)
	c.bench.show(c.now, &c.shown.Outputs)
	c.cfg.Wall.Show(c.shown.Outputs)
	c.follow()
}

// Do carries out a command between two ticks. The error is a fault.Fault that says why it did nothing.
func (c *Core) Do(cmd Command) error {
	err := c.do(cmd)
	var f fault.Fault
	if err != nil && !errors.As(err, &f) {
		f.Code = "error"
	}
	c.tell(Event{Kind: Given, Command: cmd.What, By: cmd.By, Nudge: cmd.Nudge, Code: f.Code})
	if st, _ := c.swim.State(); err == nil && cmd.What == run.Swimmer && st.Under() {
		c.tell(Event{Kind: Changed, Plan: c.swim.Plan().Copy(), Place: c.swim.Here()})
	}
	return err
}

func (c *Core) do(cmd Command) error {
	if cmd.What == run.Stop {
		c.cfg.Drive.Stop(fault.StopPressed)
		c.stop = fault.StopPressed
		return nil
	}
	if s := cmd.Seen; s != nil && (s.Swim != c.swimID || c.now-s.At > staleAfter) {
		return fault.Of(fault.Stale)
	}
	c.press = true
	if c.bench.on && (cmd.What == run.Start || cmd.What == run.Steady) {
		return fault.Of(fault.Installing)
	}
	switch cmd.What {
	case run.LayOut:
		c.steady = false
		return c.capFor(cmd.Plan, c.swim.LayOut)
	case run.Swimmer:
		return c.capFor(cmd.Plan, c.swim.Change)
	case run.Start:
		return c.start(cmd)
	case run.Steady:
		return c.steadily(cmd)
	case run.Pause:
		c.paused, c.pausedBy = c.now, cmd.By
		return c.swim.Pause()
	case run.Resume:
		if c.paused == c.now && c.pausedBy != cmd.By { // a pause and a resume at one moment, from two places: the pause wins
			return fault.Of(fault.PauseWins)
		}
		return c.swim.Resume()
	case run.On:
		return c.swim.On()
	case run.Skip:
		return c.swim.Skip()
	case run.Back:
		return c.swim.Back()
	case run.Nudge:
		return c.swim.Nudge(cmd.Nudge)
	case run.Finish:
		return c.swim.Finish()
	case run.Reset:
		return c.reset()
	}
	return c.swim.Allows(cmd.What)
}

// capFor gives the guard the cap of the swimmer whose plan is taken: from then on nothing faster is cleared.
func (c *Core) capFor(p run.Plan, take func(run.Plan) error) error {
	if p.Planner == nil {
		return fault.Of(fault.NothingLaidOut)
	}
	if err := take(p); err != nil {
		return err
	}
	if !c.guard.SetCap(p.Planner.Cap()) {
		return fault.Of(fault.OverCap)
	}
	return nil
}

func (c *Core) start(cmd Command) error {
	if err := c.swim.Allows(run.Start); err != nil {
		return err
	}
	wait := countIn[cmd.By]
	if c.cfg.NoCountIn {
		wait = 0
	}
	if st, _ := c.swim.State(); st == run.CountIn {
		return c.swim.Start(wait, false)
	}
	if err := c.guard.Start(c.learn(), cmd.By == AtWall); err != nil {
		return err
	}
	if err := c.swim.Start(wait, cmd.Again); err != nil {
		return err
	}
	c.swimID++
	c.tell(Event{Kind: Begun, Plan: c.swim.Plan().Copy(), Place: c.swim.Place()})
	return nil
}

// steadily makes steady water: a session of one open block, or another pace in the one that runs.
func (c *Core) steadily(cmd Command) error {
	if st, _ := c.swim.State(); st == run.Running && c.steady {
		return c.swim.SteadyPace(cmd.Pace)
	} else if st == run.Running {
		return fault.NotNow(run.Steady.String(), "running a session")
	}
	if err := c.swim.Allows(run.Steady); err != nil {
		return err
	}
	b := []schedule.Block{{Name: "Steady", Of: 1, Round: 1, Extent: schedule.Open, Time: schedule.OpenPlan, From: cmd.Pace, To: cmd.Pace}}
	p, _, err := c.cfg.Planner.Profile(ramp.State{}, b)
	if err != nil {
		return fault.CannotNudge(err)
	}
	err = c.swim.LayOut(run.Plan{Title: "Steady water", Unit: cmd.Pace.Unit(), Blocks: b, Planner: c.cfg.Planner, Profile: p})
	if err != nil {
		return err
	}
	c.steady = true
	return c.start(cmd)
}

func (c *Core) reset() error {
	if err := c.swim.Allows(run.Reset); err != nil {
		return err
	}
	release, err := c.guard.Reset(c.learn())
	if c.report.Fault != "" {
		c.cfg.Drive.Stop(fault.DriveFault) // acknowledges it at the drive, for the next try
	}
	if err != nil {
		return err
	}
	c.cfg.Drive.Unlatch(release)
	c.verdict = safety.Verdict{} // until the next tick judges
	return c.swim.Rearm()
}

// State is where the swim stands, and why where it is stopped or stopping.
func (c *Core) State() (run.State, fault.Code) { return c.swim.State() }

// Wish and Verdict are those of the latest tick.
func (c *Core) Wish() run.Wish          { return c.wish }
func (c *Core) Verdict() safety.Verdict { return c.verdict }

// Results are what was swum of each block; a copy.
func (c *Core) Results() []run.Result { return c.swim.Results() }

// Status fills st with where the swim is.
func (c *Core) Status(st *run.Status) { c.swim.Status(st) }

// flow estimates the water at the swimmer from the motor speed that the drive reports: exactly up to the last report, and from there to now
// as if the motor kept its speed.
type flow struct {
	reads      uint64
	motor      units.MotorSpeed
	at         time.Duration
	base, head water.Estimate
}

func (w *flow) update(m *water.Model, reads uint64, n units.MotorSpeed, at, now time.Duration) {
	if reads != w.reads {
		if w.reads > 0 {
			w.base = m.Advance(w.base, w.motor, n, at-w.at)
		}
		w.reads, w.motor, w.at = reads, n, at
	}
	if reads > 0 {
		d := w.head.Distance
		w.head = m.Advance(w.base, w.motor, w.motor, now-w.at)
		w.head.Distance = units.Metres(math.Max(d.Metres(), w.head.Distance.Metres()))
	}
}
