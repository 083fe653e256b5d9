package settings

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
	"flume.example/sequencerd/internal/water"
)

func parse(t *testing.T, text string) *Settings {
	t.Helper()
	s, err := Parse("my.toml", []byte(text), config.Default())
	if err != nil {
		t.Fatalf("%v\nin\n%s", err, text)
	}
	return s
}

// TestDefaults: what the embedded configuration says, to the last value.
func TestDefaults(t *testing.T) {
	got, err := Parse("", nil, config.Default())
	if err != nil {
		t.Fatal(err)
	}
	pace := func(s float64) units.Pace { return units.PacePer100(s, units.Metre) }
	point := func(rpm, mps float64) water.Point {
		return water.Point{Motor: units.RPM(rpm), Water: units.MetresPerSecond(mps)}
	}
	want := &Settings{
		Flume: Flume{Name: "Otterford Mill", TopSpeed: units.MetresPerSecond(1.6), Inertia: units.Metres(2)},
		Limits: ramp.Limits{
			Accel: units.MetresPerSecond2(0.10), Decel: units.MetresPerSecond2(0.12),
			Jerk: units.MetresPerSecond3(0.10), Relief: units.MetresPerSecond3(1),
		},
		Drive: Drive{
			Backend: "simulated",
			Motor:   water.Motor{Min: units.RPM(120), Max: units.RPM(1500), RPMPerSecond: 600},
			Serial: serial.Config{
				Baud: 19200, Parity: serial.Even, StopBits: 1, Address: 1, Answer: 40 * time.Millisecond, Slowest: 100 * time.Millisecond,
				LinkLoss: 500 * time.Millisecond, PolePairs: 2, RampRPMPerSecond: 600, QuickStopRPMPerSecond: 1500, Highest: units.RPM(1500),
			},
			Simulated: simulated.Config{
				SpeedError: -0.03, InertiaError: 0.05, Noise: 0.005, Seed: 1, DeadTime: 20 * time.Millisecond,
				QuickStopRPMPerSecond: 1500, LinkLoss: 500 * time.Millisecond, EnableTime: 200 * time.Millisecond,
				Faults: []string{},
			},
			MQTT: mqtt.Config{
				Broker:     mqtt.Broker{URL: "mqtt://127.0.0.1", Topic: "flume/drive", ClientID: "sequencerd"},
				TimeToLive: 500 * time.Millisecond, LinkLoss: time.Second,
			},
		},
		Calibration: Calibration{After: 365 * 24 * time.Hour, Sensor: 1},                                                      // common practice, no source
		Safety:      Safety{IdleShutoff: 30 * time.Minute, LongestSwim: 2 * time.Hour, CommissionAgain: 365 * 24 * time.Hour}, // idle shutoff: common practice, no source
		People: []Person{
			{Name: "Maren Tolliver", Threshold: pace(95)},
			{Name: "Jonah Reyes-Birch", Threshold: pace(112)},
			{Name: "Ida Quill", Threshold: pace(140), Cap: units.MetresPerSecond(0.9)},
		},
		Wall: wall.Config{Debounce: 20 * time.Millisecond}, // common practice, no source
		Home: Home{MDNS: true}, Watchdog: alive.Config{Timeout: 15 * time.Second},
		Listen: "127.0.0.1:8080", StartFrom: "loopback",
		points: []water.Point{point(300, 0.34), point(600, 0.71), point(900, 1.09), point(1200, 1.46), point(1500, 1.80)},
	}
	model := got.Model
	if got.Drive.Simulated.Model != model {
		t.Error("the simulated drive is behind another model")
	}
	got.Model, got.Drive.Simulated.Model = nil, nil
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	if model.Inertia() != want.Flume.Inertia || model.Motor() != want.Drive.Motor {
		t.Errorf("the model has inertia %v and motor %v", model.Inertia(), model.Motor())
	}
	if v := model.Steady(units.RPM(900)); v.MetresPerSecond() != 1.09 {
		t.Errorf("the model gives %v at 900 rpm, want the calibrated 1.09", v)
	}
}

// TestDefaultsAgain: a file with nothing in it, or with the defaults themselves, changes nothing.
func TestDefaultsAgain(t *testing.T) {
	alone := parse(t, "")
	for name, text := range map[string]string{"empty": "", "a comment": "# hello\n", "the defaults": string(config.Default()), "empty tables": "[wall]\n[drive.simulated]\n"} {
		if got := parse(t, text); !reflect.DeepEqual(got, alone) {
			t.Errorf("%s: got\n%+v\nwant\n%+v", name, got, alone)
		}
	}
}

