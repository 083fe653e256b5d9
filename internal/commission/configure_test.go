package commission_test

import (
	"strings"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/settings"
)

// TestWhatWasMeasuredGoesIntoTheConfiguration: nothing else changes, and the file reads as what was measured.
func TestWhatWasMeasuredGoesIntoTheConfiguration(t *testing.T) {
	r := &commission.Record{
		Water: &commission.Calibrated{At: installed, How: "floats", BandPct: 2.04, Points: []commission.Point{
			{RPM: 120, MPS: 0.1301}, {RPM: 600, MPS: 0.68642}, {RPM: 1500, MPS: 1.755}}},
		RunOut: &commission.RunOut{Metres: 1.8437},
		Places: []commission.PlaceShare{{Name: `by the "bar"`, FromOutlet: 1.5, Share: 1}, {Name: "back", FromOutlet: 3, Share: 0.9301}},
	}
	for name, text := range map[string]string{
		"nothing there": "", "the default": string(config.Default()),
		"in the middle": "[flume]\nname = \"Otterford Mill\"\n\n# mine\n[water] # old\nrpm = [100, 1500]\nspeed_mps = [0.2, 1.9]\n[[water.station]]\nname = \"x\"\nfrom_outlet_m = 1\nshare = 1\n\n[safety]\nidle_shutoff = \"20m\" # kept\n",
		"at the end":    "[safety]\nidle_shutoff = \"20m\" # kept\n[water]\nrpm = [100, 1500]\nspeed_mps = [0.2, 1.9]",
		"inertia there": "[flume]\ninertia_m = 3.5   # guessed\n[safety]\nidle_shutoff = \"20m\" # kept\n",
	} {
		got := r.Configured(text)
		s, err := settings.Parse("test.toml", []byte(got), config.Default())
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, got)
			continue
		}
		p := s.Model.Points()
		if len(p) != 4 || p[2].Motor.RPM() != 600 || p[2].Water.MetresPerSecond() != 0.6864 || s.Flume.Inertia.Metres() != 1.844 ||
			len(s.Calibration.Stations) != 2 || s.Calibration.Stations[0].Name != `by the "bar"` || !s.Calibration.On.Equal(installed.Truncate(24*60*60*1e9)) {
			t.Errorf("%s: %+v %v %+v\n%s", name, p, s.Flume.Inertia, s.Calibration, got)
		}
		if again := r.Configured(got); again != got {
			t.Errorf("%s: once more it is\n%s\nnot\n%s", name, again, got)
		}
		for _, kept := range []string{"# mine", "# kept", "# guessed"} {
			if strings.Contains(text, kept) && !strings.Contains(got, kept) {
				t.Errorf("%s: %q is gone:\n%s", name, kept, got)
			}
		}
	}
	var none *commission.Record
	if got := none.Configured("x"); got != "x" {
		t.Errorf("nothing measured: %q", got)
	}
}
