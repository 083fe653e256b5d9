package survey

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"flume.example/sequencerd/internal/units"
)

// Place is somewhere along the flume where the water was measured, at some of the same motor speeds as elsewhere.
type Place struct {
	Name       string
	FromOutlet units.Distance // from the outlet of the jet, along the flume
	Readings   []Reading
}

// Station is how fast the water is at a place, as a share of its speed at the reference, where the calibration was measured.
type Station struct {
	Name       string
	FromOutlet units.Distance
	Share      float64 // 1 at the reference
	CI         float64 // half the width of its 95 % interval; 0 at the reference
	// Lowest and Highest are the shares at single motor speeds: far apart, the share is not the same at every speed.
	Lowest, Highest float64
}

// Speed is the water's speed at the station while it is v at the reference.
func (s Station) Speed(v units.Speed) units.Speed {
	return units.MetresPerSecond(v.MetresPerSecond() * s.Share)
}

// fewestShared is the least number of motor speeds at which both a place and the reference must have been measured.
const fewestShared = 2

// Stations are the shares of the places, the nearest to the outlet first, the reference (one of their names) among them: the mean of the ratios at equal motor speeds,
// weighted by how sure they are. A jet loses speed on its way. A share that rises with the distance by more than its error is a *Contradiction, which says whether
// the two places are swapped. The error names the place, the value and what is allowed.
func Stations(reference string, places []Place) ([]Station, error) {
	ref := slices.IndexFunc(places, func(p Place) bool { return p.Name == reference })
	if ref < 0 {
		return nil, fmt.Errorf("station %q, the reference, has not been measured", reference)
	}
	base, err := merge(places[ref].Readings)
	if err != nil {
		return nil, fmt.Errorf("station %q: %w", reference, err)
	}
	var out []Station
	for i, p := range places {
		if d := p.FromOutlet.Metres(); !(d >= 0 && d <= 50) {
			return nil, fmt.Errorf("station %q: %g m from the outlet: allowed is 0 to 50", p.Name, d)
		}
		for _, o := range places[:i] {
			if o.Name == p.Name {
				return nil, fmt.Errorf("station %q is there twice", p.Name)
			}
			if o.FromOutlet == p.FromOutlet {
				return nil, fmt.Errorf("stations %q and %q are both %g m from the outlet", o.Name, p.Name, p.FromOutlet.Metres())
			}
		}
		s := Station{Name: p.Name, FromOutlet: p.FromOutlet, Share: 1, Lowest: 1, Highest: 1}
		if i != ref {
			if err := s.measure(p, base, reference); err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b Station) int { return cmp.Compare(a.FromOutlet.Metres(), b.FromOutlet.Metres()) })
	if err := falling(out); err != nil {
		return nil, err
	}
	return out, nil
}

// measure finds a place's share of the reference.
func (s *Station) measure(p Place, base []node, reference string) error {
	nodes, err := merge(p.Readings)
	if err != nil {
		return fmt.Errorf("station %q: %w", p.Name, err)
	}
	var ratios, weights []float64
	var given float64
	for _, a := range nodes {
		for _, b := range base {
			if !sameRPM(a.n, b.n) {
				continue
			}
			// The error of a ratio is that of both, as shares, in the root of the sum of squares.
			r := a.v / b.v
			ci := r * math.Hypot(a.ci/a.v, b.ci/b.v)
			ratios, weights, given = append(ratios, r), append(weights, 1/(ci*ci)), given+1/(ci*ci)
		}
	}
	if len(ratios) < fewestShared {
		return fmt.Errorf("station %q has %d motor speeds in common with %q: at least %d are needed", p.Name, len(ratios), reference, fewestShared)
	}
	s.Share = stat.Mean(ratios, weights)
	s.Lowest, s.Highest = slices.Min(ratios), slices.Max(ratios)
	// What the single intervals say of the mean, widened (Birge 1932) where the ratios scatter more than that.
	chi2 := 0.0
	for i, r := range ratios {
		chi2 += weights[i] * (r - s.Share) * (r - s.Share) * z95 * z95
	}
	s.CI = math.Sqrt(max(1, chi2/float64(len(ratios)-1)) / given)
	return nil
}

// falling checks that no share rises with the distance, beyond the error.
func falling(s []Station) error {
	for j := range s {
		for i := range j {
			rise := s[j].Share - s[i].Share
			if rise <= math.Hypot(s[i].CI, s[j].CI) {
				continue
			}
			swapped := slices.Clone(s)
			swapped[i].Share, swapped[j].Share = s[j].Share, s[i].Share
			swapped[i].CI, swapped[j].CI = s[j].CI, s[i].CI
			at, hint := []string{s[i].Name, s[j].Name}, ""
			fits := rises(swapped) == 0
			if fits {
				hint = " The two look swapped."
			}
			return contradiction(fits, at, "stations %q and %q contradict each other: %.3g m from the outlet the water has a share of %.3f and farther on, at %.3g m, of %.3f; a jet loses speed on its way.%s",
				s[i].Name, s[j].Name, s[i].FromOutlet.Metres(), s[i].Share, s[j].FromOutlet.Metres(), s[j].Share, hint)
		}
	}
	return nil
}

// rises counts the pairs that rise beyond their error.
func rises(s []Station) (n int) {
	for j := range s {
		for i := range j {
			if s[j].Share-s[i].Share > math.Hypot(s[i].CI, s[j].CI) {
				n++
			}
		}
	}
	return n
}
