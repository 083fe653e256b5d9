package sequencer_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/units"
)

// raving is a drive with a flow sensor that shows anything, or nothing: for a few seconds the same, longer than a guard is patient, then something else each time.
type raving struct {
	*simulated.Backend
	draws *rand.Rand
	reads int
	shows drive.Sensed
}

func raves(b *simulated.Backend) drive.Backend {
	return &raving{Backend: b, draws: rand.New(rand.NewPCG(1, 2))}
}

func (r *raving) Read(round drive.Round) (drive.Feedback, error) {
	f, err := r.Backend.Read(round)
	if r.reads++; r.reads%100 == 0 || r.reads%400 < 100 {
		all := []float64{0, 1, -3, 4.9, 12, math.NaN(), math.Inf(1), 5 * r.draws.Float64()}
		r.shows = drive.Sensed{Known: r.draws.IntN(4) > 0, Speed: units.MetresPerSecond(all[r.draws.IntN(len(all))])}
	}
	f.Sensed = r.shows
	return f, err
}

// TestTheFlowSensorMovesNothing: two swims, one beside a sensor that raves. In every tick both have the same state, verdict, order, motor and water, to the bit.
func TestTheFlowSensorMovesNothing(t *testing.T) {
	plain := newRig(t, mixed())
	beside := newRigBehind(t, mixed(), raves)
	both := []*rig{plain, beside}
	for _, r := range both {
		r.must(r.do(run.Reset))
		r.must(r.do(run.Start))
	}
	told := 0
	for i := range int(8 * time.Minute / tick) {
		var st [2]run.Status
		for k, r := range both {
			r.step()
			if i%1000 == 999 {
				_ = r.do(run.On) // leaves the open block
			}
			r.core.Status(&st[k])
		}
		a, b := plain.drive.Report(), beside.drive.Report()
		if b.Sensed.Known {
			told++
		}
		v1, d1 := plain.back.Water()
		v2, d2 := beside.back.Water()
		if a.Ordered != b.Ordered || a.Motor != b.Motor || a.Stops != b.Stops || v1 != v2 || d1 != d2 || plain.state() != beside.state() ||
			plain.core.Verdict() != beside.core.Verdict() || plain.core.Wish() != beside.core.Wish() || st[0].Distance != st[1].Distance {
			t.Fatalf("in tick %d the sensor has changed something:\n%+v\n%+v", i, a, b)
		}
	}
	if _, d := plain.back.Water(); d.Metres() < 100 || told < 1000 {
		t.Errorf("swum %v, with %d words of the sensor: this has shown nothing", d, told)
	}
}
