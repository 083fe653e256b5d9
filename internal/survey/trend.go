package survey

import (
	"math"
	"slices"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// tolerance is by how much of the fastest water a reading may be off what the others say, beside its error and theirs and how far the curve may bend. Our own choice:
// at twice the spacing, real flumes bend by up to that. The fastest reading, which is beyond the others, may be off by four times as much.
const tolerance = 0.025

// fits checks that the nodes can all be true.
func fits(nodes []node) error {
	if bad := stuck(nodes); bad != nil {
		return bad
	}
	bad := falls(nodes)
	if bad == nil {
		bad = astray(nodes)
	}
	if bad == nil {
		return nil
	}
	// Would it be well with two of them the other way round? Where several pairs would do, the smoothest.
	best, at := math.Inf(1), [2]int{}
	for j := range nodes {
		for i := range j {
			s := swap(nodes, i, j)
			if falls(s) != nil || astray(s) != nil {
				continue
			}
			rough := 0.0
			for _, r := range trend(s) {
				rough += r.Off.MetresPerSecond() * r.Off.MetresPerSecond()
			}
			if rough < best {
				best, at = rough, [2]int{i, j}
			}
		}
	}
	if math.IsInf(best, 1) {
		return bad
	}
	a, b := nodes[at[0]], nodes[at[1]]
	return contradiction(true, []string{rpmText(a.n), rpmText(b.n)},
		"the readings contradict each other: %.3f m/s at %s and %.3f m/s at %s look swapped, as all readings fit when they are the other way round; look at the notes, or measure both again",
		a.v, rpmText(a.n), b.v, rpmText(b.n))
}

// stuck finds readings that do not care about the motor: within 5 % of each other while the motor goes up by half or more. Our own choice.
func stuck(nodes []node) error {
	first, last := nodes[0], nodes[len(nodes)-1]
	low, high := first.v, first.v
	var at []string
	for _, n := range nodes {
		low, high, at = min(low, n.v), max(high, n.v), append(at, rpmText(n.n))
	}
	if high-low > 0.05*high || last.n < 1.5*first.n {
		return nil
	}
	return contradiction(false, at, "the water reads %.3f to %.3f m/s whatever the motor does, from %s to %s: is the sensor stuck or unplugged, or does the motor turn no pump?",
		low, high, at[0], at[len(at)-1])
}

// swap is the nodes with the water speeds of two exchanged.
func swap(nodes []node, i, j int) []node {
	s := slices.Clone(nodes)
	s[i], s[j] = nodes[j], nodes[i]
	s[i].n, s[j].n = nodes[i].n, nodes[j].n
	return s
}

// falls finds two nodes of which the faster motor has the slower water, beyond what their errors explain; the worst two.
func falls(nodes []node) error {
	worst, at := 1.0, [2]int{}
	for j, b := range nodes {
		for i, a := range nodes[:j] {
			if r := (a.v - b.v) / math.Hypot(a.ci, b.ci); r > worst {
				worst, at = r, [2]int{i, j}
			}
		}
	}
	if worst == 1 {
		return nil
	}
	a, b := nodes[at[0]], nodes[at[1]]
	return contradiction(false, []string{rpmText(a.n), rpmText(b.n)},
		"the readings contradict each other: %.3f ± %.3f m/s at %s, and with more motor less water, %.3f ± %.3f m/s at %s, which the errors do not explain; measure both again",
		a.v, a.ci, rpmText(a.n), b.v, b.ci, rpmText(b.n))
}

// astray finds the node that is farthest off the trend of the others, measured in what is allowed.
func astray(nodes []node) error {
	worst, at := 1.0, Residual{}
	for _, r := range trend(nodes) {
		if k := math.Abs(r.Off.MetresPerSecond()) / r.Allowed.MetresPerSecond(); k > worst {
			worst, at = k, r
		}
	}
	if worst == 1 {
		return nil
	}
	how := "faster"
	if at.Off.MetresPerSecond() < 0 {
		how = "slower"
	}
	return contradiction(false, []string{rpmText(at.Motor.RPM())},
		"the readings contradict each other: %.3f m/s at %s is %.3f m/s %s than the other readings say, and %.3f are allowed; measure there again, and if it stays so, at motor speeds to both sides",
		at.Water.MetresPerSecond(), rpmText(at.Motor.RPM()), math.Abs(at.Off.MetresPerSecond()), how, at.Allowed.MetresPerSecond())
}

// trend tells of each node how far it is off what the others say.
func trend(nodes []node) []Residual {
	top := nodes[len(nodes)-1].v
	out := make([]Residual, len(nodes))
	for i, n := range nodes {
		expected, doubt := without(nodes, i)
		slack := tolerance * top
		if i == len(nodes)-1 {
			slack *= 4
		}
		out[i] = Residual{
			Motor: units.RPM(n.n), Water: speed(n.v), CI: speed(n.ci),
			Off: speed(n.v - expected), Allowed: speed(math.Hypot(n.ci, doubt.ci) + doubt.bend + slack),
		}
	}
	return out
}

// doubts are how far what the others say may be off: by their errors, and by how they may bend.
type doubts struct{ ci, bend float64 }

// without is what the others say of node i: between them, the curve through them; beyond the last, a straight line on. At least three others are there.
func without(nodes []node, i int) (expected float64, d doubts) {
	rest := slices.Delete(slices.Clone(nodes), i, i+1)
	last := rest[len(rest)-1]
	vs := rising(rest, leastSlope*last.v/last.n)
	x := nodes[i].n
	if i == len(nodes)-1 {
		a, b := len(rest)-2, len(rest)-1
		u := (x - rest[a].n) / (rest[b].n - rest[a].n)
		return vs[a] + u*(vs[b]-vs[a]), doubts{ci: math.Hypot(u*rest[b].ci, (u-1)*rest[a].ci)}
	}
	points := make([]water.Point, len(rest))
	for k, r := range rest {
		points[k] = water.Point{Motor: units.RPM(r.n), Water: speed(vs[k])}
	}
	a, va := 0.0, 0.0 // the neighbour before, or rest
	if i > 0 {
		a, va, d.ci = rest[i-1].n, vs[i-1], rest[i-1].ci
	}
	u := (x - a) / (rest[i].n - a)
	d.ci = math.Hypot(d.ci*(1-u), rest[i].ci*u)
	straight := va + u*(vs[i]-va)
	m, err := water.New(points, units.Distance{}, water.Motor{Max: units.RPM(last.n)})
	if err != nil { // points that rounding has made level
		return straight, d
	}
	expected = m.Steady(units.RPM(x)).MetresPerSecond()
	d.bend = math.Abs(expected - straight)
	return expected, d
}
