package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/survey"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Calibrated is what was measured of the steady water.
type Calibrated struct {
	At       time.Time `json:"at"`
	How      string    `json:"how"`
	Points   []Point   `json:"points"`
	BandPct  float64   `json:"band_percent"` // the widest half of the 95 % band, as a share of the speed there
	Residual float64   `json:"residual_mps"` // the largest
	Notes    []string  `json:"notes,omitempty"`
}

// Point is one motor speed of a calibration.
type Point struct {
	RPM     float64 `json:"rpm"`
	MPS     float64 `json:"water_mps"`
	LowMPS  float64 `json:"low_mps"` // the band
	HighMPS float64 `json:"high_mps"`
	CI      float64 `json:"ci_mps"` // of the measurement itself, half its 95 % interval
	Used    int     `json:"passes"`
	Dropped int     `json:"dropped,omitempty"`
}

// RunOut is what was measured of the inertia.
type RunOut struct {
	At      time.Time `json:"at"`
	Metres  float64   `json:"inertia_m"`
	CI      float64   `json:"ci_m"`
	RMS     float64   `json:"rms_mps"`
	Samples int       `json:"samples"`
}

// PlaceShare is the water at a place along the flume, beside where it was calibrated.
type PlaceShare struct {
	Name       string  `json:"name"`
	FromOutlet float64 `json:"from_outlet_m"`
	Share      float64 `json:"share"`
	CI         float64 `json:"ci"`
}

const (
	fewestPasses = 5
	mostPasses   = 50
	jogForFloats = 15 * time.Minute
)

// calibrate: floats or a meter at six motor speeds, from the lowest to the highest.
func calibrate(ctx context.Context, w *work) error {
	how, err := w.choose(ctx, "How is the water measured: by floats over a known length, or by a current meter?", "floats", "meter")
	if err != nil {
		return err
	}
	length := 3.0
	if how == "floats" {
		w.say("A float for each pass: just afloat, so that it moves with the water at the swimmer's depth; the middle of the stream; at least %d passes, ten are better. The factor is 1.00: those of handbooks for rivers (0.84 to 0.90, USGS) are for a bed that slows the water, and are not applied here.", fewestPasses)
		l, err := w.numbers(ctx, "Length between the two marks in metres, as in 3.00", 1, 1, 0.5, 50, "m")
		if err != nil {
			return err
		}
		length = l[0]
	}
	w.say("The motor will turn at six speeds, from its lowest to its highest, some minutes each.")
	var readings []survey.Reading
	m := w.cfg.Settings.Drive.Motor
	for _, share := range []float64{0, 0.2, 0.4, 0.6, 0.8, 1} {
		n := units.RPM(math.Round(math.Max(m.Min.RPM(), share*m.Max.RPM())))
		if len(readings) > 0 && n.RPM() < 1.05*readings[len(readings)-1].Motor.RPM() {
			continue
		}
		r, err := w.measure(ctx, how, n, length)
		if err != nil {
			return w.tellNo(fmt.Sprintf("Water at %.0f rpm", n.RPM()), n, err)
		}
		readings = append(readings, r)
	}
	fit, err := survey.Fit(readings, m)
	var no *survey.Contradiction
	if errors.As(err, &no) {
		w.bad("The readings agree", no.Error(), "one curve", "measure again what is named; look whether motor speeds or times were noted wrongly")
		return nil
	} else if err != nil {
		w.bad("A calibration", err.Error(), "a curve", "measure again")
		return nil
	}
	w.keepFit(fit, readings, how)
	return nil
}

func (w *work) keepFit(fit *survey.Calibration, readings []survey.Reading, how string) {
	c := &Calibrated{At: w.cfg.Now(), How: how, Notes: fit.Notes()}
	for _, r := range fit.Residuals() {
		c.Residual = math.Max(c.Residual, math.Abs(r.Off.MetresPerSecond()))
	}
	share, at := fit.Spread()
	c.BandPct = 100 * share
	for _, p := range fit.Points() {
		low, high := fit.Band(p.Motor)
		point := Point{RPM: p.Motor.RPM(), MPS: p.Water.MetresPerSecond(), LowMPS: low.MetresPerSecond(), HighMPS: high.MetresPerSecond()}
		for _, r := range readings {
			if near(r.Motor.RPM(), p.Motor.RPM()) {
				point.Used, point.Dropped, point.CI = point.Used+r.Used, point.Dropped+r.Dropped, r.CI.MetresPerSecond()
			}
		}
		c.Points = append(c.Points, point)
		is := w.cfg.Settings.Model.Steady(p.Motor)
		w.noted(fmt.Sprintf("Water at %.0f rpm", p.Motor.RPM()), fmt.Sprintf("%.3f m/s (%.3f to %.3f), %s; the configuration says %.3f m/s", point.MPS, point.LowMPS, point.HighMPS, p.Water.Pace(units.Metre), is.MetresPerSecond()))
	}
	for _, n := range c.Notes {
		w.noted("Note", n)
	}
	w.within(share <= 0.05, "Band of the curve, 95 %", fmt.Sprintf("%.1f %% at %.0f rpm", 100*share, at.RPM()), "5 % at most", "more passes, longer marks, or a calmer float")
	w.calibration = c
}

