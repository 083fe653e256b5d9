package serial

import (
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
)

// mapFormat is the version of the format of maps.
const mapFormat = 1

// IsMap reports whether a table is a map of a drive, rather than another file of ours.
func IsMap(t *tomlplace.Table) bool { return t.Has("drive_map") }

// ParseMap reads a map of a drive. All that is wrong with it comes back as fault.Problems. The keys are explained in docs/serial.md, and in each map
// that comes with the program.
func ParseMap(file string, text []byte) (*Map, error) {
	root, err := tomlplace.Parse(file, text)
	if err != nil {
		return nil, err
	}
	m := &Map{Text: string(text)}
	if v, ok := root.Int("drive_map"); !root.Has("drive_map") {
		root.Problem("drive_map", "drive_map is missing: a map of a drive begins with drive_map = %d", mapFormat)
	} else if ok && v != mapFormat {
		root.Refuse("drive_map", fmt.Sprint(mapFormat))
	}
	if t, ok := root.String("title"); ok && t != "" && len(t) <= 60 {
		m.Title = t
	} else {
		root.Problem("title", "title: give the drive a name of 1 to 60 characters")
	}
	p := mapReader{m, root}
	switch kind, ok := root.String("profile"); {
	case ok && kind == "velocity":
		p.velocity()
	case ok && kind == "plain":
		p.plain()
	default:
		root.Problem("profile", `profile: allowed is "velocity" (the state machine of CiA 402) or "plain" (registers of its own)`)
		return nil, root.Err() // what else is in there cannot be told right from wrong
	}
	root.Rest()
	if err := root.Err(); err != nil {
		return nil, err
	}
	return m, nil
}

type mapReader struct {
	m    *Map
	root *tomlplace.Table
}

func (p mapReader) velocity() {
	m := p.m
	m.profile = velocity{}
	p.table("control", p.writes, &m.control)
	p.table("target", p.writes, &m.target, p.rpm)
	m.target.signed = true // 6042h
	p.table("status", p.reads, &m.status)
	p.table("actual", p.reads, &m.actual, p.rpm)
	m.actual.signed = true // 6044h
	p.optional("fault_code", p.reads, &m.code)
	p.optional("flow_sensor", p.reads, &m.flow, p.flow)
	p.ramp("accel", &m.accel)
	p.ramp("decel", &m.decel)
	p.ramp("quick_stop", &m.quick)
	if p.root.Has("quick_stop_option") { // 605Ah: 2 is down the quick-stop ramp, then switch-on disabled
		p.fixed("quick_stop_option", "quick-stop option", 2)
	}
	p.fixed("link_loss_option", "link-loss option", 3) // 6007h: 3 is the quick stop
	p.lossTime()
	p.parameters()
}

func (p mapReader) plain() {
	m := p.m
	var kind plain
	p.table("control", p.writes, &m.control, func(t *tomlplace.Table, _ *register) {
		p.word(t, "run", &kind.run)
		p.word(t, "stop", &kind.stop)
		if t.Has("run") && t.Has("stop") && kind.run == kind.stop {
			t.Problem("stop", "run and stop are the same number")
		}
		if t.Has("reset") {
			p.word(t, "reset", &kind.reset)
		}
	})
	p.table("target", p.writes, &m.target, p.speed, p.sign)
	p.table("status", p.reads, &m.status, func(t *tomlplace.Table, _ *register) {
		p.bits(t, "running", true, &kind.runs)
		p.bits(t, "fault", true, &kind.faulty)
		p.bits(t, "ready", false, &kind.isReady)
	})
	p.table("actual", p.reads, &m.actual, p.speed, p.sign)
	p.optional("fault_code", p.reads, &m.code)
	p.optional("flow_sensor", p.reads, &m.flow, p.flow)
	p.optional("reset", p.writes, &m.reset, func(t *tomlplace.Table, _ *register) { p.word(t, "value", &m.resetWith) })
	if c := p.root.Table("control"); m.reset.there == c.Has("reset") {
		p.root.Problem("reset", "a fault is acknowledged either by a number for the control register (reset in [control]) or by a register of its own ([reset]): give one of them")
	}
	m.profile = kind
	if p.root.Has("link_loss_option") {
		p.chosen("link_loss_option", "link-loss option")
	}
	p.lossTime()
	p.parameters()
}

// more reads further keys of a register's table.
type more func(t *tomlplace.Table, g *register)

// table reads a register that must be there.
func (p mapReader) table(key string, how more, g *register, also ...more) {
	if !p.root.Has(key) {
		p.root.Problem(key, "[%s] is missing", key)
		return
	}
	t := p.root.Table(key)
	p.word(t, "address", &g.address)
	g.there = true
	how(t, g)
	for _, m := range also {
		m(t, g)
	}
	t.Rest()
}

func (p mapReader) optional(key string, how more, g *register, also ...more) {
	if p.root.Has(key) {
		p.table(key, how, g, also...)
	}
}

func (p mapReader) reads(t *tomlplace.Table, g *register) {
	p.function(t, "read", readHolding, readInput, &g.function)
}

func (p mapReader) writes(t *tomlplace.Table, g *register) {
	p.function(t, "write", writeSingle, writeMultiple, &g.function)
}

// function reads a function code: the first is the default.
func (mapReader) function(t *tomlplace.Table, key string, first, second byte, into *byte) {
	*into = first
	if v, ok := t.Int(key); ok {
		if v != int64(first) && v != int64(second) {
			t.Refuse(key, fmt.Sprintf("function code %d or %d", first, second))
			return
		}
		*into = byte(v)
	}
}

