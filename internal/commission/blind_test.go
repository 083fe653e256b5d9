package commission_test

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// TestABlindCourse: flumes whose curve, inertia, dead time and noise nobody has told are commissioned by the course, with an installer whose floats scatter
// by a hundredth. The curve is inside its stated band, and the inertia inside its interval, in 95 of 100 (binomial scatter: at least 90 seen). The truth is
// what the plant without its noise comes to, not a formula of ours.
func TestABlindCourse(t *testing.T) {
	const flumes = 100
	inBand, inInterval, measured := 0, 0, 0
	for seed := range uint64(flumes) {
		r := rand.New(rand.NewPCG(seed, 7))
		inPlace(t, everything, func(p *place, c *simulated.Config) {
			p.noise = r
			c.SpeedError, c.InertiaError = 0.16*r.Float64()-0.08, 0.5*r.Float64()-0.2
			c.DeadTime, c.Noise, c.Seed = time.Duration(r.Float64()*float64(80*time.Millisecond)), 0.005*r.Float64(), seed
			p.hidden = *c
		}, func(ctx context.Context, p *place) {
			for _, id := range []string{"stop", "sensors", "water", "inertia"} {
				if _, err := p.course.Do(ctx, id); err != nil {
					t.Fatalf("flume %d, %s: %v", seed, id, err)
				}
			}
			rec := p.course.Record()
			if rec.Water == nil {
				t.Errorf("flume %d was refused", seed)
				return
			}
			measured++
			if within(t, p, rec.Water) {
				inBand++
			}
			truth := p.s.Flume.Inertia.Metres() * (1 + p.hidden.InertiaError)
			if o := rec.RunOut; o != nil && math.Abs(o.Metres-truth) <= o.CI {
				inInterval++
			}
		})
	}
	t.Logf("of %d flumes commissioned blind by the course: curve inside its band everywhere %d, inertia inside its interval %d", measured, inBand, inInterval)
	if measured < flumes || inBand < 90 || inInterval < 90 {
		t.Errorf("too few")
	}
}

// within reports whether the plant's steady water is inside the band as the record states it, from the slowest speed to the fastest: at each point, and
// between two as straight as the record draws it.
func within(t *testing.T, p *place, c *commission.Calibrated) bool {
	var points []water.Point
	for _, q := range c.Points {
		points = append(points, water.Point{Motor: units.RPM(q.RPM), Water: units.MetresPerSecond(q.MPS)})
	}
	curve, err := water.New(points, units.Metres(1), p.s.Drive.Motor)
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(c.Points); i++ {
		a, b := c.Points[i-1], c.Points[i]
		for _, share := range []float64{0, 0.25, 0.5, 0.75, 1} {
			n := units.RPM(a.RPM + share*(b.RPM-a.RPM))
			low := (a.MPS-a.LowMPS)*(1-share) + (b.MPS-b.LowMPS)*share
			high := (a.HighMPS-a.MPS)*(1-share) + (b.HighMPS-b.MPS)*share
			if off := steadyTruth(t, p, n) - curve.Steady(n).MetresPerSecond(); off < -low || off > high {
				return false
			}
		}
	}
	return true
}

// steadyTruth is the water that a motor speed keeps up in the hidden flume, without its noise.
func steadyTruth(t *testing.T, p *place, n units.MotorSpeed) float64 {
	c := p.hidden
	c.Noise, c.DeadTime, c.RampRPMPerSecond, c.Faults = 0, 0, 1e6, nil
	m, err := water.New(p.s.Model.Points()[1:], units.Metres(0.05), p.s.Model.Motor()) // little inertia: the steady speed does not depend on it
	if err != nil {
		t.Fatal(err)
	}
	c.Model = m
	b, err := simulated.New(c)
	if err != nil {
		t.Fatal(err)
	}
	for at := time.Duration(0); at < 20*time.Second; at += 100 * time.Millisecond {
		if err := b.Turn(drive.Round{Elapsed: at, Until: at + time.Second}, n); err != nil {
			t.Fatal(err)
		}
	}
	v, _ := b.Water()
	return v.MetresPerSecond()
}
