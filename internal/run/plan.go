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
	return Plan{Title: s.Title, Swimmer: swimmer, Threshold: threshold, Unit: s.Unit, Blocks: blocks, Planner: p, Profile: profile}, append(remarks, more...), nil
}

// Copy is a plan of its own: what changes in a swim under way (a steady pace does) does not change it.
func (p Plan) Copy() Plan {
	p.Blocks = append([]schedule.Block(nil), p.Blocks...)
	return p
}

// ByItself is the plan with every open block ending after its planned time, for where nobody is there to say on.
func (p Plan) ByItself() Plan {
	p = p.Copy()
	for i, b := range p.Blocks {
		p.Blocks[i].Capped = b.Capped || b.Extent == schedule.Open
	}
	return p
}
