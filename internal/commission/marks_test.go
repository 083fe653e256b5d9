package commission_test

import (
	"strings"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/settings"
)

// TestMarks: where the water has 0.943 of its speed, 1:40 takes 100 s / 0.943 = 106.04 s, which is 1:46; paces that were not calibrated for are left out.
func TestMarks(t *testing.T) {
	s, err := settings.Parse("c.toml", []byte("[[water.station]]\nname = \"a metre back\"\nfrom_outlet_m = 2.5\nshare = 0.943\n[[water.station]]\nname = \"here\"\nfrom_outlet_m = 1.5\nshare = 1\n"), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := commission.WriteMarks(&b, s); err != nil {
		t.Fatal(err)
	}
	rows := map[string]string{}
	for _, line := range strings.Split(b.String(), "\n") {
		if f := strings.Fields(line); len(f) == 2 {
			rows[f[0]] = f[1]
		}
	}
	// The default calibration goes from 0.34 to 1.80 m/s: 1:10 to 3:00 are all within it.
	if rows["1:40"] != "1:46" || rows["1:10"] != "1:14" || rows["3:00"] != "3:11" || len(rows) < 15 {
		t.Errorf("the marks are\n%s", b.String())
	}
	if strings.Index(b.String(), "here") > strings.Index(b.String(), "a metre back") || !strings.Contains(b.String(), "1.5 m from the outlet") || strings.Contains(b.String(), "left out") {
		t.Errorf("the marks are\n%s", b.String())
	}
	s, err = settings.Parse("c.toml", nil, config.Default())
	if err != nil {
		t.Fatal(err)
	}
	if err := commission.WriteMarks(&b, s); err == nil {
		t.Error("marks without stations")
	}
}
