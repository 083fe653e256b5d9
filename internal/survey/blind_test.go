package survey

import (
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// hidden is a flume that nobody has a model of: its own curve, its own integration (classical Runge-Kutta), nothing of internal/water.
type hidden struct {
	kind     string
	curve    func(n float64) float64 // m/s from rpm
	min, max float64                 // rpm
	inertia  float64                 // m
	dead     float64                 // s
	ramp     float64                 // rpm/s
	wander   float64                 // of the water, a share: over seconds
	rng      *rand.Rand
}

// hide makes one of four kinds of curve: straight (a recirculating tunnel's, arXiv 2604.14003), a power, a pump that slips at low speed, and one that bends off at the top.
func hide(seed uint64) *hidden {
	r := rand.New(rand.NewPCG(seed, 20))
	in := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	f := &hidden{max: math.Round(in(900, 3000)), inertia: in(0.8, 5), dead: in(0.02, 0.3), wander: in(0.002, 0.01), rng: r}
	f.min = math.Round(f.max * in(0.06, 0.12))
	f.ramp = f.max * in(0.2, 0.6)
	top := in(1.75, 2.2)
	var shape func(x float64) float64
	switch seed % 4 {
	case 0:
		f.kind, shape = "straight", func(x float64) float64 { return x }
	case 1:
		p := in(0.9, 1.25)
		f.kind, shape = "power", func(x float64) float64 { return math.Pow(x, p) }
	case 2:
		d, w := in(0.1, 0.4), in(0.15, 0.3)
		f.kind, shape = "slipping pump", func(x float64) float64 { return x * (1 - d*math.Exp(-x*x/(w*w))) }
	case 3:
		b := in(0.05, 0.25)
		f.kind, shape = "bending off", func(x float64) float64 { return x / (1 + b*x*x) }
	}
	whole := shape(1)
	f.curve = func(n float64) float64 { return top * shape(max(n, 0)/f.max) / whole }
	return f
}

const hiddenStep = 0.02 // s

// run lets the water follow a motor, by Runge and Kutta, and gives speed and distance at every step.
func (f *hidden) run(from float64, motor func(t float64) float64, until float64) (v, x []float64) {
	k := int(until/hiddenStep) + 2
	v, x = make([]float64, k), make([]float64, k)
	v[0] = from
	off, keep := 0.0, math.Exp(-hiddenStep/4) // an Ornstein-Uhlenbeck wandering with 4 s
	for i := 1; i < k; i++ {
		off = keep*off + f.wander*math.Sqrt(1-keep*keep)*f.rng.NormFloat64()
		t := float64(i-1)*hiddenStep - f.dead
		c2 := func(t float64) float64 { c := f.curve(motor(t)) * (1 + off); return c * c }
		a0, a1, a2 := c2(t), c2(t+hiddenStep/2), c2(t+hiddenStep)
		d := func(v, c2 float64) float64 { return (c2 - v*math.Abs(v)) / f.inertia }
		k1 := d(v[i-1], a0)
		k2 := d(v[i-1]+hiddenStep/2*k1, a1)
		k3 := d(v[i-1]+hiddenStep/2*k2, a1)
		k4 := d(v[i-1]+hiddenStep*k3, a2)
		v[i] = v[i-1] + hiddenStep/6*(k1+2*k2+2*k3+k4)
		x[i] = x[i-1] + hiddenStep*v[i-1] + hiddenStep*hiddenStep/6*(k1+k2+k3)
	}
	return v, x
}

// speeds are the motor speeds at which the course measures: the lowest, the highest, and evenly between.
func (f *hidden) speeds(k int) (out []float64) {
	for i := range k {
		out = append(out, math.Round(f.min+(f.max-f.min)*float64(i)/float64(k-1)))
	}
	return out
}

// The two afternoons: an installer with a tape, floats and a stopwatch; one with a current meter.
const (
	floatWay    = 4.0  // m
	floatPasses = 12   // at each of
	floatSpeeds = 7    // motor speeds
	stopwatch   = 0.06 // s, standard deviation of start and stop together
	eddies      = 0.01 // of a pass, standard deviation
	meterSpeeds = 7
	meterRows   = 15
	meterNoise  = 0.015 // of a row, standard deviation, and
	meterFloor  = 0.004 // m/s
)

func (f *hidden) floats() ([]Reading, error) {
	var csv strings.Builder
	csv.WriteString("rpm,length_m,time_s\n")
	for _, n := range f.speeds(floatSpeeds) {
		for range floatPasses {
			t := floatWay/(f.curve(n)*(1+eddies*f.rng.NormFloat64())) + stopwatch*f.rng.NormFloat64()
			fmt.Fprintf(&csv, "%g,%g,%.2f\n", n, floatWay, t)
		}
	}
	all, err := ReadFloats(strings.NewReader(csv.String()), "floats.csv")
	if err != nil {
		return nil, err
	}
	var out []Reading
	for _, p := range all {
		r, err := p.Reading()
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func (f *hidden) meter() ([]Reading, error) {
	var csv strings.Builder
	csv.WriteString("rpm,water_mps\n")
	for _, n := range f.speeds(meterSpeeds) {
		for range meterRows {
			fmt.Fprintf(&csv, "%g,%.3f\n", n, f.curve(n)*(1+meterNoise*f.rng.NormFloat64())+meterFloor*f.rng.NormFloat64())
		}
	}
	return ReadMeter(strings.NewReader(csv.String()), "meter.csv")
}

// coast is what floats tell of the motor's going off at 0 s: two floats in each of six coasts from three quarters of the highest speed, and the motor from its feedback.
func (f *hidden) coast() ([]Sample, error) {
	n0 := 0.75 * f.max
	off := func(t float64) float64 {
		if t < 0 {
			return n0
		}
		return max(n0-f.ramp*t, 0)
	}
	var csv strings.Builder
	csv.WriteString("t_s,rpm,water_mps,over_s\n")
	for t := 0.0; t < n0/f.ramp+0.2; t += 0.1 {
		fmt.Fprintf(&csv, "%.3f,%.1f,,\n", t, off(t))
	}
	for _, thrown := range [][2]float64{{0, 6}, {1, 9}, {2, 12}, {0.5, 15}, {3, 10}, {4, 14}} {
		_, x := f.run(f.curve(n0), off, 120)
		for _, t0 := range thrown {
			i := int(math.Round(t0 / hiddenStep))
			j := i
			for j < len(x)-1 && x[j]-x[i] < floatWay/2 {
				j++
			}
			past := (x[j] - x[i] - floatWay/2) / (x[j] - x[j-1]) // of the last step
			over := (float64(j-i)-past)*hiddenStep + stopwatch*f.rng.NormFloat64()
			mid := t0 + over/2
			fmt.Fprintf(&csv, "%.3f,%.1f,%.4f,%.2f\n", mid, off(mid), floatWay/2/over, over)
		}
	}
	return ReadSamples(strings.NewReader(csv.String()), "coast.csv")
}

// log is a current meter's log, five rows a second: from rest to three quarters of the highest speed, half a minute of it, and half a minute of coast.
func (f *hidden) log() ([]Sample, error) {
	n0 := 0.75 * f.max
	motor := func(t float64) float64 {
		if t < 35 {
			return min(max(f.ramp*(t-2), 0), n0)
		}
		return max(n0-f.ramp*(t-35), 0)
	}
	v, _ := f.run(0, motor, 65)
	var csv strings.Builder
	csv.WriteString("t_s,rpm,water_mps\n")
	for t := 0.0; t < 65; t += 0.2 {
		w := v[int(math.Round(t/hiddenStep))]
		fmt.Fprintf(&csv, "%.1f,%.1f,%.3f\n", t, motor(t), max(w*(1+meterNoise*f.rng.NormFloat64())+meterFloor*f.rng.NormFloat64(), 0))
	}
	return ReadSamples(strings.NewReader(csv.String()), "log.csv")
}

// TestBlind commissions 100 hidden flumes, half with floats and half with a meter, and says what the results are worth. The figures are in docs/calibration.md.
func TestBlind(t *testing.T) {
	const flumes = 100
	demos := demoSessions(t)
	for k, how := range []string{"floats", "meter"} {
		inBand, inL, inDead, deads := 0, 0, 0, 0
		var bands, lErrors, lBands, distance []float64
		for seed := range uint64(flumes) {
			f := hide(seed)
			measure, record := f.floats, f.coast
			if how == "meter" {
				measure, record = f.meter, f.log
			}
			readings, err := measure()
			if err != nil {
				t.Fatalf("%s, flume %d (%s): %v", how, seed, f.kind, err)
			}
			c, err := Fit(readings, water.Motor{Min: units.RPM(f.min), Max: units.RPM(f.max), RPMPerSecond: f.ramp})
			if err != nil {
				t.Errorf("%s, flume %d (%s): %v", how, seed, f.kind, err)
				continue
			}
			samples, err := record()
			if err != nil {
				t.Fatalf("%s, flume %d (%s): %v", how, seed, f.kind, err)
			}
			inertia, err := FitInertia(samples, c)
			if err != nil {
				t.Errorf("%s, flume %d (%s): %v", how, seed, f.kind, err)
				continue
			}
			held := true
			for i := range 401 {
				n := f.min + (f.max-f.min)*float64(i)/400
				low, high := c.Band(units.RPM(n))
				if v := f.curve(n); v < low.MetresPerSecond() || v > high.MetresPerSecond() {
					if held {
						t.Logf("%s, flume %d (%s): %.4f m/s at %.0f of %.0f rpm, band %.4f to %.4f", how, seed, f.kind, v, n, f.max, low.MetresPerSecond(), high.MetresPerSecond())
					}
					held = false
				}
			}
			if held {
				inBand++
			}
			share, _ := c.Spread()
			bands = append(bands, share)
			off := math.Abs(inertia.Length.Metres() - f.inertia)
			if off <= inertia.CI.Metres() {
				inL++
			}
			lErrors, lBands = append(lErrors, off/f.inertia), append(lBands, inertia.CI.Metres()/inertia.Length.Metres())
			if inertia.DeadCI > 0 {
				deads++
				if math.Abs(inertia.Dead.Seconds()-f.dead) <= inertia.DeadCI.Seconds() {
					inDead++
				}
			}
			m, err := c.Model(inertia.Length)
			if err != nil {
				t.Fatal(err)
			}
			distance = append(distance, f.swim(t, m, demos))
		}
		half := func(v []float64) float64 { return 100 * median(v) }
		within := 0
		for _, d := range distance {
			if d < 0.01 {
				within++
			}
		}
		t.Logf("%s: curve inside its band in %d of %d, widest half of the band ± %.1f %% (median)", how, inBand, flumes, half(bands))
		t.Logf("%s: inertia inside its interval in %d of %d, interval ± %.1f %% (median), error %.1f %% (median)", how, inL, flumes, half(lBands), half(lErrors))
		t.Logf("%s: dead time told in %d, inside its interval in %d of them", how, deads, inDead)
		t.Logf("%s: distance over the demos off by %.2f %% (median), by %.2f %% at worst, under 1 %% in %d of %d", how, half(distance), 100*slices.Max(distance), within, flumes)
		documented(t, "curve within its band everywhere", k, float64(inBand), 1)
		documented(t, "widest half of the band, median", k, half(bands), 0.06)
		documented(t, "inertia within its interval", k, float64(inL), 1)
		documented(t, "half of the inertia's interval, median", k, half(lBands), 0.06)
		documented(t, "distance over the demos off, median", k, half(distance), 0.006)
		documented(t, "distance over the demos off, at worst", k, 100*slices.Max(distance), 0.006)
		documented(t, "distance off by less than 1 %", k, float64(within), 1)
		if inBand < 95 {
			t.Errorf("%s: the curve is inside its band in only %d of %d", how, inBand, flumes)
		}
		if inL < 90 { // of 95 meant: fewer than 90 has a chance of 1 in 90 (binomial)
			t.Errorf("%s: the inertia is inside its interval in only %d of %d", how, inL, flumes)
		}
		if within < 95 {
			t.Errorf("%s: the distance is off by less than 1 %% in only %d of %d", how, within, flumes)
		}
	}
}

type demo struct {
	name   string
	blocks []schedule.Block
}

func demoSessions(t *testing.T) (out []demo) {
	t.Helper()
	names, err := fs.Glob(config.Sessions, "*.toml")
	if err != nil || len(names) < 6 {
		t.Fatalf("%d demo sessions (%v)", len(names), err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(config.Sessions, name)
		if err != nil {
			t.Fatal(err)
		}
		s, err := schedule.Parse(name, text)
		if err != nil {
			t.Fatal(err)
		}
		blocks, _, err := s.Blocks(units.PacePer100(95, units.Metre))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, demo{name, blocks})
	}
	return out
}

// swim commands the hidden flume by the model through the demos, and gives the share by which what the model counts, from the motor's speed, is off what flowed.
func (f *hidden) swim(t *testing.T, m *water.Model, demos []demo) float64 {
	t.Helper()
	limits := ramp.Limits{Accel: units.MetresPerSecond2(0.10), Decel: units.MetresPerSecond2(0.12), Jerk: units.MetresPerSecond3(0.10), Relief: units.MetresPerSecond3(1)}
	planner, err := ramp.NewPlanner(limits, m, units.MetresPerSecond(1.6))
	if err != nil {
		t.Fatal(err)
	}
	counted, flowed := 0.0, 0.0
	for _, d := range demos {
		profile, _, err := planner.Profile(ramp.State{}, d.blocks)
		if err != nil {
			t.Fatalf("%s: %v", d.name, err)
		}
		total, _ := profile.Total()
		const tick = 100 * time.Millisecond
		at := profile.Cursor()
		var e water.Estimate
		v, n := 0.0, 0.0
		late := make([]float64, int(f.dead/tick.Seconds())+1) // what the motor has been told and the water does not feel yet
		for now := time.Duration(0); now < total; now += tick {
			s, _, _ := at.At(now)
			to := m.MotorFor(s.Speed, s.Accel).RPM()
			if to < f.min {
				to = 0
			}
			step := f.ramp * tick.Seconds()
			next := min(max(to, n-step), n+step)
			e = m.Advance(e, units.RPM(n), units.RPM(next), tick)
			late = append(late[1:], next)
			c := f.curve(late[0])
			h := tick.Seconds()
			slope := func(v float64) float64 { return (c*c - v*math.Abs(v)) / f.inertia }
			k1 := slope(v)
			k2 := slope(v + h/2*k1)
			k3 := slope(v + h/2*k2)
			k4 := slope(v + h*k3)
			flowed += h*v + h*h/6*(k1+k2+k3)
			v += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
			n = next
		}
		counted += e.Distance.Metres()
	}
	return math.Abs(counted/flowed - 1)
}
