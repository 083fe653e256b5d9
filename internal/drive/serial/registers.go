package serial

import (
	"fmt"

	"flume.example/sequencerd/internal/drive"
)

// Register is one number at the drive, for an installer to compare with the drive's own display and manual.
type Register struct {
	Name    string
	Address uint16
	Value   uint32
	Means   string // in words, where the map says more than the number; what it must be, where it is not
	Err     error  // it could not be read
}

// Registers reads every register of the map that can be read, one after the other; one that the drive refuses is told in its Err. It changes nothing at the
// drive. The error is that of a line that does not carry anything.
func (b *Backend) Registers(r drive.Round) ([]Register, error) {
	c, err := b.enter(r)
	if err != nil {
		return nil, err
	}
	m := b.cfg.Map
	list := []struct {
		parameter
		means func(uint32) string
	}{
		{parameter{name: "status", register: m.status}, func(v uint32) string { return m.profile.understand(uint16(v)).name }},
		{parameter{name: "actual speed", register: m.actual}, func(v uint32) string { return m.actual.value(uint16(v), b.cfg.PolePairs).String() }},
		{parameter{name: "fault code", register: m.code}, nil},
		{parameter{name: "flow sensor", register: m.flow}, func(v uint32) string {
			return fmt.Sprintf("%.3f m/s", m.flow.sensed(uint16(v)).Speed.MetresPerSecond())
		}},
	}
	for _, p := range b.setup.want {
		list = append(list, struct {
			parameter
			means func(uint32) string
		}{p, func(v uint32) string {
			if v != p.want {
				return fmt.Sprintf("must be %d", p.want)
			}
			return "as it must be"
		}})
	}
	var out []Register
	for _, l := range list {
		if !l.there {
			continue
		}
		g := Register{Name: l.name, Address: l.address}
		n := 1
		if l.wide {
			n = 2
		}
		held, err := b.ask(c, readRequest(b.unit, l.function, l.address, n))
		for _, w := range held {
			g.Value = g.Value<<16 | uint32(w)
		}
		switch g.Err = err; {
		case b.master.port == nil:
			return out, err
		case err == nil && l.means != nil:
			g.Means = l.means(g.Value)
		}
		out = append(out, g)
	}
	return out, nil
}
