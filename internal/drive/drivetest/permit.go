package drivetest

import (
	"fmt"
	"time"

	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

// Clear is a permission for that water speed and acceleration, from a guard whose caps are beyond any flume.
// A guard clears nothing negative and nothing that is no number: asked for that, it is standstill.
func Clear(v units.Speed, a units.Accel) safety.Cleared {
	g, facts := guard(1)
	if _, err := g.Reset(facts); err != nil {
		panic(fmt.Sprintf("a guard refuses its reset with nothing amiss: %v", err))
	}
	if err := g.Start(facts, false); err != nil {
		panic(fmt.Sprintf("a guard refuses a start with nothing amiss: %v", err))
	}
	return g.Step(facts, safety.Wish{Speed: v, Accel: a, Under: true}).Cleared
}

// Release takes back as many stops as given.
func Release(stops uint64) safety.Release {
	g, facts := guard(stops)
	r, err := g.Reset(facts)
	if err != nil {
		panic(fmt.Sprintf("a guard refuses its reset with nothing amiss: %v", err))
	}
	return r
}

func guard(stops uint64) (*safety.Guard, *safety.Facts) {
	g := safety.NewGuard(safety.Config{
		Cap: units.MetresPerSecond(1000), MaxAccel: units.MetresPerSecond2(1000),
		IdleShutoff: time.Hour, LongestSwim: time.Hour, SoftTime: time.Minute,
	})
	facts := &safety.Facts{Press: true, Wall: safety.NoWall, Drive: safety.DriveFacts{Reads: 1, Stops: stops}}
	g.Step(facts, safety.Wish{}) // a reset takes back no stop that no tick has met
	return g, facts
}
