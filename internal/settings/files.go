package settings

import (
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/tomlplace"
)

// Named is a file that a configuration names, and where.
type Named struct{ Table, Key, Path string }

// Files are the files that are read at the start, of what is in use; none of them is looked at here.
func (s *Settings) Files() []Named {
	var all []Named
	add := func(table, key, path string) {
		if path != "" {
			all = append(all, Named{table, key, path})
		}
	}
	if m := s.Drive.MQTT; s.Drive.Backend == "mqtt" {
		add("drive.mqtt", "password_file", m.PasswordFile)
		add("drive.mqtt", "ca_file", m.CAFile)
		add("drive.mqtt", "certificate_file", m.CertFile)
		add("drive.mqtt", "key_file", m.KeyFile)
	}
	if h := s.Home.Homie; h.Broker != "" {
		add("home.homie", "password_file", h.PasswordFile)
		add("home.homie", "ca_file", h.CAFile)
	}
	add("panel", "certificate", s.Certificate)
	add("panel", "key", s.Key)
	return all
}

// Problem is something wrong about a key that was only seen in the world, at the key's place in the text: the table is named with dots, as in "drive.mqtt".
func Problem(file string, text []byte, table, key, what string) fault.Problem {
	p := fault.Problem{File: file, Text: what}
	if root, err := tomlplace.Parse(file, text); err == nil {
		p.Line, p.Col = place{table, key}.in(root).Place(key)
	}
	return p
}
