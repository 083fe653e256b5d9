package serial

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

func mapText(t testing.TB, file string) string {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "config", "drives", file))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Each row changes one thing in a good map; what is wrong is told at its line and column.
func TestWhatIsWrongInAMap(t *testing.T) {
	for _, c := range []struct{ file, from, to, want string }{
		{"oxbow-f.toml", "drive_map = 1 ", "drive_map = 2 ", "4:1: drive_map = 2: allowed is 1"},
		{"oxbow-f.toml", `profile = "plain"`, `profile = "steam"`, `6:1: profile: allowed is "velocity"`},
		{"oxbow-f.toml", `title = "Oxbow F"`, `title = ""`, "5:1: title: give the drive a name"},
		{"oxbow-f.toml", "address = 0x2000", "address = 65536", "9:1: address = 65536: allowed is 0 to 65535 (0x0000 to 0xFFFF)"},
		{"oxbow-f.toml", "address = 0x2000", "", "8:1: address is missing"},
		{"oxbow-f.toml", "write = 16 ", "write = 3 ", "10:1: write = 3: allowed is function code 6 or 16"},
		{"oxbow-f.toml", "stop = 0x0005", "stop = 0x0001", "12:1: run and stop are the same number"},
		{"oxbow-f.toml", "reset = 0x0085", "# ", "1:1: a fault is acknowledged either by a number for the control register"},
		{"oxbow-f.toml", "hz_per_unit = 0.01 ", "hz_per_unit = 0 ", "18:1: hz_per_unit = 0: allowed is 0.000001 to 1000"},
		{"oxbow-f.toml", "hz_per_unit = 0.01 ", "rpm_per_unit = 1\nhz_per_unit = 0.01 ", "19:1: give one of hz_per_unit"},
		{"oxbow-f.toml", "read = 3 ", "read = 6 ", "23:1: read = 6: allowed is function code 3 or 4"},
		{"oxbow-f.toml", "running_mask = 0x0002", "running_mask = 0", "24:1: running_mask is 0"},
		{"oxbow-f.toml", "running_value = 0x0002", "running_value = 0x0004", "25:1: running_value has bits that running_mask leaves out"},
		{"oxbow-f.toml", "fault_mask = 0x0008", "# ", "21:1: fault_mask is missing"},
		{"oxbow-f.toml", "[link_loss_time]", "[link_loss_tune]", "1:1: [link_loss_time] is missing"},
		{"oxbow-f.toml", "[link_loss_time]", "[link_loss_tune]", `46:2: unknown key "link_loss_tune"; did you mean "link_loss_time"?`},
		{"oxbow-f.toml", "s_per_unit = 0.1 ", "# ", "46:1: s_per_unit is missing"},
		{"oxbow-f.toml", `name = "speed reference from the line" `, "# ", "54:1: name is missing"},
		{"tarnholm-v.toml", "[link_loss_option]", "[link_loss_opinion]", "1:1: [link_loss_option] is missing"},
		{"tarnholm-v.toml", "time_address = 0x0632", "# ", "46:1: time_address is missing"},
		{"tarnholm-v.toml", "rpm_per_unit = 1 ", `rpm_per_unit = "one" `, `15:1: rpm_per_unit = "one": allowed is a number, without quotes`},
		{"oxbow-f.toml", "mps_per_unit = 0.0015625", "", "37:1: mps_per_unit is missing"},
		{"oxbow-f.toml", "mps_per_unit = 0.0015625", "mps_per_unit = -1", "40:1: mps_per_unit = -1: allowed is 0.000001 to 1000"},
		{"oxbow-f.toml", "zero = 400 ", "zero = -400 ", "41:1: zero = -400: allowed is 0 to 65535"},
		{"oxbow-f.toml", "zero = 400 ", "nought = 400 ", `41:1: unknown key "nought"`},
		{"tarnholm-v.toml", "address = 0x0650", "address = 70000", "29:1: address = 70000: allowed is 0 to 65535"},
	} {
		text := linetest.WithFlowSensor(mapText(t, c.file))
		if !strings.Contains(text, c.from) {
			t.Fatalf("%s has no %q", c.file, c.from)
		}
		m, err := ParseMap(c.file, []byte(strings.Replace(text, c.from, c.to, 1)))
		if err == nil || !strings.Contains(err.Error(), c.file+":"+c.want) {
			t.Errorf("%s with %q for %q: %v (%v); want %s", c.file, c.to, c.from, err, m != nil, c.want)
		}
	}
}

func TestNumbersOfADrive(t *testing.T) {
	hz := register{perUnit: 0.01, hertz: true}
	rpm := register{perUnit: 1, signed: true}
	for _, c := range []struct {
		g    register
		rpm  float64
		held uint16
	}{{hz, 1500, 5000}, {hz, 900, 3000}, {hz, 0, 0}, {rpm, 1499.6, 1500}, {rpm, 0.4, 0}} { // 2 pole pairs: 1500 rpm at 50 Hz
		if got := c.g.number(units.RPM(c.rpm), 2); got != c.held {
			t.Errorf("%g rpm is %d, want %d", c.rpm, got, c.held)
		}
	}
	if got := rpm.value(0xFFF6, 2).RPM(); got != -10 {
		t.Errorf("FFF6h, signed, is %g rpm, want -10", got)
	}
	if got := hz.value(0xFFF6, 2).RPM(); got < 19000 {
		t.Errorf("FFF6h, not signed, is %g rpm", got)
	}
}

