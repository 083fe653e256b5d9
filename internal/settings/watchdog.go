package settings

import (
	"strings"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
)

func (s *Settings) watchdog(t *tomlplace.Table) {
	if device, ok := t.String("device"); ok {
		if strings.ContainsRune(device, 0) {
			wrong(t, "device", `allowed is the name of a device, as in "/dev/watchdog", or "" for none`)
		} else {
			s.Watchdog.Device = device
		}
	}
	before := s.Watchdog.Timeout
	duration(t, "timeout", 2*time.Second, 10*time.Minute, &s.Watchdog.Timeout)
	if s.Watchdog.Timeout%time.Second != 0 {
		wrong(t, "timeout", "allowed are whole seconds: the kernel counts in them")
		s.Watchdog.Timeout = before
	}
	t.Rest()
}