// TestCommented: every key of the default configuration is explained where it first stands.
func TestCommented(t *testing.T) {
	key := regexp.MustCompile(`^(?:# )?([a-z][a-z0-9_]*) = [^#]*(#?)`)
	seen := map[string]bool{}
	for i, line := range strings.Split(string(config.Default()), "\n") {
		m := key.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		if !seen[m[1]] && m[2] == "" {
			t.Errorf("line %d: %s has no comment", i+1, m[1])
		}
		seen[m[1]] = true
	}
	if len(seen) < 30 {
		t.Errorf("only %d keys found: does this test still read the file?", len(seen))
	}
}

func TestOneKey(t *testing.T) {
	s := parse(t, "[ramp]\naccel_mps2 = 0.05\n")
	if s.Limits.Accel != units.MetresPerSecond2(0.05) || s.Limits.Decel != units.MetresPerSecond2(0.12) || s.Flume.Name != "Otterford Mill" {
		t.Errorf("one key gave %+v, %+v", s.Limits, s.Flume)
	}
	if s.File != "my.toml" {
		t.Errorf("the settings say that they are from %q", s.File)
	}
}

// TestListReplaces: people and points in a file take the place of those of the defaults.
func TestListReplaces(t *testing.T) {
	s := parse(t, `
[[swimmer.person]]
name = "Bram Ostler"
threshold = "1:40/100yd"

[water]
rpm = [0, 800, 1600]
speed_mps = [0, 0.9, 1.7]
`)
	want := []Person{{Name: "Bram Ostler", Threshold: units.PacePer100(100, units.Yard)}}
	if !reflect.DeepEqual(s.People, want) {
		t.Errorf("people are %+v, want %+v", s.People, want)
	}
	if v := s.Model.Steady(units.RPM(800)); v.MetresPerSecond() != 0.9 {
		t.Errorf("the model gives %v at 800 rpm, want 0.9", v)
	}
	if s := parse(t, "swimmer.person = []"); len(s.People) != 0 {
		t.Errorf("an empty list left %+v", s.People)
	}
}

func TestPeople(t *testing.T) {
	s := parse(t, "swimmer.default = \"ida quill\"")
	for name, want := range map[string]string{"": "Ida Quill", "Maren Tolliver": "Maren Tolliver", "JONAH REYES-BIRCH": "Jonah Reyes-Birch"} {
		if p, err := s.Person(name); err != nil || p.Name != want {
			t.Errorf("%q is %+v (%v), want %s", name, p, err, want)
		}
	}
	_, err := s.Person("Nobody")
	if want := `swimmer "Nobody": known are "Maren Tolliver", "Jonah Reyes-Birch", "Ida Quill"`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	if p, err := parse(t, "").Person(""); err != nil || p != (Person{}) {
		t.Errorf("nobody is %+v (%v)", p, err)
	}
	_, err = parse(t, "swimmer.person = []").Person("Ida")
	if err == nil || !strings.Contains(err.Error(), "nobody is known by name") {
		t.Errorf("got %v", err)
	}
}

