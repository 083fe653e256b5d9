package settings

import (
	"time"

	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/tomlplace"
)

func (s *Settings) simulated(t *tomlplace.Table) {
	c := &s.Drive.Simulated
	number(t, "speed_error_percent", -20, 20, fraction, &c.SpeedError)
	number(t, "inertia_error_percent", -50, 50, fraction, &c.InertiaError)
	number(t, "noise_percent", 0, 10, fraction, &c.Noise)
	if seed, ok := t.Int("seed"); ok {
		if seed < 0 {
			wrong(t, "seed", "allowed is a whole number, 0 or more")
		}
		c.Seed = uint64(seed)
	}
	duration(t, "dead_time", 0, time.Second, &c.DeadTime)
	number(t, "ramp_rpm_per_s", 0, 100_000, plain, &c.RampRPMPerSecond)
	number(t, "quick_stop_rpm_per_s", 10, 100_000, plain, &c.QuickStopRPMPerSecond)
	duration(t, "link_loss", 50*time.Millisecond, 10*time.Second, &c.LinkLoss)
	duration(t, "enable_time", 0, 5*time.Second, &c.EnableTime)
	number(t, "flow_sensor", 0, 2, plain, &c.FlowSensor)
	if faults, ok := t.Strings("faults"); ok {
		for i, f := range faults {
			if err := simulated.CheckFault(f); err != nil {
				t.Problem("faults", "item %d of faults: %v", i+1, err)
			}
		}
		c.Faults = faults
	}
	t.Rest()
}

func fraction(percent float64) float64 { return percent / 100 }
