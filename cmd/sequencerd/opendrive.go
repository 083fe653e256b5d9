package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/drive/serial"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/settings"
)

// openDrive opens the drive that the configuration names. A real one is ours alone until it is closed; the error of one that is not is a *drive.Held.
func (l *loaded) openDrive() (*drive.Drive, error) {
	s := l.settings
	if s.Drive.Backend == "simulated" {
		b, err := simulated.New(s.Drive.Simulated)
		if err != nil {
			return nil, err
		}
		l.simulated = b
		return drive.New(b, drive.Config{Model: s.Model, Sensor: s.Calibration.Sensor}), nil
	}
	resolved, err := resolve(s)
	if err != nil {
		return nil, err
	}
	// The lock comes first: a second client of one name would throw the first out of its broker.
	lock, err := drive.Acquire(resolved.link(), "sequencerd "+strings.Join(os.Args[1:], " "), resolved.String())
	if err != nil {
		return nil, err
	}
	b, err := resolved.open()
	if err != nil {
		return nil, errors.Join(err, lock.Forget(), lock.Release())
	}
	return drive.New(&owned{Backend: b, lock: lock}, drive.Config{Model: s.Model, Sensor: s.Calibration.Sensor}), nil
}

// resolve is the real drive that the configuration describes, checked as far as that can be done without reaching it.
func resolve(s *settings.Settings) (*resolvedDrive, error) {
	if s.Drive.Backend == "mqtt" {
		r := &resolvedDrive{Backend: "mqtt", MQTT: s.Drive.MQTT}
		b := &r.MQTT.Broker
		return r, absolute(&b.PasswordFile, &b.CAFile, &b.CertFile, &b.KeyFile)
	}
	text, err := readMap(s.Drive.SerialMap)
	if err != nil {
		return nil, err
	}
	r := &resolvedDrive{Backend: "serial", Serial: s.Drive.Serial, Map: string(text), MapName: s.Drive.SerialMap}
	_, err = r.serial()
	return r, err
}

// absolute makes paths that are there mean the same file wherever stop-drive is started.
func absolute(paths ...*string) error {
	for _, p := range paths {
		if *p == "" {
			continue
		}
		full, err := filepath.Abs(*p)
		if err != nil {
			return fmt.Errorf("cannot tell where %s is: %w", *p, err)
		}
		*p = full
	}
	return nil
}

// readMap finds a map by the name of one that comes with the program, else by its path.
func readMap(name string) ([]byte, error) {
	if !strings.ContainsRune(name, '/') && path.Ext(name) == "" {
		text, err := fs.ReadFile(config.Drives, name+".toml")
		if err == nil {
			return text, nil
		}
		known, _ := fs.Glob(config.Drives, "*.toml")
		return nil, fmt.Errorf("no map of a drive is called %q: known are %s; a file of your own is named by its path", name,
			strings.ReplaceAll(strings.Join(known, ", "), ".toml", ""))
	}
	return readFile(name)
}

// resolvedDrive is all that it takes to reach a drive, as it is recorded beside its lock for stop-drive: the map's text too, since its file may have
// changed by then.
type resolvedDrive struct {
	Backend string        `json:"backend"` // serial or mqtt
	Serial  serial.Config `json:"serial,omitzero"`
	Map     string        `json:"map,omitzero"`
	MapName string        `json:"map_name,omitzero"`
	MQTT    mqtt.Config   `json:"mqtt,omitzero"` // names the file of a password, and has none
}

func (r *resolvedDrive) link() string {
	if r.Backend == "mqtt" {
		return r.MQTT.Link()
	}
	return r.Serial.Port
}

func (r *resolvedDrive) String() string {
	text, err := json.Marshal(r)
	if err != nil {
		panic(err) // plain values: found by the first test
	}
	return string(text)
}

// open reaches for a node; a serial line is not opened yet.
func (r *resolvedDrive) open() (drive.Backend, error) {
	if r.Backend == "mqtt" {
		return mqtt.Open(r.MQTT)
	}
	return r.serial()
}

func (r *resolvedDrive) serial() (*serial.Backend, error) {
	m, err := serial.ParseMap(r.MapName, []byte(r.Map))
	if err != nil {
		return nil, err
	}
	c := r.Serial
	c.Map = m
	return serial.New(c)
}

// owned is a real drive that is locked for as long as it is open. Its record goes with a motor that was seen at rest, as there is nothing left to stop.
type owned struct {
	drive.Backend
	lock   *drive.Lock
	atRest bool
	last   time.Duration // elapsed time of the last read
}

// Until a motor that stands is seen switched off too, Close looks so often, so far apart.
const (
	lastLooks = 20
	lookEvery = 20 * time.Millisecond
)

func (o *owned) Set(r drive.Round, order drive.Order) error {
	o.atRest = false
	return o.Backend.Set(r, order)
}

func (o *owned) Read(r drive.Round) (drive.Feedback, error) {
	f, err := o.Backend.Read(r)
	o.atRest, o.last = err == nil && rests(f), r.Elapsed
	return f, err
}

// LetGo leaves the wire to somebody else for a while, who works under this lock.
func (o *owned) LetGo() {
	o.atRest = false // who knows
	if b, ok := o.Backend.(interface{ LetGo() }); ok {
		b.LetGo()
	}
}

func (o *owned) Close() error {
	var err error
	for looks := 0; !o.atRest && err == nil && looks < lastLooks; looks++ { // the drive has stopped it just now
		<-time.After(lookEvery)
		o.last += lookEvery
		_, err = o.Read(drive.Round{Elapsed: o.last, Until: o.last + drive.DefaultTimeout})
	}
	err = o.Backend.Close()
	if o.atRest && err == nil {
		err = o.lock.Forget()
	}
	return errors.Join(err, o.lock.Release())
}

// rests is the same as in the drive: switched off, and slower than an encoder's noise.
func rests(f drive.Feedback) bool { return !f.Enabled && math.Abs(f.Motor.RPM()) < 1 }