// measure turns the motor, waits for the water, and takes the reading there; where that is interrupted, once more, a few times.
func (w *work) measure(ctx context.Context, how string, n units.MotorSpeed, length float64) (r survey.Reading, err error) {
	for range 3 {
		if r, err = w.measureOnce(ctx, how, n, length); !BrokenOff(err) {
			return r, err
		}
		w.say("That was interrupted: %v Once more.", err)
	}
	return r, err
}

func (w *work) measureOnce(ctx context.Context, how string, n units.MotorSpeed, length float64) (survey.Reading, error) {
	if err := w.goMeasured(ctx, n); err != nil {
		return survey.Reading{}, err
	}
	if err := w.turn(ctx, n, jogForFloats); err != nil {
		return survey.Reading{}, err
	}
	if err := w.calm(ctx, n); err != nil {
		return survey.Reading{}, err
	}
	r, err := w.reading(ctx, how, n, length)
	if err != nil {
		return survey.Reading{}, err
	}
	if s, _ := w.cfg.Sequencer.Snapshot(); s.Jog == (units.MotorSpeed{}) {
		if err := over(&s); err != nil {
			return survey.Reading{}, err
		}
		return survey.Reading{}, &motorError{text: "the motor's quarter of an hour was over before the reading was taken"}
	}
	return r, w.halt(ctx)
}

// goMeasured is the go before each speed: between two of them somebody takes floats out of the water, or goes to another place.
func (w *work) goMeasured(ctx context.Context, n units.MotorSpeed) error {
	return w.go_(ctx, fmt.Sprintf("The motor will turn at %.0f rpm. Nobody in the water.", n.RPM()))
}

// calm waits until the water has come within a hundredth of what the motor keeps up: 2.65·L/v from rest, half as much again in case L is longer.
func (w *work) calm(ctx context.Context, n units.MotorSpeed) error {
	v := w.cfg.Settings.Model.Steady(n).MetresPerSecond()
	wait := min(seconds(1.5*2.65*w.cfg.Settings.Model.Inertia().Metres()/math.Max(v, 0.1)), 2*time.Minute)
	w.say("%.0f rpm: the water settles for %.0f s.", n.RPM(), wait.Seconds())
	_, err := w.until(ctx, wait, func(s *sequencer.Snapshot) bool { return over(s) != nil })
	if s, _ := w.cfg.Sequencer.Snapshot(); err == nil {
		err = over(&s)
	}
	return err
}

func (w *work) reading(ctx context.Context, how string, n units.MotorSpeed, length float64) (survey.Reading, error) {
	if how == "meter" {
		v, err := w.numbers(ctx, fmt.Sprintf("%.0f rpm: what does the meter show, in m/s? One or several readings, parted by blanks", n.RPM()), 1, mostPasses, 0, 5, "m/s")
		if err != nil {
			return survey.Reading{}, err
		}
		rows := "rpm,water_mps\n"
		for _, v := range v {
			rows += fmt.Sprintf("%g,%g\n", n.RPM(), v)
		}
		all, err := survey.ReadMeter(strings.NewReader(rows), "meter")
		if err != nil {
			return survey.Reading{}, err
		}
		return all[0], nil
	}
	for {
		if w.cfg.Water != nil {
			var took []string
			for range 8 {
				v, _ := w.cfg.Water()
				took = append(took, fmt.Sprintf("%.2f", length/math.Max(v.MetresPerSecond(), 0.01)*scatter()))
			}
			w.say("SIMULATED floats took %s s.", strings.Join(took, " "))
		}
		times, err := w.numbers(ctx, fmt.Sprintf("%.0f rpm: how long did the floats take over %g m, in seconds? At least %d, parted by blanks", n.RPM(), length, fewestPasses), fewestPasses, mostPasses, 0.1, 600, "s")
		if err != nil {
			return survey.Reading{}, err
		}
		p := survey.Passes{Motor: n, Length: units.Metres(length)}
		for _, t := range times {
			p.Times = append(p.Times, seconds(t))
		}
		r, err := p.Reading()
		if err == nil {
			said := fmt.Sprintf("%.3f m/s, give or take %.3f", r.Water.MetresPerSecond(), r.CI.MetresPerSecond())
			if r.Dropped > 0 {
				said += fmt.Sprintf("; %d of %d passes are far from the others and left out", r.Dropped, r.Dropped+r.Used)
			}
			w.say("%.0f rpm: %s.", n.RPM(), said)
			return r, nil
		}
		w.say("%v. Once more, please.", err)
	}
}

