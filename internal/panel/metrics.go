package panel

import (
	"github.com/prometheus/client_golang/prometheus"

	"flume.example/sequencerd/internal/run"
)

// metrics are the figures at /metrics. They are read from a snapshot when somebody asks; nothing is counted in the control loop.
type metrics struct {
	registry *prometheus.Registry
	commands *prometheus.CounterVec
	refused  prometheus.Counter
}

func newMetrics(p *Panel) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		commands: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "flume_panel_commands_total", Help: "Commands taken from the panel."}, []string{"command"}),
		refused:  prometheus.NewCounter(prometheus.CounterOpts{Name: "flume_panel_refused_requests_total", Help: "Requests refused for coming too fast."}),
	}
	m.registry.MustRegister(m.commands, m.refused, snapshots{p})
	return m
}

// snapshots gathers the latest snapshot.
type snapshots struct{ panel *Panel }

var figures = struct{ water, wish, motor, state, distance, swims, ticks, stops, reads, link, streams, dropped *prometheus.Desc }{
	water:    desc("flume_water_speed_mps", "Speed of the water at the swimmer, as estimated from the motor speed that the drive reports."),
	wish:     desc("flume_wish_speed_mps", "Speed that the swim wishes."),
	motor:    desc("flume_motor_rpm", "Motor speed that the drive reports."),
	state:    desc("flume_state", "1 for the state that the swim is in.", "state"),
	distance: desc("flume_swim_distance_m", "Water that has flowed past in this swim."),
	swims:    desc("flume_swims_total", "Swims started since the program was."),
	ticks:    desc("flume_snapshots_total", "Snapshots of the control loop."),
	stops:    desc("flume_stops_total", "Stops latched since the program was started."),
	reads:    desc("flume_drive_reads_total", "Good answers of the drive."),
	link:     desc("flume_drive_link_up", "1 while the drive answers."),
	streams:  desc("flume_panel_streams", "Event streams open."),
	dropped:  desc("flume_panel_streams_dropped_total", "Event streams that ended because nobody read them, or the reader went."),
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(name, help, labels, nil)
}

// Describe implements prometheus.Collector.
func (s snapshots) Describe(out chan<- *prometheus.Desc) { prometheus.DescribeByCollect(s, out) }

// Collect implements prometheus.Collector.
func (s snapshots) Collect(out chan<- prometheus.Metric) {
	snap, _ := s.panel.cfg.Sequencer.Snapshot()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, n uint64) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n))
	}
	gauge(figures.water, snap.Water.MetresPerSecond())
	gauge(figures.wish, snap.Wish.Speed.MetresPerSecond())
	gauge(figures.motor, snap.Motor.RPM())
	gauge(figures.distance, snap.Distance.Metres())
	for st := run.Stopped; st <= run.Finished; st++ {
		gauge(figures.state, one(st == snap.State), st.String())
	}
	gauge(figures.link, one(snap.Drive.Link == nil && snap.Drive.Reads > 0))
	gauge(figures.streams, float64(s.panel.hub.count()))
	count(figures.swims, snap.Swim)
	count(figures.ticks, snap.Seq)
	count(figures.stops, snap.Drive.Stops)
	count(figures.reads, snap.Drive.Reads)
	count(figures.dropped, s.panel.hub.drops.Load())
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
