package panel

import (
	"slices"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
)

// A person is told that the clock was set, and, after a start of the program, that the one before died in the middle of a swim.
func TestWhatIsToldBesideTheStop(t *testing.T) {
	p := &Panel{}
	codes := func(s *sequencer.Snapshot) (out []fault.Code) {
		for _, f := range p.faults(s) {
			out = append(out, f.Code)
		}
		return out
	}
	s := &sequencer.Snapshot{Why: fault.NotReset}
	if got := codes(s); !slices.Equal(got, []fault.Code{fault.NotReset}) {
		t.Errorf("told %v", got)
	}
	s = &sequencer.Snapshot{Why: fault.NotReset, ClockSet: true, Status: run.Status{LeftBy: fault.ProgramDied}}
	if got := codes(s); !slices.Equal(got, []fault.Code{fault.NotReset, fault.ProgramDied, fault.ClockSet}) {
		t.Errorf("told %v", got)
	}
}
