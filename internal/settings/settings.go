// Package settings turns a configuration file into checked values, telling all faults at once, each at its line and column.
//
// There is one source of the defaults: the commented configuration file that the program embeds. Its text is read first and the user's file on
// top of it, by the same code; a key that the user's file leaves out keeps its default, a list that it gives takes the place of the whole default list.
package settings

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"flume.example/sequencerd/internal/alive"
	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
	"flume.example/sequencerd/internal/water"
)

// Settings are the checked values of a configuration. They fit each other: the motor reaches the flume's top speed.
type Settings struct {
	File        string // the file that they come from; empty where the defaults stand alone
	Flume       Flume
	Limits      ramp.Limits // comfort
	Drive       Drive
	Model       *water.Model // from the calibration, the flume's inertia and the drive's motor
	Calibration Calibration
	Safety      Safety
	Swimmer     string // who swims where nobody is named; empty for nobody
	People      []Person
	Wall        wall.Config
	Watchdog    alive.Config
	Listen      string // address and port of the panel
	// StartFrom says from where the panel may start water: "loopback", the flume's own computer; "paired", every device that has given the code; "nowhere".
	StartFrom   string
	Certificate string // PEM files, for the panel over HTTPS; both or neither
	Key         string
	Home        Home
	Store       string // folder of the store; empty for none

	points []water.Point
}

// Flume is the place.
type Flume struct {
	Name     string
	TopSpeed units.Speed
	Inertia  units.Distance // the inertia length
}

// Drive is the motor and the link to it.
type Drive struct {
	Backend   string // one of backends
	Motor     water.Motor
	Simulated simulated.Config
	Serial    serial.Config // but for the map
	SerialMap string        // a map that comes with the program, or the path of a file
	MQTT      mqtt.Config
}

// Safety has the owner's limits. None of them makes the program a safety device.
type Safety struct {
	IdleShutoff time.Duration // without a sign of a person
	LongestSwim time.Duration
	// CommissionAgain is how long the installer's safety part counts on a real drive.
	CommissionAgain time.Duration
	Cap             units.Speed // zero for none but the flume's
}

// Person is a swimmer whom the configuration knows. The zero Person is somebody of whom nothing is known.
type Person struct {
	Name      string
	Threshold units.Pace  // zero where not known
	Cap       units.Speed // zero for none of their own
}

// Ceiling is the lowest cap for this person: of the flume, the owner and their own.
func (s *Settings) Ceiling(p Person) units.Speed {
	lowest := s.Flume.TopSpeed
	for _, c := range []units.Speed{s.Safety.Cap, p.Cap} {
		if c != (units.Speed{}) && c.MetresPerSecond() < lowest.MetresPerSecond() {
			lowest = c
		}
	}
	return lowest
}

// Person finds a swimmer by name, in capitals or not. An empty name is the default swimmer, or the zero Person where there is none.
// The error names those who are known.
func (s *Settings) Person(name string) (Person, error) {
	if name == "" {
		name = s.Swimmer
	}
	if name == "" {
		return Person{}, nil
	}
	for _, p := range s.People {
		if strings.EqualFold(p.Name, name) {
			return p, nil
		}
	}
	return Person{}, fmt.Errorf("swimmer %q: %s", name, known(s.People))
}

func known(people []Person) string {
	if len(people) == 0 {
		return "nobody is known by name; [[swimmer.person]] in the configuration makes somebody known"
	}
	names := make([]string, len(people))
	for i, p := range people {
		names[i] = fmt.Sprintf("%q", p.Name)
	}
	return "known are " + strings.Join(names, ", ")
}

// Variable names the configuration where --config does not.
const Variable = "SEQUENCERD_CONFIG"

// builtIn is the name of the defaults where they have a fault.
const builtIn = "the built-in configuration"

// systemFile is read where neither names one, if it exists.
const systemFile = "/etc/sequencerd/sequencerd.toml"

// Load reads the configuration file at path over the defaults, a text like config.Default. Where path is empty, it is the file that $SEQUENCERD_CONFIG
// names, else /etc/sequencerd/sequencerd.toml where it exists, else the defaults stand alone. A file that is named must be there.
// What is wrong in the file comes back as fault.Problems, all of it.
func Load(path string, defaults []byte) (*Settings, error) {
	return load(path, os.Getenv(Variable), systemFile, defaults)
}

func load(path, variable, system string, defaults []byte) (*Settings, error) {
	file, text, err := find(path, variable, system)
	if err != nil {
		return nil, err
	}
	return Parse(file, text, defaults)
}

// Find is the file that Load would read, and its text; an empty name where the defaults stand alone.
func Find(path string) (file string, text []byte, err error) {
	return find(path, os.Getenv(Variable), systemFile)
}

func find(path, variable, system string) (file string, text []byte, err error) {
	switch {
	case path != "":
		return read(path, "")
	case variable != "":
		return read(variable, ", which $"+Variable+" names,")
	}
	file, text, err = read(system, "")
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil, nil
	}
	return file, text, err
}

// read reads one file; why says where its name is from.
func read(path, why string) (string, []byte, error) {
	cannot := func(err error) (string, []byte, error) {
		var p *fs.PathError
		if errors.As(err, &p) {
			err = p.Err // without the path, which is said already
		}
		return path, nil, fmt.Errorf("the configuration %s%s cannot be read: %w", path, why, err)
	}
	f, err := os.Open(path)
	if err != nil {
		return cannot(err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, tomlplace.MaxBytes+1)) // one more, so that too much is seen as such
	if err != nil {
		return cannot(err)
	}
	return path, text, nil
}

// Parse reads a configuration's text over the defaults. The file's name is for Settings.File and the problems; without a text the defaults stand alone.
func Parse(file string, text, defaults []byte) (*Settings, error) {
	s := new(Settings)
	if _, err := s.overlay(builtIn, defaults); err != nil {
		return nil, err
	}
	if _, err := s.overlay(file, text); err != nil {
		return nil, err
	}
	s.File = file
	return s, nil
}