func TestWhatNewRefuses(t *testing.T) {
	good := Config{
		Port: "/dev/ttyS0", Baud: 19200, Parity: Even, StopBits: 1, Address: 1, Answer: 40 * time.Millisecond, Slowest: 100 * time.Millisecond,
		LinkLoss: 500 * time.Millisecond, PolePairs: 2, Highest: units.RPM(1500), Map: readMap(t, "oxbow-f.toml"),
	}
	if _, err := New(good); err != nil {
		t.Fatal(err)
	}
	for want, change := range map[string]func(*Config){
		"needs a map":                            func(c *Config) { c.Map = nil },
		"port names no device":                   func(c *Config) { c.Port = "" },
		"baud 300: allowed is one of":            func(c *Config) { c.Baud = 300 },
		`parity "mark": allowed is`:              func(c *Config) { c.Parity = "mark" },
		"stop bits 0: allowed is 1 to 2":         func(c *Config) { c.StopBits = 0 },
		"address 248: allowed is 1 to 247":       func(c *Config) { c.Address = 248 },
		"answer 0.2 s: allowed is 0.005 to 0.1":  func(c *Config) { c.Answer = 200 * time.Millisecond },
		"slowest answer 0.01 s: allowed is 0.04": func(c *Config) { c.Slowest = 10 * time.Millisecond },
		"link loss 0.1 s: allowed is 0.2 to 10":  func(c *Config) { c.LinkLoss = 100 * time.Millisecond },
		"pole pairs 0: allowed is 1 to 12":       func(c *Config) { c.PolePairs = 0 },
		"20000 rpm cannot be told to this drive": func(c *Config) { c.Highest = units.RPM(20000) },
	} {
		c := good
		change(&c)
		if _, err := New(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// Where a flow sensor's register stands beside others it comes with them, and costs no request; elsewhere it does not take the fault code along.
func TestWhereAFlowSensorIsRead(t *testing.T) {
	for _, c := range []struct {
		status, actual, code, flow uint16
		want                       string
	}{
		{0x10, 0x11, 0x12, 0x13, "[[0 1 2 3]]"},
		{0x10, 0x11, 0x30, 0x12, "[[0 1 3] [2]]"},
		{0x10, 0x12, 0x30, 0x11, "[[0 3 1] [2]]"},
		{0x11, 0x12, 0x30, 0x10, "[[3 0 1] [2]]"},
		{0x10, 0x11, 0x30, 0x31, "[[0 1] [2]]"},
		{0x10, 0x11, 0x31, 0x30, "[[0 1] [2]]"},
		{0x10, 0x11, 0x30, 0x40, "[[0 1] [2]]"},
		{0x10, 0x20, 0x21, 0x40, "[[0] [1 2]]"},
	} {
		at := func(address uint16) register { return register{there: true, function: readHolding, address: address} }
		m := &Map{status: at(c.status), actual: at(c.actual), code: at(c.code), flow: at(c.flow)}
		var got [][]role
		for _, b := range m.blocks(true) {
			got = append(got, b.roles)
		}
		if fmt.Sprint(got) != c.want {
			t.Errorf("%+v: %v, want %s", c, got, c.want)
		}
	}
}

func FuzzMap(f *testing.F) {
	for _, k := range kinds {
		f.Add(mapText(f, k.file))
		f.Add(linetest.WithFlowSensor(mapText(f, k.file)))
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMap("map.toml", []byte(text))
		if (m == nil) == (err == nil) {
			t.Fatalf("map %v, error %v", m, err)
		}
		if err != nil {
			for _, p := range err.(fault.Problems) {
				if p.Line < 1 || p.Line > 1+strings.Count(text, "\n") || p.Col < 1 || p.Text == "" {
					t.Fatalf("no such place: %v in %q", p, text)
				}
			}
			return
		}
		if !m.control.there || !m.target.there || !m.status.there || !m.actual.there || !m.lossTime.there || len(m.blocks(true)) == 0 {
			t.Fatalf("a map without what it needs: %+v", m)
		}
		if m.flow.there {
			if !(m.flow.perUnit > 0) {
				t.Fatalf("a flow sensor without a scale: %+v", m.flow)
			}
			for _, held := range []uint16{0, 1, 0x7FFF, 0x8000, 0xFFFF} {
				if v := m.flow.sensed(held).Speed; math.IsNaN(v.MetresPerSecond()) || m.flow.numberOf(v) != held {
					t.Fatalf("%04Xh is %v, and back %04Xh: %+v", held, v, m.flow.numberOf(v), m.flow)
				}
			}
		}
		c := config(t, &linetest.Line{Master: "-"}, kinds[0].file)
		c.Map = m
		b, err := New(c)
		if err != nil {
			return // of that motor and its ramps; a sentence, which TestWhatNewRefuses has
		}
		for _, p := range b.setup.want {
			if p.want > math.MaxUint16 && !p.wide {
				t.Fatalf("%s is to hold %d in 16 bits", p.name, p.want)
			}
		}
		for rpm := 0.0; rpm <= c.Highest.RPM(); rpm += 50 {
			g := m.target
			step := g.speed(1, c.PolePairs).RPM()
			if back := g.value(g.number(units.RPM(rpm), c.PolePairs), c.PolePairs).RPM(); math.Abs(back-rpm) > step*0.5001 {
				t.Fatalf("%v rpm is told as %v, in steps of %v", rpm, back, step)
			}
		}
	})
}
