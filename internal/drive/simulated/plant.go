package simulated

import (
	"math"
	"math/rand/v2"
	"time"

	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// plant is the true water.
type plant struct {
	model    *water.Model // its own
	at       time.Duration
	speed    units.Speed // without noise
	distance float64     // m, with noise
	noise    noise
}

// behind is the model of the true water: the commanding one's curve and inertia with their errors.
func behind(c Config) (*water.Model, error) {
	if c.SpeedError == 0 && c.InertiaError == 0 {
		return c.Model, nil
	}
	points := c.Model.Points()
	if c.SpeedError != 0 {
		points = bent(c.Model, points, c.SpeedError)
	}
	return water.New(points, units.Metres(c.Model.Inertia().Metres()*(1+c.InertiaError)), c.Model.Motor())
}

// bent moves a curve by a fraction that itself rises over the curve by half its size, so that no one factor puts it right. It takes points between the
// calibrated ones, because the bend of a straight curve would be lost. The factor rises, and so does the curve.
func bent(m *water.Model, points []water.Point, by float64) []water.Point {
	last := points[len(points)-1].Motor.RPM()
	var out []water.Point
	for i, p := range points {
		if i > 0 {
			n := units.RPM((points[i-1].Motor.RPM() + p.Motor.RPM()) / 2)
			out = append(out, water.Point{Motor: n, Water: m.Steady(n)})
		}
		out = append(out, p)
	}
	for i, p := range out {
		factor := 1 + by + math.Abs(by)*.5*(p.Motor.RPM()/last-.5)
		out[i].Water = units.MetresPerSecond(p.Water.MetresPerSecond() * factor)
	}
	return out
}

// follow lets the water follow the motor from rpm n0 to n1 over dt.
func (p *plant) follow(n0, n1 float64, dt time.Duration) {
	e := p.model.Advance(water.Estimate{Speed: p.speed}, units.RPM(n0), units.RPM(n1), dt)
	p.speed = e.Speed
	p.distance += e.Distance.Metres() * (1 + p.noise.value(p.at+dt/2))
	p.at += dt
}

// truth is the water at the end of what was followed.
func (p *plant) truth(now time.Duration) (units.Speed, units.Distance) {
	return units.MetresPerSecond(p.speed.MetresPerSecond() * (1 + p.noise.value(now))), units.Metres(p.distance)
}

// wander is the time between two draws of the noise: it has little above a quarter of a hertz, slow against a tick, quick against a repetition.
const wander = 2 * time.Second

// noise is a fraction of the speed that wanders smoothly between draws. It depends on seed and time alone, not on when it is asked.
type noise struct {
	size     float64
	draws    *rand.Rand
	from, to float64
	start    time.Duration // when it was at from
}

func newNoise(size float64, seed uint64) noise {
	n := noise{size: size, draws: rand.New(rand.NewPCG(seed, 0))}
	n.from, n.to = n.draw(), n.draw()
	return n
}

func (n *noise) draw() float64 { return n.size * (2*n.draws.Float64() - 1) }

// value is the noise at t; times come in order.
func (n *noise) value(t time.Duration) float64 {
	if n.size == 0 {
		return 0
	}
	for t >= n.start+wander {
		n.from, n.to = n.to, n.draw()
		n.start += wander
	}
	u := float64(t-n.start) / float64(wander)
	return n.from + (n.to-n.from)*u*u*(3-2*u)
}
