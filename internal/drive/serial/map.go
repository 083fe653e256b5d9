package serial

import (
	"cmp"
	"math"
	"slices"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// Map says where a kind of drive keeps what, and in which units. ParseMap reads one.
type Map struct {
	Title string
	Text  string // as it was read, so that it can be handed on

	profile profile
	control register
	target  register
	status  register
	actual  register
	code    register // of the drive's own fault; absent where the drive has none
	flow    register // what a flow sensor on the drive shows, perUnit in m/s; absent where none is fitted
	reset   register // acknowledges a fault with resetWith; absent: the control register does

	resetWith uint16

	accel, decel, quick ramp
	parameters          []parameter // link loss among them
	lossTime            register    // perUnit in seconds
}

// register is one number at the drive. The zero register is absent.
type register struct {
	there    bool
	address  uint16
	function byte // that reads it, or writes it
	wide     bool // two registers
	signed   bool
	perUnit  float64 // of what is counted, per step of the number
	zero     float64 // the number that stands for none of it
	hertz    bool    // counted is the motor's frequency in Hz, else its speed in rpm
}

// ramp is a change of speed over a time (CiA 402 objects 6048h to 604Ah): so many rpm, two registers, in so many seconds, one register.
type ramp struct{ speed, seconds register }

// parameter is a number that the drive must hold before it is run.
type parameter struct {
	name string
	register
	want uint32
}

// highest is the greatest motor speed that can be ordered.
func (m *Map) highest(polePairs int) units.MotorSpeed {
	most := math.MaxUint16
	if m.target.signed {
		most = math.MaxInt16
	}
	return m.target.speed(float64(most), polePairs)
}

// number is a motor speed as the drive counts it, to the nearest step.
func (g register) number(n units.MotorSpeed, polePairs int) uint16 {
	counted := n.RPM()
	if g.hertz {
		counted = counted * float64(polePairs) / 60
	}
	most := float64(math.MaxUint16)
	if g.signed {
		most = math.MaxInt16
	}
	return uint16(min(math.Round(counted/g.perUnit), most)) // an order is never negative
}

// value is what a register holds, as a motor speed.
func (g register) value(held uint16, polePairs int) units.MotorSpeed {
	return g.speed(g.counted(held), polePairs)
}

// counted is the number that is held.
func (g register) counted(held uint16) float64 {
	if g.signed {
		return float64(int16(held))
	}
	return float64(held)
}

// sensed is what the register of a flow sensor holds. Whether water can have that speed is for the Drive to say.
func (g register) sensed(held uint16) drive.Sensed {
	return drive.Sensed{Known: true, Speed: units.MetresPerSecond((g.counted(held) - g.zero) * g.perUnit)}
}

// numberOf is a sensed speed as the drive counts it.
func (g register) numberOf(v units.Speed) uint16 {
	n := math.Round(v.MetresPerSecond()/g.perUnit + g.zero)
	if g.signed {
		return uint16(int16(max(math.MinInt16, min(n, math.MaxInt16))))
	}
	return uint16(max(0, min(n, math.MaxUint16)))
}

func (g register) speed(number float64, polePairs int) units.MotorSpeed {
	counted := number * g.perUnit
	if g.hertz {
		counted = counted * 60 / float64(polePairs) // of the field; the shaft is slower by the slip
	}
	return units.RPM(counted)
}

// role is what a register that is read in every round is for.
type role int

const (
	roleStatus role = iota
	roleActual
	roleCode
	roleFlow
	roles
)

// block is a number of registers that one request reads.
type block struct {
	function byte
	address  uint16
	roles    []role // one for each register
}

type placed struct {
	role
	register
}

// blocks puts registers that follow each other into one request. The fault code stands alone where it does not: it is read only when there is a fault. A flow
// sensor, where it is wanted, comes along where that takes no further request, and else not at all.
func (m *Map) blocks(flow bool) []block {
	at := []placed{{roleStatus, m.status}, {roleActual, m.actual}, {roleCode, m.code}}
	if flow {
		at = append(at, placed{roleFlow, m.flow})
	}
	at = slices.DeleteFunc(at, func(p placed) bool { return !p.there })
	slices.SortFunc(at, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.function, b.function), cmp.Compare(a.address, b.address))
	})
	var out []block
	for _, a := range at {
		if n := len(out); n > 0 && out[n-1].function == a.function && int(out[n-1].address)+len(out[n-1].roles) == int(a.address) {
			out[n-1].roles = append(out[n-1].roles, a.role)
			continue
		}
		out = append(out, block{a.function, a.address, []role{a.role}})
	}
	for _, b := range out {
		if b.has(roleFlow) && !b.has(roleStatus) && !b.has(roleActual) {
			return m.blocks(false)
		}
	}
	return out
}

func (b block) has(r role) bool { return slices.Contains(b.roles, r) }
