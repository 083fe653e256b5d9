package panel

import (
	"fmt"
	"testing"

	"flume.example/sequencerd/internal/fault"
)

// trial is one try at a test that swims on real time. Where the machine was so busy that the guard took the control loop for late, and stopped the
// water as it should, the test says nothing about the panel, and is tried again.
type trial struct {
	testing.TB
	rigs   []*rig
	failed bool
	said   string
}

type gaveUp struct{}

func (t *trial) Fatalf(format string, args ...any) { t.Errorf(format, args...); panic(gaveUp{}) }
func (t *trial) Fatal(args ...any)                 { t.Error(args...); panic(gaveUp{}) }
func (t *trial) Error(args ...any)                 { t.Errorf("%s", fmt.Sprint(args...)) }
func (t *trial) Errorf(format string, args ...any) {
	t.failed = true
	t.said += fmt.Sprintf(format, args...) + "\n"
}

// late reports whether a control loop was stopped for being late.
func (t *trial) late() bool {
	for _, r := range t.rigs {
		snap, _ := r.seq.Snapshot()
		for _, c := range []fault.Code{snap.Reason, snap.Drive.Why} {
			if c == fault.TickLate || c == fault.LoopSilent || c == fault.FeedbackOld {
				return true
			}
		}
	}
	return false
}

const trials = 6

func onRealTime(t *testing.T, body func(t testing.TB)) {
	t.Helper()
	for range trials {
		one := &trial{TB: t}
		one.run(body)
		switch {
		case !one.failed:
			return
		case !one.late():
			t.Fatal(one.said)
		}
		t.Logf("the machine was too busy for real time, and the guard stopped the water; once more")
	}
	t.Fatal("the machine was too busy for real time, each time")
}

func (t *trial) run(body func(testing.TB)) {
	defer func() {
		if p := recover(); p != nil {
			if _, ok := p.(gaveUp); !ok {
				panic(p)
			}
		}
	}()
	body(t)
}
