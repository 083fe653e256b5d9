package safety_test

import (
	"testing"

	"flume.example/sequencerd/internal/units"
)

func TestACapChangesOnlyWhileTheMotorIsOff(t *testing.T) {
	b := newBench(t)
	b.reset()
	b.start()
	b.w.Speed = units.MetresPerSecond(1.5)
	b.step()
	if b.g.SetCap(units.MetresPerSecond(1.7)) {
		t.Error("a cap was raised under way")
	}
	if !b.g.SetCap(units.MetresPerSecond(0.8)) {
		t.Error("a cap was not lowered under way")
	}
	if v := b.step(); mps(v.Cleared) != 0.8 {
		t.Errorf("%v cleared over a cap of 0.8 m/s", v.Cleared)
	}
	b.w.Off = true // a pause
	b.step()
	if !b.g.SetCap(units.MetresPerSecond(1.2)) {
		t.Error("a cap was not raised in a pause")
	}
	b.w.Off = false
	if v := b.step(); mps(v.Cleared) != 1.2 {
		t.Errorf("%v cleared over a cap of 1.2 m/s", v.Cleared)
	}
	for _, bad := range []float64{0, -1} {
		if b.g.SetCap(units.MetresPerSecond(bad)) {
			t.Errorf("a cap of %v m/s was taken", bad)
		}
	}
}
