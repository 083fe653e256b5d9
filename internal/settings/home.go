package settings

import (
	"regexp"

	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/tomlplace"
)

// Home is the daemon on the local network.
type Home struct {
	MDNS  bool   // answers to a name, where the panel listens to more than this computer
	Name  string // of the host; empty for one that is made of the flume's
	Homie Homie
}

// Homie is where status is told to home automation.
type Homie struct {
	Broker       string // mqtt://HOST or mqtts://HOST; empty for none
	Device       string // id of ours there; empty for the host's name
	User         string
	PasswordFile string // its first line is the password; empty for none
	CAFile       string // PEM; empty for the computer's own authorities
	Names        bool   // the swimmer's name is told too
}

var hostLabel = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,48}[a-z0-9])?$`)

func (s *Settings) home(t *tomlplace.Table) {
	h := &s.Home
	if on, ok := t.Bool("mdns"); ok {
		h.MDNS = on
	}
	label(t, "name", &h.Name)
	homie := t.Table("homie")
	if text, ok := homie.String("broker"); ok && text == "" {
		h.Homie.Broker = ""
	} else {
		checked(homie, "broker", mqtt.CheckURL, &h.Homie.Broker)
	}
	label(homie, "device", &h.Homie.Device)
	oneLine(homie, "user", &h.Homie.User)
	oneLine(homie, "password_file", &h.Homie.PasswordFile)
	oneLine(homie, "ca_file", &h.Homie.CAFile)
	if names, ok := homie.Bool("names"); ok {
		h.Homie.Names = names
	}
	if h.Homie.PasswordFile != "" && h.Homie.User == "" {
		homie.Problem("password_file", "password_file without user: allowed are both, or neither")
	}
	homie.Rest()
	t.Rest()
}

// label reads a word that may stand in a host's name and in a topic; empty for none.
func label(t *tomlplace.Table, key string, into *string) {
	text, ok := t.String(key)
	switch {
	case !ok:
	case text != "" && !hostLabel.MatchString(text):
		wrong(t, key, `allowed are up to 50 small letters, digits and "-", neither first nor last a "-", or "" for none`)
	default:
		*into = text
	}
}
