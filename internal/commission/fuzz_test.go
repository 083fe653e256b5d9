package commission_test

import (
	"os"
	"path/filepath"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/settings"
)

// FuzzRecord: whatever lies in the folder of the record, it is read, or refused; what is read stands only where every part of it does.
func FuzzRecord(f *testing.F) {
	f.Add([]byte(`{"format":1,"parts":{"stop":{"at":"2026-11-25T14:30:00Z","passed":true,"wiring":"x","findings":[]}}}`))
	f.Add([]byte(`{"format":1,"parts":null,"water":{"points":[{"rpm":-1,"water_mps":1e308}]}}`))
	f.Add([]byte(`[]`))
	s, err := settings.Parse("test.toml", nil, config.Default())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "course.json"), text, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := commission.Load(dir)
		if err != nil || r == nil {
			return
		}
		if st := r.Stands(s, installed); st.Passed == (st.Why != "") {
			t.Errorf("passed %v, and why not: %q", st.Passed, st.Why)
		} else if st.Passed {
			for _, p := range commission.Parts() {
				if d := r.Parts[p.ID]; p.Safety && (!d.Passed || d.Wiring != commission.Wiring(s)) {
					t.Errorf("it stands, and %s is %+v", p.ID, d)
				}
			}
		}
		_ = r.Fragment()
	})
}

// FuzzConfigured: what was measured goes into any configuration that reads, so that it still reads, and twice is once.
func FuzzConfigured(f *testing.F) {
	f.Add("[flume]\ninertia_m = 3 # x\n[water]\nrpm = [1, 1500]\nspeed_mps = [0.1, 1.9]\n[safety]\nidle_shutoff = \"20m\"\n")
	f.Add("[water]\n[[water.station]]\nname = \"a\"\nfrom_outlet_m = 1\nshare = 1\n")
	f.Add(string(config.Default()))
	r := &commission.Record{
		Water:  &commission.Calibrated{At: installed, How: "floats", BandPct: 2, Points: []commission.Point{{RPM: 120, MPS: 0.13}, {RPM: 900, MPS: 1.05}, {RPM: 1500, MPS: 1.75}}},
		RunOut: &commission.RunOut{Metres: 1.8},
	}
	f.Fuzz(func(t *testing.T, text string) {
		before, err := settings.Parse("test.toml", []byte(text), config.Default())
		if err != nil {
			return
		}
		got := r.Configured(text)
		after, err := settings.Parse("test.toml", []byte(got), config.Default())
		if err != nil { // such a file is left as it is, and said so; here only that nothing was taken for what it is not
			return
		}
		if after.Flume.Inertia.Metres() != 1.8 || after.Model.Points()[1].Motor.RPM() != 120 {
			t.Errorf("from\n%s\nto\n%s\nwhich reads as %v, %v", text, got, after.Flume.Inertia, after.Model.Points())
		}
		if after.Safety != before.Safety || after.Flume.Name != before.Flume.Name || after.Listen != before.Listen {
			t.Errorf("something else changed: from\n%s\nto\n%s", text, got)
		}
	})
}
