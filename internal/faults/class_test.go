package faults

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// What bounds are made of.
const (
	pressTime = 25 * time.Millisecond        // from the press to the stop on the line, with an exchange of 19200 baud under way before it
	answer    = 100 * time.Millisecond       // that exchange's answer is awaited for so long: [drive.serial] answer; a network is given the same
	effect    = 20 * time.Millisecond        // from a stop that is heard to the motor's quick stop: [drive.simulated] dead_time, pymodbus between two looks
	look      = 20 * time.Millisecond        // the witness looks every few milliseconds
	contact   = (10 + 20) * time.Millisecond // the wall looks at its contacts, and believes what stays
	tick      = 50 * time.Millisecond        // the loop's
	old       = 300 * time.Millisecond       // feedback older than this is none
	launch    = 400 * time.Millisecond       // a process starts, and takes the line
	watchdog  = 2 * time.Second              // of the service's unit
	lowWater  = 2 * time.Second              // the guard's patience with the water level
	nobody    = 60 * time.Second             // and with nobody seen
	fullTime  = 6 * time.Second              // a block ends meanwhile, and the store is tried
	softTime  = 12 * time.Second             // a soft stop with this place's ramps; after that it is a fast one

	stopTime = pressTime + answer + effect + look
	quickest = time.Second // the fastest motor to rest: [drive] max_rpm at quick_stop_rpm_per_s
)

// kinds of places.
const (
	velocity = "velocity"      // a drive with the velocity mode of CiA 402, on a serial line
	plain    = "plain"         // a drive with registers of its own, on a serial line
	slow     = "velocity, 10s" // one whose own link-loss stop comes far too late to be what stopped it
	node     = "node"          // a drive node behind a broker
)

// class is a kind of fault.
type class struct {
	name   string
	on     string        // the places where it can be: S velocity and plain, L slow, N node
	begun  time.Duration // bound from the fault to the begin of the quick stop; 0 for a soft stop
	why    string        // the reason of that bound
	soft   time.Duration // bound to rest of a soft stop
	swims  bool          // only while blocks run
	small  bool          // needs a disk that can be filled
	goesOn bool          // nothing may stop
	ends   bool          // the daemon does not outlive it
	do     func(p *place, r *rand.Rand) error
	heal   func(p *place, r *rand.Rand) error // when the motor is at rest; nil for a class of which nothing is left
}

func (c *class) rest() time.Duration {
	if c.soft > 0 {
		return c.soft
	}
	return c.begun + quickest + look
}

// hand is something done at the wall.
func hand(line string) func(p *place, r *rand.Rand) error {
	return func(p *place, _ *rand.Rand) error { return p.hand(line) }
}

// hands does several, one after the other.
func hands(all ...func(p *place, r *rand.Rand) error) func(p *place, r *rand.Rand) error {
	return func(p *place, r *rand.Rand) error {
		for _, one := range all {
			if err := one(p, r); err != nil {
				return err
			}
		}
		return nil
	}
}

func healLink(p *place, _ *rand.Rand) error { p.link.cut(false, nil); return nil }

func vanish(on bool) func(p *place, _ *rand.Rand) error {
	return func(p *place, _ *rand.Rand) error { return p.link.vanish(on) }
}

func wedge(on bool) func(p *place, _ *rand.Rand) error {
	return func(p *place, _ *rand.Rand) error { return p.link.wedge(on) }
}

func signal(s syscall.Signal) func(p *place, _ *rand.Rand) error {
	return func(p *place, _ *rand.Rand) error { return p.signal(s) }
}

// killed ends the daemon, and does what its supervisor does then.
func killed(p *place, _ *rand.Rand) error {
	p.kill()
	return p.stopDrive()
}

// broken is a configuration after somebody's bad evening.
func broken(p *place, r *rand.Rand) error {
	texts := []string{"[drive\nbackend = ", "", "[drive]\nbackend = \"simulated\"\n", "[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/nowhere\"\nmap = \"oxbow-f\"\n"}
	p.write("flume.toml", texts[r.IntN(len(texts))])
	return nil
}

func mended(p *place, _ *rand.Rand) error {
	p.write("flume.toml", p.config())
	return nil
}

func fill(p *place, _ *rand.Rand) error  { return p.fill() }
func empty(p *place, _ *rand.Rand) error { return p.empty() }

// second starts a daemon beside the one there is: it has to end with 1, and to say who holds the drive.
func second(p *place, _ *rand.Rand) error {
	c := p.serve()
	over := time.AfterFunc(5*time.Second, func() { _ = c.Process.Kill() })
	defer over.Stop()
	out, err := c.CombinedOutput()
	var exit *exec.ExitError
	if who := fmt.Sprintf("(process %d,", p.daemon.cmd.Process.Pid); !errors.As(err, &exit) || exit.ExitCode() != 1 || !strings.Contains(string(out), who) {
		return fmt.Errorf("a second daemon: %v, want exit 1 and %q in %s", err, who, out)
	}
	return nil
}

// frozen is a daemon that hangs until its watchdog ends it.
func frozen(p *place, r *rand.Rand) error {
	if err := p.signal(syscall.SIGSTOP); err != nil {
		return err
	}
	pass(watchdog)
	return killed(p, r)
}

