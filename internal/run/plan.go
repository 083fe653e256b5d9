package run

import (
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// NewPlan lays a session out for a swimmer: blocks, and the profile over them from standstill. Remarks are what should be known beforehand;
// the error has everything that is not possible.
func NewPlan(s *schedule.Session, swimmer string, threshold units.Pace, p *ramp.Planner) (Plan, []fault.Remark, error) {
	blocks, remarks, err := s.Blocks(threshold)
	if err != nil {
		return Plan{}, nil, err
	}
	profile, more, err := p.Profile(ramp.State{}, blocks)
	if err != nil {
		return Plan{}, nil, err
	}
	return Plan{Title: s.Title, Swimmer: swimmer, Unit: s.Unit, Blocks: blocks, Planner: p, Profile: profile}, append(remarks, more...), nil
}

// ByItself is the plan with every open block ending after its planned time, for where nobody is there to say on.
func (p Plan) ByItself() Plan {
	blocks := append([]schedule.Block(nil), p.Blocks...)
	for i := range blocks {
		blocks[i].Capped = blocks[i].Capped || blocks[i].Extent == schedule.Open
	}
	p.Blocks = blocks
	return p
}
