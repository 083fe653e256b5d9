package survey

import (
	"fmt"
	"math"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// FewestSpeeds is at how many different motor speeds the water must have been measured.
const FewestSpeeds = 4

// Calibration is the curve from motor speed to water speed through the readings: the one that water.New makes of its Points. It is immutable.
type Calibration struct {
	motor  water.Motor
	nodes  []node
	points []water.Point
	curve  *water.Model   // without inertia
	nudged []*water.Model // the curve with one point each a little higher
	nudge  float64        // by so much, m/s
	shift  []float64      // of the points from the readings, to make them rise
	joint  []float64      // half widths at the points that hold for all of them at once, 95 %
	bend   []float64      // by how much the curve may be off half way before each point, beside that
	off    []Residual
	notes  []string
}

// Residual is how far one reading is from what the other readings say of its motor speed. The curve goes through all of them, so it is told by leaving out the one.
type Residual struct {
	Motor   units.MotorSpeed
	Water   units.Speed // as measured
	CI      units.Speed // of the measurement, half the width of the 95 % interval
	Off     units.Speed // measured less expected from the others
	Allowed units.Speed // more than this, either way, is a contradiction
}

// Fit makes a calibration of readings at four or more different motor speeds, of which one is at least 99 % of the motor's highest. Several readings at one motor speed
// (to half a percent) count as one, weighted by their errors.
//
// Water that falls while the motor rises is drawn level where the errors explain it, which Notes says; where they do not, and where a reading is off the trend of the
// others by more than its error and theirs, the readings are refused with a *Contradiction that names them.
func Fit(readings []Reading, motor water.Motor) (*Calibration, error) {
	nodes, err := merge(readings)
	if err != nil {
		return nil, err
	}
	if len(nodes) < FewestSpeeds {
		return nil, fmt.Errorf("readings at %d different motor speeds: at least %d are needed", len(nodes), FewestSpeeds)
	}
	if len(nodes) > 64 {
		return nil, fmt.Errorf("readings at %d different motor speeds: a calibration has at most 64", len(nodes))
	}
	top, highest := motor.Max.RPM(), nodes[len(nodes)-1].n
	if !(top > 0 && top <= mostRPM) {
		return nil, fmt.Errorf("motor's highest speed %g rpm: allowed is more than 0 to %d", top, mostRPM)
	}
	if least := motor.Min.RPM(); !(least >= 0 && least < top) {
		return nil, fmt.Errorf("motor's lowest speed %g rpm: allowed is 0 to below its highest, %g rpm", least, top)
	}
	if highest < 0.99*top {
		return nil, fmt.Errorf("the fastest reading is at %s and the motor goes to %s: measure there too, or lower max_rpm", rpmText(highest), rpmText(top))
	}
	if err := fits(nodes); err != nil {
		return nil, err
	}
	c := &Calibration{motor: motor, nodes: nodes}
	if err := c.draw(); err != nil {
		return nil, err
	}
	c.off = trend(nodes)
	c.doubt()
	c.remark()
	return c, nil
}

// leastSlope is how steep the curve is at least, as a share of its mean slope: a level one has no inverse.
const leastSlope = 0.05

// draw makes points and curves.
func (c *Calibration) draw() error {
	last := c.nodes[len(c.nodes)-1]
	vs := rising(c.nodes, leastSlope*last.v/last.n)
	c.nudge = math.Inf(1)
	for i, n := range c.nodes {
		c.points = append(c.points, water.Point{Motor: units.RPM(n.n), Water: speed(vs[i])})
		before := 0.0
		if i > 0 {
			before = vs[i-1]
		}
		c.shift = append(c.shift, vs[i]-n.v)
		c.nudge = min(c.nudge, 0.01*(vs[i]-before))
	}
	if top := c.motor.Max; last.n < top.RPM() {
		// Up to 1 % short, as a loaded motor is: the last stretch is drawn on straight.
		k := len(c.points) - 1
		a, b := c.points[k-1], c.points[k]
		slope := (b.Water.MetresPerSecond() - a.Water.MetresPerSecond()) / (b.Motor.RPM() - a.Motor.RPM())
		c.points[k] = water.Point{Motor: top, Water: speed(b.Water.MetresPerSecond() + slope*(top.RPM()-last.n))}
		c.note("The fastest reading was at %s; the curve is drawn on to the motor's highest, %s.", rpmText(last.n), rpmText(top.RPM()))
	}
	var err error
	if c.curve, err = water.New(c.points, units.Distance{}, c.motor); err != nil {
		return fmt.Errorf("no curve comes of these readings: %w", err)
	}
	for i := range c.points {
		moved := c.Points()
		moved[i].Water = speed(moved[i].Water.MetresPerSecond() + c.nudge)
		m, err := water.New(moved, units.Distance{}, c.motor)
		if err != nil {
			return fmt.Errorf("no curve comes of these readings: %w", err)
		}
		c.nudged = append(c.nudged, m)
	}
	return nil
}

// doubt finds how far off the points, and the curve between them, may be.
//
// The intervals of the points hold for all of them at once (Bonferroni: each misses in 2 % over their number, which leaves 3 of 5 % for the shape). Between two points the curve may bend otherwise than
// the water does. Half way, straight lines between the points would be off by h²·c″/8; the cubic knows the slopes on both sides, and is taken to be off by
// at most a quarter of that, c″ being the greater of the second differences at both ends (what that is worth: docs/calibration.md). Below the slowest reading nothing is
// known but rest: there, anything between the square root and the square of the motor speed is thought possible.
func (c *Calibration) doubt() {
	k := len(c.nodes)
	p := 1 - 0.01/float64(k)
	c.joint, c.bend = make([]float64, k), make([]float64, k)
	second := make([]float64, k+1) // at rest and at the points
	for i := 1; i < k; i++ {
		second[i] = math.Abs(c.chord(i)-c.chord(i-1)) / (c.width(i) + c.width(i-1)) * 2
	}
	for i, n := range c.nodes {
		c.joint[i] = n.se*student(p, n.freedom) + math.Abs(c.shift[i])
		if i == 0 {
			c.bend[0] = c.points[0].Water.MetresPerSecond() / 4
			continue
		}
		h := c.width(i)
		c.bend[i] = h * h / 8 * max(second[i], second[i+1]) / 4
	}
}

// chord is the slope of the straight line to point i from the one before (from rest to the first), and width how much rpm it spans.
func (c *Calibration) chord(i int) float64 {
	rise := c.points[i].Water.MetresPerSecond()
	if i > 0 {
		rise -= c.points[i-1].Water.MetresPerSecond()
	}
	return rise / c.width(i)
}

func (c *Calibration) width(i int) float64 {
	if i == 0 {
		return c.points[0].Motor.RPM()
	}
	return c.points[i].Motor.RPM() - c.points[i-1].Motor.RPM()
}

// Points are what the configuration and water.New want: rising in both, without the one at rest. The slice is the caller's.
func (c *Calibration) Points() []water.Point { return append([]water.Point(nil), c.points...) }

// Motor is the motor that the calibration is for.
func (c *Calibration) Motor() water.Motor { return c.motor }

// Model is the calibrated flume with an inertia length, 0 to 50 m.
func (c *Calibration) Model(inertia units.Distance) (*water.Model, error) {
	return water.New(c.points, inertia, c.motor)
}

// Steady is the water speed that this motor speed keeps up.
func (c *Calibration) Steady(n units.MotorSpeed) units.Speed { return c.curve.Steady(n) }

// Band is where the steady water speed is. From the slowest reading to the fastest, the water of 95 flumes in 100 is within it at every motor speed at once.
// Below the slowest reading it is wide, as nothing was measured; at 0 rpm and below, and for what is no number, the water is at rest. Beyond the fastest it is that of the fastest.
func (c *Calibration) Band(n units.MotorSpeed) (low, high units.Speed) {
	x := n.RPM()
	if !(x > 0) {
		return units.Speed{}, units.Speed{}
	}
	last := c.points[len(c.points)-1].Motor
	if x > last.RPM() {
		n, x = last, last.RPM()
	}
	v := c.curve.Steady(n).MetresPerSecond()
	w := 0.0
	for i, m := range c.nudged {
		w += math.Abs(m.Steady(n).MetresPerSecond()-v) / c.nudge * c.joint[i]
	}
	from := 0.0
	for i, p := range c.points {
		if to := p.Motor.RPM(); x <= to {
			u := (x - from) / (to - from)
			w += 4 * u * (1 - u) * c.bend[i]
			break
		}
		from = p.Motor.RPM()
	}
	return speed(max(v-w, 0)), speed(v + w)
}

// Spread is the widest half of the band between the slowest and the fastest reading, as a share of the water's speed there, and at which motor speed that is.
func (c *Calibration) Spread() (share float64, at units.MotorSpeed) {
	first, last := c.points[0].Motor.RPM(), c.points[len(c.points)-1].Motor.RPM()
	const steps = 200
	for i := range steps + 1 {
		n := units.RPM(first + (last-first)*float64(i)/steps)
		low, high := c.Band(n)
		if s := (high.MetresPerSecond() - low.MetresPerSecond()) / 2 / c.Steady(n).MetresPerSecond(); s > share {
			share, at = s, n
		}
	}
	return share, at
}

// Residuals are those of all motor speeds, the slowest first.
func (c *Calibration) Residuals() []Residual { return append([]Residual(nil), c.off...) }

// Notes are plain sentences about what was done with the readings, and what would make the calibration better.
func (c *Calibration) Notes() []string { return append([]string(nil), c.notes...) }

func (c *Calibration) note(format string, args ...any) {
	c.notes = append(c.notes, fmt.Sprintf(format, args...))
}

// wide is the share of the band from which a better calibration is suggested. Our own choice: 3 % is 3 s in 1:40.
const wide = 0.03

// remark notes what a person should know.
func (c *Calibration) remark() {
	var level, guessed []string
	for i, n := range c.nodes {
		if n.assumed {
			guessed = append(guessed, rpmText(n.n))
		}
		if math.Abs(c.shift[i]) > 1e-9 {
			level = append(level, rpmText(n.n))
		}
	}
	if level != nil {
		c.note("From reading to reading the water rises too little, or falls within the error, at %s: there the curve goes between the readings. More passes would tell.", list(level))
	}
	if guessed != nil {
		c.note("Nobody says how sure the readings at %s are: ± %.0f %%, at least ± %.2f m/s, was taken.", list(guessed), 100*assumedShare, assumedLeast)
	}
	if first, least := c.nodes[0].n, c.motor.Min.RPM(); least > 0 && first > 1.1*least {
		c.note("The slowest reading is at %s and the motor goes down to %s: what the water does there is a guess. Measure there too.", rpmText(first), rpmText(least))
	}
	if share, at := c.Spread(); share > wide {
		c.note("The band is ± %.1f %% wide at %s. More passes there, or a longer way, make it narrower.", 100*share, rpmText(at.RPM()))
	}
}
