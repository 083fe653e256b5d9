package safety

import (
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Facts are what is known at one tick. The zero Facts are the dangerous case: nothing has been read.
type Facts struct {
	Now    time.Duration // monotonic, since the start of the program
	Gap    time.Duration // since the tick before; 0 at the first
	Drive  DriveFacts
	Stop   fault.Code  // somebody or something asks for a fast stop in this tick; empty where not
	Press  bool        // a press anywhere in this tick: a sign of a person
	Seen   bool        // the occupancy signal changed in this tick
	Wall   WallFacts   // NoWall where there is none
	Water  units.Speed // as estimated from the motor speed that the drive reports
	Edited bool        // the configuration on the disk is not the one that runs
}

// DriveFacts are what the drive reports of itself.
type DriveFacts struct {
	Reads   uint64           // good reads so far; 0: nothing known
	At      time.Duration    // when the last good read was
	Motor   units.MotorSpeed // actual
	Ordered units.MotorSpeed // what was last sent
	Lost    bool             // the last exchange failed
	Fault   bool             // the drive reports a fault of its own
	Stops   uint64           // stops latched so far, by anybody
	Latched bool
	Why     fault.Code // of the latest stop
}

// Wish is what the swim would like in this tick.
type Wish struct {
	Speed units.Speed
	Accel units.Accel
	Off   bool             // the motor is to be off: at rest, or on the coast
	Under bool             // a swim is under way: from the count-in until the water has come to rest
	Swims bool             // its blocks run: somebody ought to be in the water
	Jog   units.MotorSpeed // an installer's, in place of a speed

	// For the question "still there?", which goes best into a rest.
	AtRest   bool
	RestIn   time.Duration // until the next rest begins, the present one left out
	RestAway bool          // no rest is to come: RestIn means nothing
}

// Level says how much a rule does. Higher is more.
type Level uint8

// The levels.
const (
	Fine    Level = iota
	Notice        // said, nothing else
	Caution       // said, with a cue
	Slow          // no faster than CautionSpeed
	Soft          // down with the session's limits, then disabled; latched
	Fast          // the drive's quick stop at once, then disabled; latched
)

// Verdict is what a guard makes of a tick.
type Verdict struct {
	Cleared Cleared
	Stop    bool        // call Drive.Stop(Why) now
	Soft    bool        // the swim has to come down with its own limits
	Level   Level       // the highest that holds
	Why     fault.Code  // of that level; while latched, of the stop, or that the motor turns all the same
	Ask     bool        // ask whether somebody is still there
	Cap     units.Speed // no faster than this for now; zero where no rule says so
	Permit  bool        // nothing is latched: the heartbeat may beat
}

// Config is what a guard needs to know of flume and swimmer.
type Config struct {
	Cap         units.Speed   // lowest cap of flume, swimmer and owner
	MaxAccel    units.Accel   // more is never cleared
	IdleShutoff time.Duration // from the last sign of a person; default 30 min, common practice in this trade
	LongestSwim time.Duration // default 2 h
	SoftTime    time.Duration // a soft stop that has not ended after this becomes a fast one

	CautionSpeed units.Speed   // while a caution slows the water down; default 0.6 m/s, the project's own choice
	MotorRamp    float64       // the motor's own ramp in rpm/s, to judge whether it follows; 0 for none worth minding
	QuickStop    time.Duration // the longest that the drive's quick stop takes; default 3 s

	Uncommissioned bool // no swim starts; an installer's jog does
}
