// Package run is one swim: states, commands, the block clock and the announcements, from which comes the wish for the water in each tick.
//
// It is a pure state machine: Do takes a command, Step takes the time that has passed and the water that has flowed. It knows no clock, no drive and no guard.
package run

// State is where a swim stands. The zero State is stopped.
type State uint8

// The states.
const (
	Stopped  State = iota // latched; always after the start of the program
	Ready                 // laid out or not, a start is possible
	CountIn               // a start or resume was given; the motor is off
	Running               // the block clock runs
	Pausing               // the water comes down; the block clock stands
	Paused                // the motor is off
	Stopping              // the water comes down for good, after the last block or by a finish
	Finished              // done; a start is possible
)

var stateNames = [...]string{"stopped", "ready", "count-in", "running", "pausing", "paused", "stopping", "finished"}

// String is the state's name in status and texts.
func (s State) String() string { return stateNames[s] }

// Under reports whether a swim is under way: somebody may be in moving water, or is about to be.
func (s State) Under() bool { return s >= CountIn && s <= Stopping }

// Command is what a person can ask.
type Command uint8

// The commands.
const (
	LayOut Command = iota
	Swimmer
	Start
	Steady
	Pause
	Resume
	On
	Skip
	Back
	Nudge
	Here
	Finish
	Stop
	Reset
	Commands // how many there are
)

var commandNames = [...]string{"lay-out", "swimmer", "start", "steady", "pause", "resume", "on", "skip", "back", "nudge", "here", "finish", "stop", "reset"}

// String is the command's name on the wire and in texts.
func (c Command) String() string { return commandNames[c] }

// ParseCommand finds a command by its name.
func ParseCommand(s string) (Command, bool) {
	for i, n := range commandNames {
		if n == s {
			return Command(i), true
		}
	}
	return 0, false
}

// set is a set of states.
type set uint16

func in(ss ...State) (s set) {
	for _, x := range ss {
		s |= 1 << x
	}
	return s
}

const every = set(1<<(Finished+1) - 1)

// allowed says in which states a command does anything; On needs an open block besides. A start in a count-in takes it back.
var allowed = [Commands]set{
	LayOut:  in(Stopped, Ready, Finished),
	Swimmer: in(Stopped, Ready, Finished, Paused),
	Start:   in(Ready, Finished, CountIn),
	Steady:  in(Ready, Finished, Running),
	Pause:   in(Running),
	Resume:  in(Pausing, Paused),
	On:      in(Running),
	Skip:    in(Running, Paused),
	Back:    in(Running, Paused),
	Nudge:   in(Running, Paused),
	Here:    in(Running, Pausing, Paused),
	Finish:  in(CountIn, Running, Pausing, Paused),
	Stop:    every,
	Reset:   in(Stopped),
}

// Allows reports whether a command is allowed in a state; open says whether the block under way is an open one.
func Allows(s State, c Command, open bool) bool {
	return allowed[c]&(1<<s) != 0 && (c != On || open)
}
