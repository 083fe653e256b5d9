package panel

import (
	"maps"
	"slices"
	"strings"
	"testing"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"flume.example/sequencerd/internal/run"
)

// figures reads /metrics with the format's own reader.
func figures(t *testing.T, r *rig) map[string]*dto.MetricFamily {
	t.Helper()
	a := r.send("GET", "/metrics", "")
	parser := expfmt.NewTextParser(model.LegacyValidation)
	all, err := parser.TextToMetricFamilies(strings.NewReader(a.text))
	if err != nil {
		t.Fatalf("the format's own reader says: %v\n%s", err, a.text)
	}
	if kind := a.header.Get("Content-Type"); expfmt.ResponseFormat(a.header).FormatType() != expfmt.TypeTextPlain {
		t.Errorf("it is sent as %q", kind)
	}
	return all
}

// labelled are a family's values by the one label that each has.
func labelled(f *dto.MetricFamily) map[string]float64 {
	values := map[string]float64{}
	for _, m := range f.GetMetric() {
		values[m.GetLabel()[0].GetValue()] = m.GetGauge().GetValue() + m.GetCounter().GetValue()
	}
	return values
}

func TestTheFiguresAreReadByTheFormatsOwnReader(t *testing.T) {
	r := newRig(t, options{})
	before := figures(t, r)
	want := map[string]dto.MetricType{
		"flume_water_speed_mps": dto.MetricType_GAUGE, "flume_wish_speed_mps": dto.MetricType_GAUGE, "flume_motor_rpm": dto.MetricType_GAUGE,
		"flume_state": dto.MetricType_GAUGE, "flume_swim_distance_m": dto.MetricType_GAUGE, "flume_drive_link_up": dto.MetricType_GAUGE,
		"flume_panel_streams": dto.MetricType_GAUGE, "flume_swims_total": dto.MetricType_COUNTER, "flume_snapshots_total": dto.MetricType_COUNTER,
		"flume_stops_total": dto.MetricType_COUNTER, "flume_drive_reads_total": dto.MetricType_COUNTER, "flume_panel_streams_dropped_total": dto.MetricType_COUNTER,
		"flume_panel_commands_total": dto.MetricType_COUNTER, "flume_panel_refused_requests_total": dto.MetricType_COUNTER,
	}
	for name, kind := range want {
		if f := before[name]; f == nil || f.GetType() != kind || f.GetHelp() == "" {
			t.Errorf("%s: %v, want a %v with a help", name, f, kind)
		}
	}
	for name := range before {
		if _, ok := want[name]; !ok {
			t.Errorf("%s is not known here", name)
		}
	}
	if s := labelled(before["flume_state"]); s[run.Stopped.String()] != 1 || s[run.Running.String()] != 0 || len(s) != int(run.Finished)+1 {
		t.Errorf("states %v: after a start it is stopped", s)
	}
	if c := labelled(before["flume_panel_commands_total"]); len(c) != int(run.Commands) || slices.Max(slices.Collect(maps.Values(c))) != 0 {
		t.Errorf("commands before any: %v", c)
	}
	for range 2 {
		if a := r.do("stop", ""); a.code >= 400 {
			t.Fatalf("stop gives %d: %s", a.code, a.text)
		}
	}
	after := figures(t, r)
	if c := labelled(after["flume_panel_commands_total"]); c["stop"] != 2 || c["start"] != 0 {
		t.Errorf("two stops are counted as %v", c)
	}
	count := func(all map[string]*dto.MetricFamily, name string) float64 {
		return all[name].GetMetric()[0].GetCounter().GetValue()
	}
	if was, is := count(before, "flume_snapshots_total"), count(after, "flume_snapshots_total"); is < was || is == 0 {
		t.Errorf("%v snapshots, and %v before", is, was)
	}
}
