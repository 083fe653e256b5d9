package main

import (
	"fmt"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/survey"
)

// outdated is fault.CalibrationOld where the calibration is older than it may be; else empty. A board whose clock wakes up in 1970 knows of no age.
func outdated(s *settings.Settings, now time.Time) fault.Code {
	if survey.Overdue(s.Calibration.On, s.Calibration.After, now) {
		return fault.CalibrationOld
	}
	return ""
}

// calibrated says of when the calibration is, and how long it holds.
func calibrated(s *settings.Settings) string {
	c := s.Calibration
	switch {
	case c.On.IsZero():
		return "The configuration does not say when the water was calibrated."
	case c.After == 0:
		return fmt.Sprintf("The water was calibrated on %s.", c.On.Format(time.DateOnly))
	}
	return fmt.Sprintf("The water was calibrated on %s; that is good until %s.", c.On.Format(time.DateOnly), c.On.Add(c.After).Format(time.DateOnly))
}
