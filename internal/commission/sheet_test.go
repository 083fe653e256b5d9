package commission_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/wall"
)

// TestTheSheet: what is printed beforehand, for each kind of link, in 80 columns.
func TestTheSheet(t *testing.T) {
	for _, c := range []struct{ name, text string }{
		{"simulated", ""},
		{"serial", `
[drive]
backend = "serial"
min_rpm = 90
[drive.serial]
port = "/dev/serial/by-id/usb-invented_adapter_0042-if00-port0"
map = "oxbow-f"
baud = 9600
parity = "none"
stop_bits = 2
address = 7
link_loss = "1s"
[wall]
stop_pin = "gpiochip0:17"
press_pin = "gpiochip0:27"
cover_pin = "gpiochip0:5"
heartbeat_pin = "gpiochip0:26"
pulls = "external"
`},
		{"mqtt", `
[drive]
backend = "mqtt"
accel_rpm_per_s = 0
[drive.mqtt]
broker = "mqtt://10.20.0.2"
topic = "otterford/drive"
[wall]
stop_pin = "GPIO17"
slower_pin = "GPIO22"
lamp_pin = "GPIO23"
buttons = "to ground"
`},
	} {
		s, err := settings.Parse("test.toml", []byte(c.text), config.Default())
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := commission.WriteSheet(&b, s); err != nil {
			t.Fatal(err)
		}
		golden(t, "sheet-"+c.name+".txt", b.Bytes())
		text := strings.Join(strings.Fields(b.String()), " ")
		if p := s.Drive.Serial.Port; p != "" && !strings.Contains(strings.ReplaceAll(text, " ", ""), p) {
			t.Errorf("%s: a long path is not whole", c.name)
		}
		for _, want := range []string{"Where the drive's manual, the local code or the licensed electrician say otherwise", "no safety device", "emergency stop", "no start by itself", "rotation lock", "command source", "link-loss time"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: it says nothing of %q", c.name, want)
			}
		}
		if strings.Contains(text, "SIMULATED") != (c.name == "simulated") {
			t.Errorf("%s: it does not say rightly whether it is simulated", c.name)
		}
		for _, p := range wall.Pins() {
			at, there := s.Wall.Fitted()[p]
			if there != strings.Contains(text, p.Key()+" = "+at) {
				t.Errorf("%s: %s is wrong", c.name, p.Key())
			}
		}
		for i, line := range strings.Split(b.String(), "\n") {
			if n := len([]rune(line)); n > 79 {
				t.Errorf("%s, line %d has %d columns: %s", c.name, i+1, n, line)
			}
		}
	}
}

// TestTheCourseFitsAnAfternoon: the safety part under an hour, all under two and a half.
func TestTheCourseFitsAnAfternoon(t *testing.T) {
	safe, all := commission.Length()
	if safe <= 0 || safe >= time.Hour || all >= 150*time.Minute {
		t.Errorf("the safety part takes %v, all of it %v", safe, all)
	}
}
