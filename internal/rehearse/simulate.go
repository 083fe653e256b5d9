package rehearse

import (
	"fmt"
	"math"
	"slices"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

const tick = sequencer.Tick

// settleFor is given to the simulated drive to answer before the start; the faults that are set for a time count from the start of the program.
const settleFor = 20

// Input is what a rehearsal needs.
type Input struct {
	Plan      run.Plan
	Remarks   []fault.Remark
	Threshold units.Pace
	Model     *water.Model
	Safety    safety.Config
	Simulated simulated.Config
}

// sample is the simulated flume at a tick.
type sample struct{ rpm, water float64 }

// Rehearse takes a plan through tick, guard and simulated drive without waiting. The person who is asked whether they are still there answers.
func Rehearse(in Input) (*Result, error) {
	r := describe(in.Plan, in.Threshold, in.Remarks)
	backend, err := simulated.New(in.Simulated)
	if err != nil {
		return nil, err
	}
	d := drive.New(backend, drive.Config{Model: in.Model})
	core := sequencer.NewCore(sequencer.Config{
		Drive: d, Model: in.Model, Planner: in.Plan.Planner, Safety: in.Safety, Inline: true, NoCountIn: true,
	})
	var now time.Duration
	step := func(dt time.Duration) {
		core.Tick(now, dt, tick)
		d.Exchange(now)
	}
	for range settleFor {
		step(tick)
		now += tick
	}
	for _, c := range []sequencer.Command{{What: run.LayOut, Plan: in.Plan.ByItself()}, {What: run.Reset}, {What: run.Start}} {
		if err := core.Do(c); err != nil {
			return nil, fmt.Errorf("cannot rehearse: %w", err)
		}
	}
	begin := now
	_, x0 := backend.Water()
	length := x0
	var st run.Status
	asked, over := false, false
	whole, _ := in.Plan.Profile.Total()
	runout, _ := in.Plan.Profile.Runout()
	// The samples go on through the runout, and as long as the plan does where the swim is stopped before.
	for dt := time.Duration(0); !over || now-begin <= whole+runout; dt = tick {
		step(dt)
		at, x := backend.Water()
		before := length
		length = x
		r.samples = append(r.samples, sample{backend.Motor().RPM(), at.MetresPerSecond()})
		state, why := core.State()
		switch {
		case over:
		case state != run.Running:
			over = true
			core.Status(&st)
			r.length = st.Elapsed
			// the last block ended between the last two ticks
			part := 1 - (now-begin-st.Elapsed).Seconds()/tick.Seconds()
			r.Simulated.Length = before.Metres() + min(max(part, 0), 1)*(length.Metres()-before.Metres()) - x0.Metres()
			if st.Block < st.Blocks {
				r.stopped(why, now-begin)
			}
		default:
			r.Simulated.WorstError = math.Max(r.Simulated.WorstError, math.Abs(at.MetresPerSecond()-core.Wish().Speed.MetresPerSecond()))
			ask := core.Verdict().Ask
			if ask && !asked {
				r.AsksAt = append(r.AsksAt, (now - begin).Seconds())
				if err := core.Do(sequencer.Command{What: run.Here}); err != nil {
					return nil, err
				}
			}
			asked = ask
		}
		now += tick
	}
	r.Simulated.Time = r.length.Seconds()
	return r, nil
}

// stopped tells what ended the simulated swim before its last block did, unless the plan has told already.
func (r *Result) stopped(why fault.Code, at time.Duration) {
	r.Simulated.Stopped = string(why)
	if slices.ContainsFunc(r.Warnings, func(w Warning) bool { return w.Code == why }) {
		return
	}
	r.Warnings = append(r.Warnings, Warning{
		Code: why, Block: -1, Text: fmt.Sprintf("In the simulation this ends the swim at %s: %s", units.FormatTimeWhole(at), fault.Of(why).What),
	})
}
