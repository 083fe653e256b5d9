package drivetest

import (
	"fmt"
	"math"

	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

func standsByItself(r *rig) error {
	if err := r.rests("the link was opened"); err != nil {
		return err
	}
	if err := r.stays(r.Settle, safety.Cleared{}, "nothing permitted"); err != nil {
		return err
	}
	if err := r.stays(r.Settle, r.at(0.8), "permitted, but not reset"); err != nil {
		return err
	}
	if err := r.reset(); err != nil {
		return err
	}
	if err := r.stays(r.Settle, safety.Cleared{}, "reset, nothing permitted since"); err != nil {
		return err
	}
	for range r.Settle / tick {
		r.Set(safety.Cleared{})
		r.exchange()
	}
	return r.rests("standstill permitted")
}

func startAndFollow(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	for _, f := range []float64{0.3, 1, 0.5} {
		r.run(r.Settle, r.at(f))
		if err := r.turnsAt(f); err != nil {
			return err
		}
		p := r.Report()
		if p.Link != nil || p.Latched {
			return fmt.Errorf("link %v, latched %v (%s): want neither", p.Link, p.Latched, p.Why)
		}
		if !r.near(p.Motor, r.speed(f)) || !p.Enabled || p.Fault != "" {
			return fmt.Errorf("feedback %+v of a motor that turns at %v", p.Feedback, r.witness.Motor(r.now))
		}
	}
	reads := r.Report().Reads
	r.run(r.Settle, safety.Cleared{})
	if got := r.witness.Motor(r.now); !r.near(got, units.MotorSpeed{}) {
		return fmt.Errorf("standstill ordered: the motor turns at %v", got)
	}
	if now := r.Report().Reads; now == reads {
		return fmt.Errorf("no good read in %v", r.Settle)
	}
	return nil
}

func limits(r *rig) error {
	if err := r.started(1); err != nil {
		return err
	}
	highest := r.Model.Motor().Max.RPM() + r.Tolerance.RPM()
	top := r.Model.Steady(r.Model.Motor().Max).MetresPerSecond()
	for _, c := range []safety.Cleared{
		Clear(units.MetresPerSecond(3*top), units.Accel{}),
		Clear(units.MetresPerSecond(top), units.MetresPerSecond2(5)),
		Clear(units.MetresPerSecond(math.Inf(1)), units.Accel{}),
	} {
		for range r.Settle / tick {
			r.Set(c)
			r.exchange()
			if got := r.witness.Motor(r.now); got.RPM() > highest {
				return fmt.Errorf("the motor turns at %v, above its highest of %v", got, r.Model.Motor().Max)
			}
		}
	}
	lowest := r.Model.Steady(r.Model.Motor().Min).MetresPerSecond()
	for _, v := range []float64{-1, math.NaN(), math.Inf(-1), lowest / 2} {
		r.run(r.Settle, r.at(0.5))
		r.run(r.Settle, Clear(units.MetresPerSecond(v), units.Accel{}))
		if got := r.witness.Motor(r.now); lowest > 0 && !r.near(got, units.MotorSpeed{}) || got.RPM() < -r.Tolerance.RPM() {
			return fmt.Errorf("%g m/s permitted: the motor turns at %v, want it at rest", v, got)
		}
	}
	return nil
}
