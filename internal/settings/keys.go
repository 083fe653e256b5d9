package settings

import (
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// overlay reads one text on top of what is there. The text comes back as it was asked for its keys.
func (s *Settings) overlay(file string, text []byte) (*tomlplace.Table, error) {
	root, err := tomlplace.Parse(file, text)
	if err != nil {
		return nil, err
	}
	s.flume(root.Table("flume"))
	s.ramp(root.Table("ramp"))
	s.drive(root.Table("drive"))
	calibrated := s.water(root.Table("water"))
	s.safety(root.Table("safety"))
	s.swimmer(root.Table("swimmer"))
	s.wall(root.Table("wall"))
	s.watchdog(root.Table("watchdog"))
	s.panel(root.Table("panel"))
	s.home(root.Table("home"))
	s.store(root.Table("store"))
	root.Rest()
	s.agree(root, calibrated)
	return root, root.Err()
}

func (s *Settings) flume(t *tomlplace.Table) {
	name(t, "name", &s.Flume.Name)
	number(t, "top_speed_mps", slowestCap, 3, units.MetresPerSecond, &s.Flume.TopSpeed)
	number(t, "inertia_m", 0, mostInertia, units.Metres, &s.Flume.Inertia)
	t.Rest()
}

// slowestCap is the least that a cap may be, m/s: 8:20 per 100 m. A cap below is more likely a slip than a wish.
const slowestCap = 0.2

// mostInertia is the greatest inertia length that the water model takes, m.
const mostInertia = 50

func (s *Settings) ramp(t *tomlplace.Table) {
	number(t, "accel_mps2", 0.01, 1, units.MetresPerSecond2, &s.Limits.Accel)
	number(t, "decel_mps2", 0.01, 1, units.MetresPerSecond2, &s.Limits.Decel)
	number(t, "jerk_mps3", 0.01, 2, units.MetresPerSecond3, &s.Limits.Jerk)
	number(t, "relief_jerk_mps3", 0.01, 10, units.MetresPerSecond3, &s.Limits.Relief)
	t.Rest()
}

// backends are the kinds of link that there are.
func backends() []string { return []string{"simulated", "serial", "mqtt"} }

func (s *Settings) drive(t *tomlplace.Table) {
	if b, ok := t.String("backend"); ok {
		switch {
		case slices.Contains(backends(), b):
			s.Drive.Backend = b
		default:
			wrong(t, "backend", "allowed is "+words(backends()))
		}
	}
	m := &s.Drive.Motor
	number(t, "min_rpm", 0, 20_000, units.RPM, &m.Min)
	number(t, "max_rpm", 1, 20_000, units.RPM, &m.Max)
	number(t, "accel_rpm_per_s", 0, 100_000, plain, &m.RPMPerSecond)
	s.simulated(t.Table("simulated"))
	s.mqtt(t.Table("mqtt"))
	s.serial(t.Table("serial"))
	t.Rest()
}

// water reads the calibration, and reports whether there is a good one.
func (s *Settings) water(t *tomlplace.Table) bool {
	motor, gotMotor := t.Floats("rpm")
	speed, gotSpeed := t.Floats("speed_mps")
	s.calibration(t)
	t.Rest()
	hasMotor, hasSpeed := t.Has("rpm"), t.Has("speed_mps")
	switch {
	case !hasMotor && !hasSpeed:
		return true
	case !hasMotor:
		t.Problem("speed_mps", "speed_mps without rpm: a calibration gives both, one speed for each rpm")
		return false
	case !hasSpeed:
		t.Problem("rpm", "rpm without speed_mps: a calibration gives both, one speed for each rpm")
		return false
	}
	good := gotMotor && rises(t, "rpm", motor, 20_000)
	good = gotSpeed && rises(t, "speed_mps", speed, 5) && good
	if gotMotor && gotSpeed && len(motor) != len(speed) {
		t.Problem("speed_mps", "speed_mps has %d numbers and rpm has %d: allowed is one speed for each rpm", len(speed), len(motor))
		return false
	}
	if good && (motor[0] == 0) != (speed[0] == 0) {
		t.Problem("rpm", "rpm begins with %g and speed_mps with %g: at 0 rpm the water is still, and only there", motor[0], speed[0])
		return false
	}
	if good {
		s.points = make([]water.Point, len(motor))
		for i := range motor {
			s.points[i] = water.Point{Motor: units.RPM(motor[i]), Water: units.MetresPerSecond(speed[i])}
		}
	}
	return good
}

// rises checks one list of a calibration.
func rises(t *tomlplace.Table, key string, list []float64, most float64) bool {
	if len(list) < 2 || len(list) > 64 {
		t.Problem(key, "%s has %d numbers: allowed are 2 to 64", key, len(list))
		return false
	}
	for i, v := range list {
		if v < 0 || v > most {
			t.Problem(key, "number %d of %s is %g: allowed is 0 to %g", i+1, key, v, most)
			return false
		}
		if i > 0 && v <= list[i-1] {
			t.Problem(key, "number %d of %s is %g, after %g: each must be more than the one before", i+1, key, v, list[i-1])
			return false
		}
	}
	return true
}

func (s *Settings) safety(t *tomlplace.Table) {
	duration(t, "idle_shutoff", time.Minute, 2*time.Hour, &s.Safety.IdleShutoff)
	duration(t, "longest_swim", time.Minute, 12*time.Hour, &s.Safety.LongestSwim)
	number(t, "commission_again_after_days", 1, 3650, inDays, &s.Safety.CommissionAgain)
	number(t, "cap_mps", slowestCap, 3, units.MetresPerSecond, &s.Safety.Cap)
	t.Rest()
}

func (s *Settings) swimmer(t *tomlplace.Table) {
	if who, ok := t.String("default"); ok {
		s.Swimmer = who
	}
	if t.Has("person") {
		s.People = nil
	}
	for _, row := range t.Tables("person") {
		s.person(row)
	}
	t.Rest()
}

func (s *Settings) person(t *tomlplace.Table) {
	var p Person
	if !t.Has("name") {
		t.Problem("", "somebody without a name: give name = \"…\"")
	}
	name(t, "name", &p.Name)
	for _, o := range s.People {
		if p.Name != "" && strings.EqualFold(o.Name, p.Name) {
			wrong(t, "name", "somebody else has that name already")
		}
	}
	if text, ok := t.String("threshold"); ok {
		pace, err := units.ParsePace(text, units.Metre)
		switch {
		case err != nil || !strings.Contains(text, "/"):
			wrong(t, "threshold", "allowed is a time per 100m or 100yd, as in \"1:35/100m\" or \"1:35/100yd\"")
		case pace.Seconds() < 40 || pace.Seconds() > 360:
			wrong(t, "threshold", "allowed is 0:40 to 6:00 per 100")
		default:
			p.Threshold = pace
		}
	}
	number(t, "cap_mps", slowestCap, 3, units.MetresPerSecond, &p.Cap)
	t.Rest()
	s.People = append(s.People, p)
}

// startFrom are the places from where the panel may start water.
var startFrom = []string{"loopback", "paired", "nowhere"}

// fileName reads the name of a file; empty for none.
func fileName(t *tomlplace.Table, key string, into *string) {
	text, ok := t.String(key)
	switch {
	case !ok:
	case strings.ContainsRune(text, 0):
		wrong(t, key, "allowed is the name of a file, or \"\" for none")
	default:
		*into = text
	}
}

func (s *Settings) panel(t *tomlplace.Table) {
	if text, ok := t.String("listen"); ok {
		host, port, err := net.SplitHostPort(text)
		if _, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || strings.ContainsAny(host, " /") {
			wrong(t, "listen", "allowed is an address and a port from 0 (any free one) to 65535, as in \"127.0.0.1:8080\", or \":8080\" for every address of this computer")
		} else {
			s.Listen = text
		}
	}
	if from, ok := t.String("start_from"); ok {
		if !slices.Contains(startFrom, from) {
			wrong(t, "start_from", "allowed is "+words(startFrom))
		} else {
			s.StartFrom = from
		}
	}
	fileName(t, "certificate", &s.Certificate)
	fileName(t, "key", &s.Key)
	if (s.Certificate == "") != (s.Key == "") {
		t.Problem("", "certificate and key go together: allowed is both or neither")
	}
	t.Rest()
}

func (s *Settings) store(t *tomlplace.Table) {
	if text, ok := t.String("path"); ok {
		if strings.ContainsRune(text, 0) {
			wrong(t, "path", "allowed is the name of a folder, or \"\" for none")
		}
		s.Store = text
	}
	t.Rest()
}
