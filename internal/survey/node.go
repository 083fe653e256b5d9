package survey

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"flume.example/sequencerd/internal/units"
)

// node is all readings at one motor speed as one.
type node struct {
	n, v    float64 // rpm, m/s
	se      float64 // standard error of v
	freedom float64 // of se; infinite where it was given and not measured
	ci      float64 // half the width of the 95 % interval
	assumed bool    // nobody knows the error: ours was taken
}

// Where nobody says how sure a reading is, this is taken for half the width of its interval: what a hand-held current meter is good for. Our own choice.
const (
	assumedShare = 0.03
	assumedLeast = 0.02 // m/s
)

// z95 is the 0.975 quantile of the normal distribution.
const z95 = 1.959963984540054

// sameRPM reports whether two motor speeds are one for our purposes: half a percent, about what a drive's feedback wanders by.
func sameRPM(a, b float64) bool { return math.Abs(a-b) <= 0.005*max(a, b) }

// rpmText is a motor speed as a person reads it.
func rpmText(n float64) string { return fmt.Sprintf("%.4g rpm", n) }

// merge checks the readings and makes one node of each motor speed, the slowest first. Readings at one motor speed that differ by more than twice their error
// are a *Contradiction.
func merge(readings []Reading) ([]node, error) {
	nodes := make([]node, 0, len(readings))
	for i, r := range readings {
		n, err := r.node()
		if err != nil {
			return nil, fmt.Errorf("reading %d: %w", i+1, err)
		}
		nodes = append(nodes, n)
	}
	slices.SortStableFunc(nodes, func(a, b node) int { return cmp.Compare(a.n, b.n) })
	var out []node
	for len(nodes) > 0 {
		k := 1
		for k < len(nodes) && sameRPM(nodes[0].n, nodes[k].n) {
			k++
		}
		one, err := pool(nodes[:k])
		if err != nil {
			return nil, err
		}
		out, nodes = append(out, one), nodes[k:]
	}
	return out, nil
}

// node checks one reading.
func (r Reading) node() (node, error) {
	if err := checkMotor(r.Motor); err != nil {
		return node{}, err
	}
	n := node{n: r.Motor.RPM(), v: r.Water.MetresPerSecond(), ci: r.CI.MetresPerSecond(), freedom: math.Inf(1)}
	if !(n.v >= leastSpeed && n.v <= mostSpeed) {
		return node{}, fmt.Errorf("water %g m/s at %s: allowed is %g to %g", n.v, rpmText(n.n), leastSpeed, mostSpeed)
	}
	if !(n.ci >= 0 && n.ci <= mostSpeed) {
		return node{}, fmt.Errorf("interval of ± %g m/s at %s: allowed is 0 (not known) to %g", n.ci, rpmText(n.n), mostSpeed)
	}
	if n.ci == 0 {
		n.ci, n.assumed = max(assumedShare*n.v, assumedLeast), true
	} else if r.Used >= fewestPasses {
		n.freedom = float64(r.Used - 1)
	}
	n.ci = max(n.ci, 1e-4) // a tenth of a millimetre a second: no reading is better
	n.se = n.ci / student(0.975, n.freedom)
	return n, nil
}

// pool makes one node of several at one motor speed: the mean weighted by 1/se², its freedom after Welch and Satterthwaite, its error widened (Birge 1932) where the
// readings scatter more than they should.
func pool(nodes []node) (node, error) {
	if len(nodes) == 1 {
		return nodes[0], nil
	}
	var w, wn, wv, ww float64
	for i, a := range nodes {
		for _, b := range nodes[:i] {
			if math.Abs(a.v-b.v) > 2*math.Hypot(a.ci, b.ci) {
				return node{}, contradiction(false, []string{rpmText(b.n), rpmText(a.n)}, "readings at %s contradict each other: %.3f m/s and %.3f m/s, more apart than their errors (± %.3f and ± %.3f) explain; measure again",
					rpmText(a.n), b.v, a.v, b.ci, a.ci)
			}
		}
		k := 1 / (a.se * a.se)
		w, wn, wv, ww = w+k, wn+k*a.n, wv+k*a.v, ww+k*k/a.freedom
	}
	p := node{n: wn / w, v: wv / w, freedom: w * w / ww}
	chi2 := 0.0
	for _, a := range nodes {
		chi2 += (a.v - p.v) * (a.v - p.v) / (a.se * a.se)
		p.assumed = p.assumed || a.assumed
	}
	p.se = math.Sqrt(max(1, chi2/float64(len(nodes)-1)) / w)
	p.ci = p.se * student(0.975, p.freedom)
	return p, nil
}

// rising are the speeds nearest to those of the nodes, in weighted least squares, that rise by at least slope (m/s per rpm), from rest on: pool adjacent
// violators (Ayer and others 1955).
func rising(nodes []node, slope float64) []float64 {
	type block struct {
		v, w float64
		k    int
	}
	var blocks []block
	for _, n := range nodes {
		blocks = append(blocks, block{n.v - slope*n.n, 1 / (n.se * n.se), 1})
		for len(blocks) > 1 {
			a, b := blocks[len(blocks)-2], blocks[len(blocks)-1]
			if a.v <= b.v {
				break
			}
			w := a.w + b.w
			blocks = append(blocks[:len(blocks)-2], block{(a.v*a.w + b.v*b.w) / w, w, a.k + b.k})
		}
	}
	out := make([]float64, 0, len(nodes))
	for _, b := range blocks {
		for range b.k {
			out = append(out, max(b.v, 0)+slope*nodes[len(out)].n)
		}
	}
	return out
}

// list is "300 rpm, 600 rpm and 900 rpm".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

func speed(v float64) units.Speed { return units.MetresPerSecond(v) }
