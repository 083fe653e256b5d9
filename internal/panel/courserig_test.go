package panel

import (
	"context"
	"path/filepath"
	"time"

	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/wall"
)

// wall is the simulated wall of the configuration, for the installer's course; nil where there is none.
func (r *rig) wall(course bool) *wall.Wall {
	if !course {
		return nil
	}
	w, err := wall.Open(r.settings.Wall, func() { r.drive.Stop(fault.StopPressed) })
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { // after it has ended
		if err := w.Close(); err != nil {
			r.t.Error(err)
		}
	})
	r.beside(w.Run)
	return w
}

// course is the installer's course over the rig; nil where none is wanted.
func (r *rig) course(wanted bool, back *simulated.Backend) Course {
	if !wanted {
		return nil
	}
	c := commission.NewPage(commission.Config{Sequencer: r.seq, Settings: r.settings, Dir: filepath.Join(r.state, "commissioning"), Now: time.Now, Simulated: true, Water: back.Water})
	r.beside(c.Run)
	return c
}

// beside runs something until the test is over.
func (r *rig) beside(run func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	end := make(chan error)
	go func() { end <- run(ctx) }()
	r.t.Cleanup(func() {
		cancel()
		if err := <-end; err != nil {
			r.t.Errorf("ended with %v", err)
		}
	})
}