func TestCeiling(t *testing.T) {
	v := units.MetresPerSecond
	for _, c := range []struct {
		what string
		text string
		who  Person
		want float64
	}{
		{"the flume's top speed", "", Person{}, 1.6},
		{"the owner's cap", "safety.cap_mps = 1.2", Person{}, 1.2},
		{"an owner's cap above the top", "safety.cap_mps = 2", Person{}, 1.6},
		{"a person's cap", "safety.cap_mps = 1.2", Person{Cap: v(0.9)}, 0.9},
		{"a person's cap above the owner's", "safety.cap_mps = 1.2", Person{Cap: v(1.4)}, 1.2},
	} {
		if got := parse(t, c.text).Ceiling(c.who); got != v(c.want) {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
}

// TestLookUp: --config, else $SEQUENCERD_CONFIG, else the system's file where there is one, else the defaults.
func TestLookUp(t *testing.T) {
	dir := t.TempDir()
	file := func(name string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte("flume.name = \""+name+"\""), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	flag, variable, system, none := file("flag"), file("variable"), file("system"), filepath.Join(dir, "none")
	for _, c := range []struct{ path, variable, system, name, file string }{
		{flag, variable, system, "flag", flag},
		{"", variable, system, "variable", variable},
		{"", "", system, "system", system},
		{"", "", none, "Otterford Mill", ""},
	} {
		s, err := load(c.path, c.variable, c.system, config.Default())
		if err != nil || s.Flume.Name != c.name || s.File != c.file {
			t.Errorf("%+v gives %+v (%v)", c, s, err)
		}
	}
	for _, c := range []struct{ path, variable, system, want string }{
		{none, variable, system, "the configuration " + none + " cannot be read: no such file or directory"},
		{"", none, system, "the configuration " + none + ", which $SEQUENCERD_CONFIG names, cannot be read: no such file or directory"},
		{dir, "", none, "the configuration " + dir + " cannot be read: is a directory"},
		{"", "", dir, "the configuration " + dir + " cannot be read: is a directory"},
	} {
		if _, err := load(c.path, c.variable, c.system, config.Default()); err == nil || err.Error() != c.want {
			t.Errorf("%+v: got %v, want %s", c, err, c.want)
		}
	}

	t.Setenv(Variable, variable)
	if s, err := Load("", config.Default()); err != nil || s.Flume.Name != "variable" {
		t.Errorf("the variable gives %+v (%v)", s, err)
	}
	if s, err := Load(flag, config.Default()); err != nil || s.Flume.Name != "flag" {
		t.Errorf("the flag gives %+v (%v)", s, err)
	}
}

// TestWall: pins on top of each other, one taken away again, and a simulated wall that may be pressed.
func TestWall(t *testing.T) {
	if parse(t, "").Wall.Present() {
		t.Error("the defaults have a wall")
	}
	text := "[wall]\nstop_pin = \"GPIO4\"\nskip_pin = \"\"\nlevel_pin = \"pinctrl-bcm2711:22\"\nsimulated = true\nsocket = \"/run/w\""
	want := wall.Config{
		Pins:     map[wall.Pin]string{wall.StopPin: "GPIO4", wall.LevelPin: "pinctrl-bcm2711:22"},
		Debounce: 20 * time.Millisecond, Simulated: true, Socket: "/run/w",
	}
	if got := parse(t, text).Wall; !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	built := strings.Replace(string(config.Default()), `lamp_pin = ""`, `lamp_pin = "GPIO9"`, 1)
	s, err := Parse("my.toml", []byte("[wall]\nstop_pin = \"GPIO4\"\nlamp_pin = \"\""), []byte(strings.Replace(built, `stop_pin = ""`, `stop_pin = "GPIO8"`, 1)))
	if err != nil || len(s.Wall.Pins) != 1 || s.Wall.Pins[wall.StopPin] != "GPIO4" {
		t.Errorf("one pin of the defaults taken away, one changed: %v (%v)", s, err)
	}
	for _, p := range wall.Pins()[1:] {
		text := "[wall]\nstop_pin = \"a\"\n" + p.Key() + " = \"b\""
		if got := parse(t, text).Wall.Pins[p]; got != "b" {
			t.Errorf("%s gives %q", p.Key(), got)
		}
	}
}

// TestStations: in the order of their distance, whatever the file's; in either way of writing; a file's list takes the place of the whole.
func TestStations(t *testing.T) {
	want := []Station{{"front", units.Metres(1), 1}, {"a metre back", units.Metres(2), 0.94}}
	for what, text := range map[string]string{
		"tables": "[[water.station]]\nname = \"a metre back\"\nfrom_outlet_m = 2\nshare = 0.94\n[[water.station]]\nname = \"front\"\nfrom_outlet_m = 1\nshare = 1",
		"inline": "[water]\nstation = [{ name = \"front\", from_outlet_m = 1, share = 1 }, { name = \"a metre back\", from_outlet_m = 2, share = 0.94 }]",
	} {
		if got := parse(t, text).Calibration.Stations; !reflect.DeepEqual(got, want) {
			t.Errorf("%s: got %+v, want %+v", what, got, want)
		}
	}
	if got := parse(t, "water.station = []").Calibration.Stations; got != nil {
		t.Errorf("an empty list is %+v", got)
	}
	if v := want[1].Speed(units.MetresPerSecond(1.5)); v.MetresPerSecond() != 1.5*0.94 {
		t.Errorf("at a share of 0.94, 1.5 m/s is %v", v)
	}
}
