package safety

import "time"

// Signal is a wire as it was read. The zero Signal is unknown, which counts as bad.
type Signal uint8

// The signals.
const (
	Unknown Signal = iota // not read yet, or not readable
	Absent                // not configured, which is not unknown
	Bad                   // stop pressed or its wire open, interlock open, nobody seen
	Good                  // stop released, interlock closed, somebody seen
)

// fine reports whether a signal forbids nothing.
func (s Signal) fine() bool { return s == Absent || s == Good }

// WallFacts are what the wall reads. The zero WallFacts are the dangerous case; a place without a wall has NoWall.
type WallFacts struct {
	At        time.Duration // when all wires were last read; meaningless where all are absent
	Stop      Signal
	StopSeen  bool          // a stop press was seen since the program started
	SeenAt    time.Duration // when last; meaningless while StopSeen is false
	Occupancy Signal
	Changed   time.Duration // when the occupancy signal last changed
	Cover     Signal        // interlock: the cover is off
	Level     Signal        // interlock: enough water
}

// NoWall are the facts of a place without a wall.
var NoWall = WallFacts{Stop: Absent, Occupancy: Absent, Cover: Absent, Level: Absent}

// allAbsent reports whether no wire at all is configured, so that nothing need be read.
func (w *WallFacts) allAbsent() bool {
	return w.Stop == Absent && w.Occupancy == Absent && w.Cover == Absent && w.Level == Absent
}
