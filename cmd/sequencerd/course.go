package main

import (
	"log/slog"
	"time"

	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/doctor"
)

// newCourse is the installer's course for the panel; nil where there is no folder to keep its record in. It is the folder that a start looks into.
func newCourse(h *house) *commission.Page {
	dir, err := recordDir(h.settings)
	if err != nil {
		slog.Warn("there is no course at the panel", "because", err)
		return nil
	}
	c := commission.Config{Sequencer: h.seq, Settings: h.settings, Board: doctor.Model(), Dir: dir, Now: time.Now, Simulated: h.drive.Simulated(),
		Apart: apart(h.settings), Uncommissioned: h.uncommissioned}
	if h.loaded.simulated != nil {
		c.Water = h.loaded.simulated.Water
	}
	return commission.NewPage(c)
}