func (p mapReader) rpm(t *tomlplace.Table, g *register) {
	g.perUnit = 1
	if t.Has("rpm_per_unit") {
		p.scale(t, "rpm_per_unit", &g.perUnit)
	}
}

// speed reads what a plain drive counts its speed in.
func (p mapReader) speed(t *tomlplace.Table, g *register) {
	hz, rpm := t.Has("hz_per_unit"), t.Has("rpm_per_unit")
	switch {
	case hz == rpm:
		t.Problem("hz_per_unit", "give one of hz_per_unit (the drive counts in Hz) and rpm_per_unit (it counts in revolutions per minute)")
	case hz:
		g.hertz = true
		p.scale(t, "hz_per_unit", &g.perUnit)
	default:
		p.scale(t, "rpm_per_unit", &g.perUnit)
	}
}

func (mapReader) sign(t *tomlplace.Table, g *register) {
	if v, ok := t.Bool("signed"); ok {
		g.signed = v
	}
}

// flow reads what a flow sensor's number means.
func (p mapReader) flow(t *tomlplace.Table, g *register) {
	p.scale(t, "mps_per_unit", &g.perUnit)
	p.sign(t, g)
	if t.Has("zero") {
		var zero uint16
		p.word(t, "zero", &zero)
		g.zero = float64(zero)
	}
}

func (mapReader) scale(t *tomlplace.Table, key string, into *float64) {
	v, ok := t.Float(key)
	switch {
	case !t.Has(key):
		t.Problem(key, "%s is missing", key)
	case !ok:
	case !(v >= 1e-6 && v <= 1000):
		t.Refuse(key, "0.000001 to 1000")
	default:
		*into = v
	}
}

// word reads a number of 16 bits that must be there.
func (mapReader) word(t *tomlplace.Table, key string, into *uint16) {
	v, ok := t.Int(key)
	switch {
	case !t.Has(key):
		t.Problem(key, "%s is missing", key)
	case !ok:
	case v < 0 || v > math.MaxUint16:
		t.Refuse(key, "0 to 65535 (0x0000 to 0xFFFF)")
	default:
		*into = uint16(v)
	}
}

// bits reads NAME_mask and NAME_value; without a value all bits of the mask have to be set.
func (p mapReader) bits(t *tomlplace.Table, name string, must bool, into *bits) {
	mask, value := name+"_mask", name+"_value"
	if !t.Has(mask) {
		if must {
			t.Problem(mask, "%s is missing", mask)
		} else if t.Has(value) {
			t.Problem(value, "%s without %s says nothing", value, mask)
		}
		return
	}
	p.word(t, mask, &into.mask)
	if into.mask == 0 {
		t.Problem(mask, "%s is 0: allowed is 1 to 65535, the bits that are looked at", mask)
	}
	into.value = into.mask
	if t.Has(value) {
		p.word(t, value, &into.value)
		if into.value&^into.mask != 0 {
			t.Problem(value, "%s has bits that %s leaves out: that could never be", value, mask)
		}
	}
}

// ramp reads a change of speed (two registers) and the time that it takes (one).
func (p mapReader) ramp(key string, r *ramp) {
	if !p.root.Has(key) {
		return
	}
	t := p.root.Table(key)
	for _, part := range []struct {
		address, scale string
		g              *register
	}{{"speed_address", "rpm_per_unit", &r.speed}, {"time_address", "s_per_unit", &r.seconds}} {
		*part.g = register{there: true, function: readHolding, perUnit: 1}
		p.word(t, part.address, &part.g.address)
		if t.Has(part.scale) {
			p.scale(t, part.scale, &part.g.perUnit)
		}
	}
	r.speed.wide = true
	t.Rest()
}

// fixed is an option whose number a standard gives.
func (p mapReader) fixed(key, name string, want uint32) {
	var g register
	p.table(key, p.reads, &g)
	p.m.parameters = append(p.m.parameters, parameter{name, g, want})
}

// chosen is an option whose number the map gives.
func (p mapReader) chosen(key, name string) {
	var g register
	var want uint16
	p.table(key, p.reads, &g, func(t *tomlplace.Table, _ *register) { p.word(t, "value", &want) })
	p.m.parameters = append(p.m.parameters, parameter{name, g, uint32(want)})
}

// lossTime is where the drive keeps how long it goes on without being spoken to. A drive without it is not to be run from here.
func (p mapReader) lossTime() {
	p.table("link_loss_time", p.reads, &p.m.lossTime, func(t *tomlplace.Table, g *register) { p.scale(t, "s_per_unit", &g.perUnit) })
}

// parameters are further numbers that the drive must hold.
func (p mapReader) parameters() {
	for _, t := range p.root.Tables("parameter") {
		var g register
		var want uint16
		name, ok := t.String("name")
		if !ok || name == "" {
			t.Problem("name", "name is missing: what the drive's manual calls this parameter")
		}
		p.word(t, "address", &g.address)
		p.reads(t, &g)
		p.word(t, "value", &want)
		t.Rest()
		p.m.parameters = append(p.m.parameters, parameter{name, g, uint32(want)})
	}
}

// lossNumber is the link-loss time as the drive counts it: the nearest that is no longer than asked.
func (m *Map) lossNumber(d time.Duration) (uint32, error) {
	n := math.Floor(d.Seconds()/m.lossTime.perUnit + 1e-9)
	if n < 1 || n > math.MaxUint16 {
		return 0, fmt.Errorf("link_loss = %v: this drive counts its time-out in steps of %g s; allowed is %g to %g s", d, m.lossTime.perUnit,
			m.lossTime.perUnit, m.lossTime.perUnit*math.MaxUint16)
	}
	return uint32(n), nil
}
