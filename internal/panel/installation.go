package panel

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// sheet is a part of the installation page: names and values. A value with an id is kept up to date by the page.
type sheet struct {
	Title string
	Facts []fact
}

type fact struct{ Name, Value, ID string }

func (p *Panel) installationPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "installation", "installation.title")
	word := func(key string) string { s, _ := p.pages.say("installation." + key); return s }
	s := p.cfg.Settings
	var points []string
	for _, q := range s.Model.Points() {
		points = append(points, fmt.Sprintf("%.0f rpm: %.2f m/s", q.Motor.RPM(), q.Water.MetresPerSecond()))
	}
	m := s.Drive.Motor
	cap := s.Ceiling(settings.Person{})
	from, code, file := word("from."+s.StartFrom), word("code.none"), s.File
	if p.access.hasCode() {
		code = word("code.set")
	}
	if file == "" {
		file = word("defaults")
	}
	inputs := func(keys ...string) (out []fact) {
		for _, k := range keys {
			out = append(out, fact{word(k), "–", "input-" + k})
		}
		return out
	}
	day := word("calibrated.unknown")
	if on := s.Calibration.On; !on.IsZero() {
		day = on.Format(time.DateOnly)
	}
	if p.cfg.Notices != nil {
		g.Problems = p.cfg.Notices()
	}
	g.Sheets = []sheet{
		{word("flume"), []fact{
			{word("name"), s.Flume.Name, ""},
			{word("top"), fmt.Sprintf("%.2f m/s, %s", cap.MetresPerSecond(), cap.Pace(units.Metre)), ""},
			{word("inertia"), fmt.Sprintf("%g m", s.Flume.Inertia.Metres()), ""},
			{word("calibration"), strings.Join(points, "\n"), ""},
			{word("calibrated"), day, ""},
		}},
		{word("drive"), []fact{
			{word("drive"), s.Drive.Backend, ""},
			{word("link"), "–", "link"},
			{word("motor"), fmt.Sprintf("%.0f to %.0f rpm, %.0f rpm/s", m.Min.RPM(), m.Max.RPM(), m.RPMPerSecond), ""},
			{word("rpm"), "–", "rpm"},
			{word("water"), "–", "water"},
		}},
		{word("limits"), []fact{
			{word("accel"), fmt.Sprintf("%g m/s²", s.Limits.Accel.MetresPerSecond2()), ""},
			{word("decel"), fmt.Sprintf("%g m/s²", s.Limits.Decel.MetresPerSecond2()), ""},
			{word("jerk"), fmt.Sprintf("%g m/s³", s.Limits.Jerk.MetresPerSecond3()), ""},
			{word("idle"), units.FormatTimeWhole(s.Safety.IdleShutoff), ""},
			{word("longest"), units.FormatTimeWhole(s.Safety.LongestSwim), ""},
		}},
		{word("wall"), inputs("stop", "stop_tried", "occupancy", "cover", "water_level")},
		{word("panel"), []fact{
			{word("listen"), s.Listen, ""},
			{word("from"), from, ""},
			{word("code"), code, ""},
			{word("file"), file, ""},
			{word("version"), p.cfg.Version, ""},
		}},
	}
	g.Course = p.cfg.Course != nil
	me := p.deviceOf(r)
	for _, d := range p.access.devices() {
		g.Devices = append(g.Devices, listed{d.ID, d.Name, d.Paired, d.Seen, d.ID == me})
	}
	p.render(w, g)
}