// classes are all the faults. Where the drive's own stop is the bound, what else stops may well be quicker.
var classes = []class{
	{name: "stop pressed", on: "SN", begun: stopTime, why: "press to line 25, an answer awaited 100, effect 20, seen 20",
		do: hand("stop press"), heal: hand("stop release")},
	{name: "stop pressed for a moment", on: "SN", begun: stopTime, why: "the same: an edge is enough", do: hand("stop blip")},
	{name: "stop wire broken", on: "SN", begun: stopTime + 15*time.Millisecond, why: "the same, and a look at the level every 15",
		do: hand("line broken stop"), heal: hand("line whole stop")},
	{name: "cover sensor lost", on: "SN", begun: contact + tick + stopTime, why: "contact 30, a tick 50, then as a stop",
		do: hand("line broken cover"), heal: hand("line whole cover")},
	{name: "water level sensor lost", on: "SN", soft: lowWater + contact + 2*tick + softTime, why: "patience 2 s, then softly",
		do: hand("line broken level"), heal: hand("line whole level")},
	{name: "occupancy sensor lost", on: "N", soft: nobody + contact + 2*tick + softTime, why: "patience 60 s, then softly", swims: true,
		do: hand("line broken occupancy"), heal: hand("line whole occupancy")},
	{name: "drive trips", on: "SN", begun: look, why: "the drive itself; seen 20",
		do: func(p *place, _ *rand.Rand) error { p.motor.look("trip"); return nil }},
	{name: "link cut", on: "SN", begun: linkLoss + effect + look, why: "the drive's link-loss time 500, effect 20, seen 20",
		do: func(p *place, r *rand.Rand) error { p.link.cut(true, r); return nil }, heal: healLink},
	{name: "link garbled", on: "SN", begun: old + tick + stopTime, why: "feedback too old 300, a tick 50, then as a stop; or link-loss time",
		do:   func(p *place, _ *rand.Rand) error { p.link.garble(true); return nil },
		heal: func(p *place, _ *rand.Rand) error { p.link.garble(false); return nil }},
	{name: "answers late", on: "SN", begun: old + tick + late + stopTime, why: "feedback too old 300, a tick 50, late 150, then as a stop",
		do:   func(p *place, _ *rand.Rand) error { p.link.late(true); return nil },
		heal: func(p *place, _ *rand.Rand) error { p.link.late(false); return nil }},
	{name: "adapter or broker gone", on: "SN", begun: linkLoss + effect + look, why: "link-loss time 500, effect 20, seen 20", do: vanish(true), heal: vanish(false)},
	{name: "link wedged", on: "SN", begun: linkLoss + effect + look, why: "link-loss time 500, effect 20, seen 20", do: wedge(true), heal: wedge(false)},
	{name: "link wedged, stop pressed", on: "SN", begun: linkLoss + effect + look, why: "nothing gets through: link-loss time 500, effect 20, seen 20",
		do: hands(wedge(true), hand("stop press")), heal: hands(wedge(false), hand("stop release"))},
	{name: "frozen", on: "SN", begun: linkLoss + effect + look, why: "link-loss time 500, effect 20, seen 20",
		do: signal(syscall.SIGSTOP), heal: signal(syscall.SIGCONT)},
	{name: "frozen, ended by its watchdog", on: "L", begun: watchdog + launch + stopTime, why: "watchdog 2 s, stop-drive starts 400, then as a stop", ends: true, do: frozen},
	{name: "killed", on: "L", begun: launch + stopTime, why: "stop-drive starts 400, then as a stop", ends: true, do: killed},
	{name: "killed", on: "SN", begun: linkLoss + effect + look, why: "stop-drive, the will or link loss: 500, effect 20, seen 20", ends: true, do: killed},
	{name: "killed, configuration broken", on: "L", begun: launch + stopTime, why: "the record names the drive: as killed", ends: true, do: hands(broken, killed), heal: mended},
	{name: "killed, configuration broken", on: "SN", begun: linkLoss + effect + look, why: "the record names the drive: as killed", ends: true, do: hands(broken, killed), heal: mended},
	{name: "disk full, killed", on: "L", begun: launch + stopTime, why: "the record is there already: as killed", small: true, ends: true, do: hands(fill, killed), heal: empty},
	{name: "disk full, stop pressed", on: "SN", begun: stopTime, why: "a full disk stops nothing, and delays no stop", small: true,
		do: hands(fill, hand("stop press")), heal: hands(empty, hand("stop release"))},
	{name: "disk full", on: "SN", why: "what cannot be kept stops nothing", small: true, swims: true, goesOn: true,
		do: hands(fill, func(*place, *rand.Rand) error { pass(fullTime); return nil }), heal: empty},
	{name: "a second daemon", on: "SN", why: "it is refused, and nothing stops", swims: true, goesOn: true, do: second},
}

// at reports whether a class can be at a kind of place.
func (c *class) at(kind string) bool {
	letter := map[string]string{velocity: "S", plain: "S", slow: "L", node: "N"}[kind]
	return strings.Contains(c.on, letter)
}

// of are the classes of a kind of place, in the order of the table.
func of(kind string, small bool) (of []*class) {
	for i := range classes {
		if c := &classes[i]; c.at(kind) && (small || !c.small) {
			of = append(of, c)
		}
	}
	return of
}