// runOut: the motor is switched off, and floats tell how the water runs out.
func runOut(ctx context.Context, w *work) error {
	if w.record.Water == nil {
		return w.first("water")
	}
	fit, err := w.record.Water.fit(w.cfg.Settings.Drive.Motor)
	if err != nil {
		return err
	}
	n := units.RPM(math.Round(0.8 * w.cfg.Settings.Drive.Motor.Max.RPM()))
	w.say("The motor is switched off at %.0f rpm, and the floats that follow are timed: note for each when it is half way, in seconds since the motor was switched off, and how long it takes.", n.RPM())
	l, err := w.numbers(ctx, "Length between the two marks in metres: a short one, as in 1.50", 1, 1, 0.3, 20, "m")
	if err != nil {
		return err
	}
	if err := w.goMeasured(ctx, n); err != nil {
		return err
	}
	if err := w.turn(ctx, n, jogForFloats); err != nil {
		return w.tellNo("Water at "+n.String(), n, err)
	}
	if err := w.calm(ctx, n); err != nil {
		return w.tellNo("Water at "+n.String(), n, err)
	}
	w.afresh()
	w.say("Second 0: the motor is switched off now.")
	if err := w.halt(ctx); err != nil {
		return w.tellNo("The motor comes to rest", n, err)
	}
	trace := w.moments()
	if w.cfg.Water != nil {
		w.say("SIMULATED floats, half way at and took: %s", strings.Join(w.simulatedCoast(ctx, trace[0].at, l[0]), " "))
	}
	pairs, err := w.pairs(ctx)
	if err != nil {
		return err
	}
	samples := motorSamples(trace)
	for _, p := range pairs {
		samples = append(samples, survey.Sample{At: seconds(p[0]), Over: seconds(p[1]), Water: units.MetresPerSecond(l[0] / p[1])})
	}
	slices.SortStableFunc(samples, func(a, b survey.Sample) int { return int(a.At - b.At) })
	in, err := survey.FitInertia(samples, fit)
	if err != nil {
		w.bad("Inertia length", err.Error(), "0 to 50 m", "time some more floats, from the first seconds on")
		return nil
	}
	r := &RunOut{At: w.cfg.Now(), Metres: in.Length.Metres(), CI: in.CI.Metres(), RMS: in.RMS.MetresPerSecond(), Samples: in.Samples}
	w.inertia = r
	w.within(r.CI <= 0.25*r.Metres, "Inertia length", fmt.Sprintf("%.2f m, give or take %.2f; the configuration says %.2f m", r.Metres, r.CI, w.cfg.Settings.Flume.Inertia.Metres()), "known to a quarter of itself",
		"time more floats, from the first seconds on, over a shorter length")
	return nil
}

// first says which part has to be done before this one.
func (w *work) first(id string) error {
	for _, p := range Parts() {
		if p.ID == id {
			return fmt.Errorf("go through %q first", p.Title)
		}
	}
	return nil
}

// motorSamples are the motor's own way down, as far as it was reported, in seconds since it was switched off.
func motorSamples(trace []moment) (out []survey.Sample) {
	for i, m := range trace {
		if i > 0 && m.reads == trace[i-1].reads {
			continue
		}
		if at := m.read - trace[0].at; at >= 0 {
			out = append(out, survey.Sample{At: at, Motor: units.RPM(math.Max(m.rpm, 0)), MotorOnly: true})
		}
	}
	return out
}

// scatter is how simulated floats differ, as an installer's do: by a hundredth.
func scatter() float64 { return 1 + 0.01*rand.NormFloat64() }

// simulatedCoast times floats in simulated water that runs out, one after the other, for as long as anybody would wait for them.
func (w *work) simulatedCoast(ctx context.Context, off time.Duration, length float64) (out []string) {
	for len(out) < 8 {
		s, _ := w.cfg.Sequencer.Snapshot()
		from := s.At
		_, x0 := w.cfg.Water()
		there, err := w.until(ctx, 10*time.Second, func(*sequencer.Snapshot) bool {
			_, x := w.cfg.Water()
			return x.Metres()-x0.Metres() >= length
		})
		if err != nil || !there {
			break
		}
		s, _ = w.cfg.Sequencer.Snapshot()
		took := (s.At - from).Seconds() * scatter()
		out = append(out, fmt.Sprintf("%.2f/%.2f", (from-off).Seconds()+took/2, took))
	}
	return out
}

