package commission_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive/simulated"
)

// through goes through parts and gives what came of the last.
func (p *place) through(ctx context.Context, ids ...string) commission.Done {
	p.t.Helper()
	var d commission.Done
	for _, id := range ids {
		var err error
		p.said = nil
		if d, err = p.course.Do(ctx, id); err != nil {
			p.t.Fatalf("%s: %v\n%s", id, err, strings.Join(p.said, "\n"))
		}
	}
	return d
}

// TestTheCoursePasses: everything is fitted and well, and an installer goes through all of it.
func TestTheCoursePasses(t *testing.T) {
	inPlace(t, everything, nil, func(ctx context.Context, p *place) {
		for _, part := range commission.Parts() {
			d := p.through(ctx, part.ID)
			t.Logf("%s\n", strings.Join(p.said, "\n"))
			if !d.Passed || d.NotFitted {
				t.Errorf("%s: %s", part.ID, d.Verdict())
			}
		}
		r := p.course.Record()
		if st := r.Stands(p.s, installed); !st.Passed {
			t.Errorf("it does not stand: %+v", st)
		}
	})
}

// TestPlantedFaultsAreFoundAndNamed: each fault of an installation is found by the part that is there for it, which says what it is and what to do.
func TestPlantedFaultsAreFoundAndNamed(t *testing.T) {
	const tried = "stop sensors" // before anything turns: the guard wants a stop press seen, and nobody in the water
	for _, c := range []struct {
		name   string
		text   string // of the configuration, behind everything
		before string // parts that go well
		part   string
		plant  func(*place, *simulated.Config)
		what   string // the finding, and what it says
		says   string
	}{
		{name: "stop wired normally open", part: "stop", what: "Released, it reads", says: "normally open",
			plant: func(p *place, _ *simulated.Config) {
				p.swap = map[string]string{"stop press": "stop release", "stop release": "stop press"}
				p.first = "stop press"
			}},
		{name: "stop wire open", part: "stop", what: "Released, it reads", says: "the wire is open",
			plant: func(p *place, _ *simulated.Config) {
				p.swap = map[string]string{"stop press": ""}
				p.first = "stop open"
			}},
		{name: "a broken wire looks released", part: "stop", what: "With the wire off, it reads", says: "pull it down",
			plant: func(p *place, _ *simulated.Config) { p.swap = map[string]string{"stop open": ""} }},
		{name: "swapped pins", part: "buttons", what: `The "slower" button answers as`, says: `wired to the pin of "faster"`,
			plant: func(p *place, _ *simulated.Config) {
				p.swap = map[string]string{"slower": "faster", "faster": "slower"}
			}},
		{name: "sensor stuck", part: "sensors", what: "The occupancy sensor shows", says: "stuck",
			plant: func(p *place, _ *simulated.Config) { p.swap = map[string]string{"occupancy empty": ""} }},
		{name: "cover contact bridged", part: "sensors", what: "The cover contact shows", says: "normally closed",
			plant: func(p *place, _ *simulated.Config) { p.swap = map[string]string{"cover open": ""} }},
		{name: "drive does not answer: wrong parity", part: "drive", what: "The drive answers", says: "link",
			plant: func(_ *place, c *simulated.Config) { c.Faults = []string{"link lost at 0 s for 60 min"} }},
		{name: "wrong scale", before: tried, part: "first-turn", what: "The drive's own display", says: "factor of 0.1",
			plant: func(p *place, _ *simulated.Config) { p.answers["What does the drive's own display"] = "16 rpm" }},
		{name: "wrong pole pairs", before: tried, part: "first-turn", what: "The drive's own display", says: "factor of 2",
			plant: func(p *place, _ *simulated.Config) { p.answers["What does the drive's own display"] = "10.67 Hz" }},
		{name: "reversed motor", before: tried, part: "first-turn", what: "The water flows", says: "backwards",
			plant: func(p *place, _ *simulated.Config) { p.answers["Look at the water"] = "wrong" }},
		{name: "no link-loss time", before: tried, part: "silence", what: "After a silence", says: "set its link-loss time",
			plant: func(_ *place, c *simulated.Config) { c.LinkLoss = time.Minute }},
		{name: "relay welded", before: tried, part: "relay", what: "Heartbeat still", says: "welded",
			plant: func(p *place, _ *simulated.Config) { p.welded = true }},
		{name: "stop ramp too slow", before: tried, part: "stops", what: "Stop button at full speed", says: "quick-stop ramp",
			plant: func(_ *place, c *simulated.Config) { c.QuickStopRPMPerSecond = 400 }},
		{name: "another stop than the button's", before: tried, part: "stops", what: "Stop button at slow speed", says: "not from the button",
			plant: func(p *place, _ *simulated.Config) { p.elsewhere = true }},
		{name: "ramp too slow", before: tried, part: "limits", what: "The motor's ramp up", says: "accel_rpm_per_s to 400",
			plant: func(_ *place, c *simulated.Config) { c.RampRPMPerSecond = 400 }},
		{name: "ramp far too slow", before: tried, part: "limits", what: "Highest speed", says: "slower than its ramp",
			plant: func(_ *place, c *simulated.Config) { c.RampRPMPerSecond = 100 }},
		{name: "two stations swapped", before: tried + " water", part: "stations", what: "The places agree", says: "swapped",
			plant: func(p *place, _ *simulated.Config) { p.shares = map[string]float64{"swimmer": 0.9, "back": 1.02} }},
		{name: "two speeds swapped", before: tried, part: "water", what: "The readings agree", says: "rpm",
			plant: func(p *place, _ *simulated.Config) {
				n := 0
				p.floats = func(d time.Duration) time.Duration {
					if n++; n > 24 && n <= 32 { // those at 900 rpm are written down as twice as fast
						return d / 2
					}
					return d
				}
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			inPlace(t, everything+c.text, c.plant, func(ctx context.Context, p *place) {
				p.begin(ctx)
				for _, id := range strings.Fields(c.before) {
					if d := p.through(ctx, id); !d.Passed {
						t.Fatalf("%s: %+v", id, d)
					}
				}
				d := p.through(ctx, c.part)
				if d.Passed {
					t.Errorf("%s is passed:\n%s", c.part, strings.Join(p.said, "\n"))
				}
				for _, f := range d.Findings {
					if !f.Good && strings.HasPrefix(f.What, c.what) && strings.Contains(f.What+f.Value+f.Do, c.says) {
						t.Logf("%v", f)
						return
					}
				}
				t.Errorf("no finding %q that says %q:\n%s", c.what, c.says, strings.Join(p.said, "\n"))
			})
		})
	}
}

// TestWhatTheBoardAndASensorSayIsNoted: for the record, and judged by nobody.
func TestWhatTheBoardAndASensorSayIsNoted(t *testing.T) {
	inPlace(t, everything+"[drive.simulated]\nflow_sensor = 1\n", nil, func(ctx context.Context, p *place) {
		for part, what := range map[string]string{"board": "Computer", "drive": "Flow sensor, the motor at rest"} {
			if d := p.through(ctx, part); !slices.ContainsFunc(d.Findings, func(f commission.Finding) bool { return f.What == what && f.Value != "" && f.Note }) {
				t.Errorf("%s does not note %q: %+v", part, what, d.Findings)
			}
		}
	})
}
