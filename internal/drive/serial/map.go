package serial

import (
	"cmp"
	"math"
	"slices"

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
	if g.signed {
		return g.speed(float64(int16(held)), polePairs)
	}
	return g.speed(float64(held), polePairs)
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

// blocks puts registers that follow each other into one request. The fault code stands alone where it does not: it is read only when there is a fault.
func (m *Map) blocks() []block {
	at := []placed{{roleStatus, m.status}, {roleActual, m.actual}, {roleCode, m.code}}
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
	return out
}
