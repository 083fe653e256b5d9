package serial

import (
	"errors"
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// Motor is what a Player moves.
type Motor interface {
	Turn(r drive.Round, m units.MotorSpeed) error // enables first where it has to
	Stop(r drive.Round) error                     // quick stop, then disabled; acknowledges a fault of the motor's own
	Read(r drive.Round) (drive.Feedback, error)
}

// motorTime is for one call of the motor.
const motorTime = 100 * time.Millisecond

// faultCode is what a played drive with a fault gives for it: 1000h, a generic error, in CiA 402's list.
const faultCode = 0x1000

// Player is the other end of the line: it plays a drive of a map, for somebody to learn on and for tests. It has the map's registers, a state machine and a
// link-loss stop of its own, both off until the program has set its parameters, as they are in a drive that comes from its maker. The ramps that it is told
// are kept, and do nothing: the motor behind it has its own. It reads no clock; one goroutine calls it.
type Player struct {
	cfg   Config
	unit  byte
	motor Motor
	words [states]uint16 // the status word of each state

	now     time.Duration
	heard   time.Duration // the last request for this drive
	said    drive.Feedback
	state   state
	held    map[uint16]uint16 // holding registers, by address
	read    map[place]bool    // what can be read
	control uint16            // the last control word
}

// place is one register as a reader asks for it.
type place struct {
	function byte
	address  uint16
}

// NewPlayer makes a drive at rest, as it comes from its maker. Of the Config it needs what New needs, but no port.
func NewPlayer(c Config, m Motor) (*Player, error) {
	c.Port = "-"
	if _, err := New(c); err != nil { // the same that a program would say of it
		return nil, err
	}
	want, err := c.parameters()
	if err != nil {
		return nil, fmt.Errorf("serial drive: %w", err)
	}
	p := &Player{cfg: c, unit: byte(c.Address), motor: m, state: switchOnDisabled, held: map[uint16]uint16{}, read: map[place]bool{}}
	for _, g := range []register{c.Map.control, c.Map.target, c.Map.reset} {
		if g.there {
			p.keep(readHolding, g.address)
		}
	}
	for _, w := range want {
		p.keep(w.function, w.address)
		if w.wide {
			p.keep(w.function, w.address+1)
		}
	}
	for _, g := range []register{c.Map.status, c.Map.actual, c.Map.code, c.Map.flow} {
		if g.there {
			p.read[place{g.function, g.address}] = true
		}
	}
	for s := notReady; s < states; s++ {
		if p.words[s], err = wordFor(c.Map.profile, s); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// keep makes a holding register.
func (p *Player) keep(function byte, address uint16) {
	p.held[address] = 0
	p.read[place{function, address}] = true
}

// wordFor is the lowest status word that says a state: for CiA 402 with the bits of voltage (4) and of a drive that listens to its line (9), as drives have them.
func wordFor(k profile, s state) (uint16, error) {
	if _, ok := k.(velocity); ok {
		for w := range 1 << 7 {
			if stateOf(uint16(w)) == s {
				return uint16(w) | 0x0210, nil
			}
		}
	}
	fault := s == faultReaction || s == inFault
	running := s == operationEnabled || s == quickStopActive
	for w := range 1 << 16 {
		said := k.understand(uint16(w))
		if said.fault == fault && (fault || said.running == running && said.ready) {
			return uint16(w), nil
		}
	}
	if running { // a drive that is not ready for a start while it runs
		for w := range 1 << 16 {
			if said := k.understand(uint16(w)); said.running && !said.fault {
				return uint16(w), nil
			}
		}
	}
	return 0, errors.New("this map's masks leave no status word for a drive that is " + s.String() + ": no drive can be played by it")
}

// Tick lets time go on: the motor is looked at, and the link-loss stop.
func (p *Player) Tick(now time.Duration) {
	p.now = max(p.now, now)
	if f, err := p.motor.Read(p.round()); err == nil {
		p.said = f
	}
	switch {
	case p.said.Fault != "" && p.state != faultReaction && p.state != inFault:
		p.state = faultReaction
	case p.state == faultReaction && p.rests():
		p.state = inFault
	case p.state == inFault && p.said.Fault == "":
		p.state = switchOnDisabled
	case p.state == quickStopActive && p.rests():
		p.state = switchOnDisabled
	case p.state == operationEnabled && p.lost():
		p.halt()
	}
}

func (p *Player) rests() bool { return !p.said.Enabled && math.Abs(p.said.Motor.RPM()) < atRest }

// lost reports whether nobody has spoken to the drive for its link-loss time, where that does anything.
func (p *Player) lost() bool {
	for _, w := range p.cfg.Map.parameters {
		if w.name == "link-loss option" && uint32(p.held[w.address]) != w.want {
			return false
		}
	}
	g := p.cfg.Map.lossTime
	after := time.Duration(float64(p.held[g.address]) * g.perUnit * float64(time.Second))
	return after > 0 && p.now-p.heard > after
}

func (p *Player) round() drive.Round { return drive.Round{Elapsed: p.now, Until: p.now + motorTime} }

// word is the status word now: a motor whose power stage is still coming on does not run yet.
func (p *Player) word() uint16 {
	if p.state == operationEnabled && !p.said.Enabled {
		return p.words[switchedOn]
	}
	return p.words[p.state]
}

// halt is the quick stop.
func (p *Player) halt() {
	if p.state != operationEnabled {
		return
	}
	_ = p.motor.Stop(p.round()) // the motor of a played drive takes it
	p.state = quickStopActive
}

// obey does what the registers say after a write.
func (p *Player) obey() {
	m := p.cfg.Map
	word, before := p.held[m.control.address], p.control
	p.control = word
	if g := m.reset; g.there && p.held[g.address] == m.resetWith && m.resetWith != 0 {
		p.held[g.address] = 0
		p.acknowledge()
	}
	switch k := m.profile.(type) {
	case velocity:
		p.step(word, word&^before&faultReset != 0)
	case plain:
		switch {
		case word == k.run && p.state == switchOnDisabled:
			p.state = operationEnabled
		case word != k.run:
			p.halt()
		}
		if word == k.reset && before != word && !m.reset.there {
			p.acknowledge()
		}
	}
	if p.state == operationEnabled {
		_ = p.motor.Turn(p.round(), p.target())
	}
}

// step is the state machine of CiA 402, by the commands of its table 28.
func (p *Player) step(word uint16, edge bool) {
	switch {
	case p.state == faultReaction || p.state == inFault:
		if edge {
			p.acknowledge()
		}
	case word&0x02 == 0: // disable voltage; the motor is braked all the same
		p.halt()
		p.fall(switchOnDisabled)
	case word&0x04 == 0: // quick stop
		p.halt()
		p.fall(switchOnDisabled)
	case p.state == quickStopActive: // is carried through
	case word&0x07 == shutdown:
		p.halt()
		p.fall(readyToSwitchOn)
	case word&0x0F == switchOn && p.state == operationEnabled:
		p.halt()
	case word&0x0F == switchOn && p.state == readyToSwitchOn:
		p.state = switchedOn
	case word&0x0F == 0x0F && p.state == switchedOn:
		p.state = operationEnabled
	}
}

// fall leaves a state in which nothing turns for another.
func (p *Player) fall(to state) {
	if p.state != quickStopActive {
		p.state = to
	}
}

// acknowledge takes a fault back, where the motor is at rest.
func (p *Player) acknowledge() {
	if p.state == inFault {
		_ = p.motor.Stop(p.round())
	}
}

// target is what the motor is to turn at; in velocity mode only while the ramp may run and use it.
func (p *Player) target() units.MotorSpeed {
	g := p.cfg.Map.target
	if _, ok := p.cfg.Map.profile.(velocity); ok && p.control&0x70 != 0x70 {
		return units.MotorSpeed{}
	}
	n := g.value(p.held[g.address], p.cfg.PolePairs).RPM()
	return units.RPM(max(0, min(n, p.cfg.Highest.RPM())))
}