// pairs asks for "half way at / took" pairs.
func (w *work) pairs(ctx context.Context) (out [][2]float64, err error) {
	for {
		a, err := w.text(ctx, `Half way at / took, in seconds, for each float, parted by blanks, as in "3.2/1.10 6.0/1.31 …"; at least five`)
		if err != nil {
			return nil, err
		}
		out = out[:0]
		wrong := ""
		for _, f := range strings.Fields(a) {
			at, took, ok := strings.Cut(f, "/")
			p, w1 := parseNumbers(at+" "+took, 2, 2, 0.1, 3600, "s")
			if !ok || w1 != "" {
				wrong = fmt.Sprintf("%s: write two times in seconds with / between them, as in 3.2/1.10", f)
				break
			}
			out = append(out, [2]float64{p[0], p[1]})
		}
		if wrong == "" && len(out) < 5 {
			wrong = fmt.Sprintf("%d floats: at least five are needed.", len(out))
		}
		if wrong == "" {
			return out, nil
		}
		w.say("%s", wrong)
	}
}

// fit is the curve of a calibration that was kept.
func (c *Calibrated) fit(m water.Motor) (*survey.Calibration, error) {
	var rs []survey.Reading
	for _, p := range c.Points {
		rs = append(rs, survey.Reading{Motor: units.RPM(p.RPM), Water: units.MetresPerSecond(p.MPS), CI: units.MetresPerSecond(p.CI), Used: p.Used})
	}
	return survey.Fit(rs, m)
}

// stations: the same at other places along the flume, beside the one where it was calibrated.
func stations(ctx context.Context, w *work) error {
	if w.record.Water == nil {
		return w.first("water")
	}
	w.say("The water is measured at two or more places along the flume, at two motor speeds each. The first is where the calibration was measured.")
	l, err := w.numbers(ctx, "Length between the two marks in metres: a short one, as in 1.00, with its middle at the place", 1, 1, 0.5, 20, "m")
	if err != nil {
		return err
	}
	var places []survey.Place
	for {
		question := "A short name of the place and its distance from the outlet in metres, as in \"swimmer 2.5\""
		if len(places) >= 2 {
			question += "; \"done\" where that was all"
		}
		name, metres, done, err := w.place(ctx, question, len(places) >= 2)
		if err != nil {
			return err
		}
		if done {
			break
		}
		p := survey.Place{Name: name, FromOutlet: units.Metres(metres)}
		for _, share := range []float64{0.5, 1} {
			n := units.RPM(math.Round(share * w.cfg.Settings.Drive.Motor.Max.RPM()))
			w.say("At %s, %g m from the outlet.", name, metres)
			r, err := w.measure(ctx, "floats", n, l[0])
			if err != nil {
				return w.tellNo(fmt.Sprintf("Water at %s", name), n, err)
			}
			p.Readings = append(p.Readings, r)
		}
		places = append(places, p)
	}
	shares, err := survey.Stations(places[0].Name, places)
	if err != nil {
		w.bad("The places agree", err.Error(), "a jet that loses speed on its way", "measure again what is named; look whether two places were taken for each other")
		return nil
	}
	for _, s := range shares {
		w.places = append(w.places, PlaceShare{s.Name, s.FromOutlet.Metres(), s.Share, s.CI})
		w.noted(fmt.Sprintf("%s, %.2f m from the outlet", s.Name, s.FromOutlet.Metres()), fmt.Sprintf("%.3f of the water where it was calibrated, give or take %.3f", s.Share, s.CI))
	}
	return nil
}

func (w *work) place(ctx context.Context, question string, mayEnd bool) (name string, metres float64, done bool, err error) {
	for {
		a, err := w.text(ctx, question)
		if err != nil {
			return "", 0, false, err
		}
		if mayEnd && strings.EqualFold(a, "done") {
			return "", 0, true, nil
		}
		f := strings.Fields(a)
		if len(f) >= 2 {
			if m, wrong := parseNumbers(f[len(f)-1], 1, 1, 0, 50, "m"); wrong == "" {
				return strings.Join(f[:len(f)-1], " "), m[0], false, nil
			}
		}
		w.say("%q: write a name and metres, as in swimmer 2.5.", a)
	}
}
