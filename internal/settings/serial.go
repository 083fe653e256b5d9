package settings

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/tomlplace"
)

// serial reads the line and the drive at its end. The map is only named here: the program knows those that come with it.
func (s *Settings) serial(t *tomlplace.Table) {
	c := &s.Drive.Serial
	if text, ok := t.String("port"); ok {
		if text != "" && !strings.HasPrefix(text, "/") || strings.ContainsRune(text, 0) {
			wrong(t, "port", `allowed is the whole path of a device, as in "/dev/serial/by-id/usb-…"`)
		} else {
			c.Port = text
		}
	}
	if v, ok := t.Int("baud"); ok {
		if !slices.Contains(serial.Speeds(), int(v)) {
			wrong(t, "baud", "allowed is one of "+strings.Trim(fmt.Sprint(serial.Speeds()), "[]"))
		} else {
			c.Baud = int(v)
		}
	}
	if text, ok := t.String("parity"); ok {
		if all := []string{serial.None, serial.Even, serial.Odd}; !slices.Contains(all, text) {
			wrong(t, "parity", "allowed is "+words(all))
		} else {
			c.Parity = text
		}
	}
	whole(t, "stop_bits", 1, 2, &c.StopBits)
	whole(t, "address", 1, 247, &c.Address)
	if text, ok := t.String("map"); ok {
		s.Drive.SerialMap = text
	}
	whole(t, "pole_pairs", 1, 12, &c.PolePairs)
	number(t, "quick_stop_rpm_per_s", 0, 100_000, plain, &c.QuickStopRPMPerSecond)
	duration(t, "link_loss", 200*time.Millisecond, 10*time.Second, &c.LinkLoss)
	duration(t, "answer", 5*time.Millisecond, 100*time.Millisecond, &c.Answer)
	duration(t, "slowest_answer", 5*time.Millisecond, time.Second, &c.Slowest)
	t.Rest()
}

// agreeOnSerial checks what a drive on a serial line needs of the rest.
func (s *Settings) agreeOnSerial(root *tomlplace.Table) {
	c := &s.Drive.Serial
	c.RampRPMPerSecond, c.Highest = s.Drive.Motor.RPMPerSecond, s.Drive.Motor.Max
	if c.Slowest < c.Answer {
		blame(root, []place{{"drive.serial", "slowest_answer"}, {"drive.serial", "answer"}}, "answer is %v and slowest_answer is %v: allowed is a slowest_answer that is no shorter", c.Answer, c.Slowest)
	}
	if s.Drive.Backend != "serial" {
		return
	}
	for _, needed := range []struct{ key, value, as string }{
		{"port", c.Port, `port = "/dev/serial/by-id/usb-…"`}, {"map", s.Drive.SerialMap, `map = "oxbow-f" for a map that comes with the program, or the path of your own`},
	} {
		if needed.value == "" {
			blame(root, []place{{"drive.serial", needed.key}, {"drive", "backend"}}, "a serial drive needs %s under [drive.serial]", needed.as)
		}
	}
}

// whole reads a whole number from low to high.
func whole(t *tomlplace.Table, key string, low, high int64, into *int) {
	v, ok := t.Int(key)
	switch {
	case !ok:
	case v < low || v > high:
		wrong(t, key, fmt.Sprintf("allowed is a whole number, %d to %d", low, high))
	default:
		*into = int(v)
	}
}
