package panel

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"
	"sync/atomic"

	"flume.example/sequencerd/internal/run"
)

// metrics are the figures at /metrics. They are read from a snapshot when somebody asks; nothing is counted in the control loop.
type metrics struct {
	panel    *Panel
	commands [run.Commands]atomic.Uint64
	refused  atomic.Uint64
}

// ServeHTTP writes the figures in the Prometheus text exposition format, version 0.0.4.
func (m *metrics) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	snap, _ := m.panel.cfg.Sequencer.Snapshot()
	var e exposition
	e.gauge("flume_water_speed_mps", "Speed of the water at the swimmer, as estimated from the motor speed that the drive reports.", snap.Water.MetresPerSecond())
	e.gauge("flume_wish_speed_mps", "Speed that the swim wishes.", snap.Wish.Speed.MetresPerSecond())
	e.gauge("flume_motor_rpm", "Motor speed that the drive reports.", snap.Motor.RPM())
	e.head("flume_state", "gauge", "1 for the state that the swim is in.")
	for st := run.Stopped; st <= run.Finished; st++ {
		e.labelled("flume_state", "state", st.String(), one(st == snap.State))
	}
	e.gauge("flume_swim_distance_m", "Water that has flowed past in this swim.", snap.Distance.Metres())
	e.counter("flume_swims_total", "Swims started since the program was.", snap.Swim)
	e.counter("flume_snapshots_total", "Snapshots of the control loop.", snap.Seq)
	e.counter("flume_stops_total", "Stops latched since the program was started.", snap.Drive.Stops)
	e.counter("flume_drive_reads_total", "Good answers of the drive.", snap.Drive.Reads)
	e.gauge("flume_drive_link_up", "1 while the drive answers.", one(snap.Drive.Link == nil && snap.Drive.Reads > 0))
	e.gauge("flume_panel_streams", "Event streams open.", float64(m.panel.hub.count()))
	e.counter("flume_panel_streams_dropped_total", "Event streams that ended because nobody read them, or the reader went.", m.panel.hub.drops.Load())
	e.head("flume_panel_commands_total", "counter", "Commands taken from the panel.")
	for c := range run.Commands {
		e.labelled("flume_panel_commands_total", "command", c.String(), float64(m.commands[c].Load()))
	}
	e.counter("flume_panel_refused_requests_total", "Requests refused for coming too fast.", m.refused.Load())
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	w.Write(e.Bytes())
}

// exposition is a text of figures. Names, helps and values of labels are ours and have nothing in them that would have to be escaped.
type exposition struct{ bytes.Buffer }

func (e *exposition) head(name, kind, help string) {
	fmt.Fprintf(e, "# HELP %s %s\n# TYPE %[1]s %[3]s\n", name, help, kind)
}

func (e *exposition) gauge(name, help string, v float64) {
	e.head(name, "gauge", help)
	fmt.Fprintf(e, "%s %s\n", name, value(v))
}

func (e *exposition) counter(name, help string, n uint64) {
	e.head(name, "counter", help)
	fmt.Fprintf(e, "%s %d\n", name, n)
}

func (e *exposition) labelled(name, label, of string, v float64) {
	fmt.Fprintf(e, "%s{%s=%q} %s\n", name, label, of, value(v))
}

// value is a number as the format has it, which is as Go's ParseFloat reads it.
func value(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
