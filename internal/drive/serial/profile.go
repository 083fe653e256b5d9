package serial

import "fmt"

// profile is how a kind of drive is spoken to: what its status says, and which control word comes next.
type profile interface {
	// understand reads a status word.
	understand(status uint16) said
	// next is the control word that brings the drive a step nearer to following its target, or lets it follow on.
	next(s said) uint16
	// halt is the control word of a stop; turning tells whether the motor still does.
	halt(s said, turning bool) uint16
	// clear is the control word that acknowledges a fault, on its way up from halt's.
	clear() uint16
}

// said is what a drive says of itself. The zero said is nothing.
type said struct {
	known   bool
	word    uint16
	running bool // it follows its target
	enabled bool // the power stage is on
	ready   bool // it would take a start
	fault   bool // it has a fault of its own
	name    string
}

// velocity is the state machine of IEC 61800-7-201 (CiA 402), with the control bits of its velocity mode.
type velocity struct{}

// state is one of the drive's states, by the status word: CiA 402, table 30.
type state int

const (
	undefined state = iota
	notReady
	switchOnDisabled
	readyToSwitchOn
	switchedOn
	operationEnabled
	quickStopActive
	faultReaction
	inFault
	states
)

func (s state) String() string {
	return [states]string{"a state that no standard knows", "not ready to switch on", "switch-on disabled", "ready to switch on", "switched on",
		"operation enabled", "quick stop active", "fault reaction active", "fault"}[s]
}

func stateOf(status uint16) state {
	switch status & 0x4F {
	case 0x00:
		return notReady
	case 0x40:
		return switchOnDisabled
	case 0x0F:
		return faultReaction
	case 0x08:
		return inFault
	}
	switch status & 0x6F {
	case 0x21:
		return readyToSwitchOn
	case 0x23:
		return switchedOn
	case 0x27:
		return operationEnabled
	case 0x07:
		return quickStopActive
	}
	return undefined
}

// Control words. In velocity mode bits 4 to 6 let the ramp run, and use the target.
const (
	disableVoltage = 0x00
	quickStop      = 0x02
	shutdown       = 0x06
	switchOn       = 0x07
	follow         = 0x7F
	faultReset     = 0x80 // on its rising edge
)

func (velocity) understand(status uint16) said {
	s := stateOf(status)
	return said{
		known: true, word: status, name: s.String(),
		running: s == operationEnabled,
		enabled: s == operationEnabled || s == quickStopActive || s == faultReaction || s == undefined, // what is not known counts as the dangerous case
		ready:   true,
		fault:   s == faultReaction || s == inFault,
	}
}

func (velocity) next(s said) uint16 {
	switch stateOf(s.word) {
	case switchOnDisabled:
		return shutdown
	case readyToSwitchOn:
		return switchOn
	case switchedOn, operationEnabled:
		return follow
	}
	return disableVoltage
}

// halt is the quick stop; a drive whose quick stop ends without switching off is switched off when the motor is at rest.
func (velocity) halt(s said, turning bool) uint16 {
	if stateOf(s.word) == quickStopActive && !turning {
		return disableVoltage
	}
	return quickStop
}

func (velocity) clear() uint16 { return faultReset | quickStop }

// bits is a part of a status word: present when what the mask leaves equals the value. The zero bits are absent.
type bits struct{ mask, value uint16 }

func (b bits) in(word uint16) bool { return b.mask != 0 && word&b.mask == b.value }

// plain is a drive without a state machine: it runs, or not.
type plain struct {
	runs, faulty, isReady bits
	run, stop, reset      uint16
}

func (p plain) understand(status uint16) said {
	s := said{known: true, word: status, running: p.runs.in(status), fault: p.faulty.in(status), ready: p.isReady.mask == 0 || p.isReady.in(status)}
	s.enabled = s.running
	if s.fault {
		s.running = false
	}
	switch {
	case s.fault:
		s.name = "fault"
	case s.running:
		s.name = "running"
	case !s.ready:
		s.name = "not ready"
	default:
		s.name = "ready"
	}
	return s
}

func (p plain) next(s said) uint16 {
	if s.running || s.ready {
		return p.run
	}
	return p.stop
}

func (p plain) halt(said, bool) uint16 { return p.stop }

func (p plain) clear() uint16 { return p.reset }

func (s said) String() string { return fmt.Sprintf("%s (status %04Xh)", s.name, s.word) }
