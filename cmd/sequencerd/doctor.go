package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/doctor"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/panel"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/wall"
)

// doctorCommand looks at the whole installation. It moves nothing and opens no drive, and works beside a daemon that runs.
type doctorCommand struct {
	JSON bool `name:"json" help:"As JSON, for other programs."`
}

func (k *doctorCommand) Run(c console, line *commandLine) error {
	found := doctor.Run(checks(line))
	var err error
	if k.JSON {
		e := json.NewEncoder(c.out)
		e.SetIndent("", "  ")
		err = e.Encode(found)
	} else {
		err = doctor.Write(c.out, found)
	}
	if err == nil && doctor.Worst(found) == doctor.Fault {
		err = refused{exitRefused, errors.New("")} // all is said
	}
	return err
}

// serviceRun is where the service keeps the locks of its drives; serviceState, what it keeps for ever.
const (
	serviceRun   = "/run/sequencerd"
	serviceState = "/var/lib/sequencerd"
)

// checks are all that is looked at. Without a configuration that can be read only the computer is.
func checks(line *commandLine) []doctor.Check {
	all := []doctor.Check{doctor.Computer(), doctor.Clock(), doctor.Service("sequencerd.service")}
	file, text, err := settings.Find(line.Config)
	var s *settings.Settings
	if err == nil {
		s, err = settings.Parse(file, text, config.Default())
	}
	all = append(all, doctor.Check{Name: "configuration", Look: func() []doctor.Finding { return configurationFindings(file, text, s, err) }})
	if err != nil {
		return all
	}
	asTheServiceDoes()
	dir, err := storeFolder(s)
	if err != nil {
		dir = ""
	}
	has := doctor.Drive("")
	if s.Drive.Backend != "simulated" {
		if r, err := resolve(s); err == nil {
			has = doctor.Drive(r.link())
		} else { // the configuration's finding says why
			has = doctor.Check{Name: "drive", Look: func() []doctor.Finding {
				return []doctor.Finding{{Verdict: doctor.Fault, Saw: "Nothing can be said of the drive while the configuration has that mistake.", Do: "Correct the configuration first."}}
			}}
		}
	}
	all = append(all, has, doctor.Devices(devices(s)))
	if pins := configuredPins(s); len(pins) > 0 {
		all = append(all, doctor.Pins(pins))
	}
	if s.Drive.Backend == "mqtt" {
		all = append(all, doctor.Broker("The drive", s.Drive.MQTT.URL))
	}
	if b := s.Home.Homie.Broker; b != "" {
		all = append(all, doctor.Broker("Home automation", b))
	}
	all = append(all, doctor.Panel(s.Listen, s.Certificate != "", panel.HasCode(dir)))
	if dir != "" {
		all = append(all, doctor.Disk(dir))
	}
	return append(all, doctor.Check{Name: "commissioning", Look: func() []doctor.Finding { return commissioning(s, dir) }},
		doctor.Check{Name: "calibration", Look: func() []doctor.Finding { return calibration(s, time.Now()) }})
}

// calibration says whether it is of a known day, and not too old.
func calibration(s *settings.Settings, now time.Time) []doctor.Finding {
	found := doctor.Finding{Verdict: doctor.Good, Saw: calibrated(s)}
	switch old := outdated(s, now); {
	case old != "":
		found.Verdict, found.Do = doctor.Caution, fault.Of(old).Do
	case s.Calibration.On.IsZero() && s.Drive.Backend != "simulated":
		found.Verdict, found.Do = doctor.Caution, "Give its day as calibrated_on under [water], or measure it: sequencerd commission water."
	}
	return []doctor.Finding{found}
}

// asTheServiceDoes looks at the service's own folders where somebody at a terminal asks: theirs are empty.
func asTheServiceDoes() {
	for variable, dir := range map[string]string{"RUNTIME_DIRECTORY": serviceRun, "STATE_DIRECTORY": serviceState} {
		if _, err := os.ReadDir(dir); err == nil && os.Getenv(variable) == "" {
			os.Setenv(variable, dir)
		}
	}
}

func configurationFindings(file string, text []byte, s *settings.Settings, err error) (out []doctor.Finding) {
	if err == nil {
		if err = checkFiles(s, text); err == nil && file == "" {
			return []doctor.Finding{{Verdict: doctor.Caution, Saw: "There is no configuration file: the defaults are in force, a simulated flume.", Do: "Begin one: sequencerd config default."}}
		} else if err == nil {
			return []doctor.Finding{{Verdict: doctor.Good, Saw: fmt.Sprintf("%s is well: %s, drive %s.", file, s.Flume.Name, s.Drive.Backend)}}
		}
	}
	var ps fault.Problems
	switch {
	case errors.As(err, &ps):
	case errors.Is(err, os.ErrPermission):
		return []doctor.Finding{{Verdict: doctor.Fault, Saw: sentence(err), Do: "Run the doctor as root: sudo sequencerd doctor."}}
	default:
		return []doctor.Finding{{Verdict: doctor.Fault, Saw: sentence(err), Do: "Give a file that can be read with --config."}}
	}
	for _, p := range ps {
		out = append(out, doctor.Finding{Verdict: doctor.Fault, Saw: p.Error() + ".", Do: "Correct that line."})
	}
	return out
}

// sentence is an error as a person reads it.
func sentence(err error) string {
	text := err.Error()
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

func devices(s *settings.Settings) (all []doctor.Device) {
	if s.Drive.Backend == "serial" {
		all = append(all, doctor.Device{What: "The drive's serial line", Path: s.Drive.Serial.Port, Group: "dialout"})
	}
	if s.Wall.Present() && !s.Wall.Simulated {
		chips, _ := filepath.Glob("/dev/gpiochip*")
		for _, c := range chips {
			all = append(all, doctor.Device{What: "Pins", Path: c, Group: "gpio"})
		}
	}
	if d := s.Watchdog.Device; d != "" {
		all = append(all, doctor.Device{What: "The hardware watchdog", Path: d, Group: "sequencerd"})
	}
	return all
}

func configuredPins(s *settings.Settings) (pins []doctor.Pin) {
	if s.Wall.Simulated {
		return nil
	}
	for _, p := range wall.Pins() {
		if text, ok := s.Wall.Pins[p]; ok {
			pins = append(pins, doctor.Pin{Key: p.Key(), Text: text})
		}
	}
	return pins
}

// commissioning says whether the installer's course was passed for what is wired and set now.
func commissioning(s *settings.Settings, dir string) []doctor.Finding {
	if s.Drive.Backend == "simulated" {
		return []doctor.Finding{{Verdict: doctor.Good, Saw: "A simulated drive needs no commissioning."}}
	}
	r, err := commission.Load(dir)
	if err != nil {
		return []doctor.Finding{{Verdict: doctor.Fault, Saw: fmt.Sprintf("The record of commissioning cannot be read: %v.", err), Do: "Run the doctor as root, or go through the course again."}}
	}
	st := r.Stands(s, time.Now())
	if !st.Passed {
		return []doctor.Finding{{Verdict: doctor.Fault, Saw: "The safety part of commissioning does not stand: " + strings.TrimRight(st.Why, ".") + ".",
			Do: "Go through the installer's course before anybody swims: sequencerd commission."}}
	}
	return []doctor.Finding{{Verdict: doctor.Good, Saw: fmt.Sprintf("The safety part was passed; its oldest measurement is of %s.", st.Since.Format("2 January 2006"))}}
}
