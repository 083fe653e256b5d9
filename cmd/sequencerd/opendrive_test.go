package main

import (
	"path/filepath"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/settings"
)

// What is recorded for stop-drive means the same files wherever that is started: the supervisor starts it in another folder.
func TestRelativePathsAreRecordedWhole(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	resolved := func(text string) *resolvedDrive {
		t.Helper()
		s, err := settings.Parse("it.toml", []byte(text), config.Default())
		if err != nil {
			t.Fatal(err)
		}
		r, err := resolve(s)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	m := resolved(`[drive]
backend = "mqtt"
[drive.mqtt]
broker = "mqtts://127.0.0.1"
user = "flume"
password_file = "keys/password"
ca_file = "/etc/ca.pem"
certificate_file = "./cert.pem"
key_file = "../key.pem"
`).MQTT
	for _, c := range []struct{ got, want string }{
		{m.PasswordFile, filepath.Join(dir, "keys/password")},
		{m.CAFile, "/etc/ca.pem"},
		{m.CertFile, filepath.Join(dir, "cert.pem")},
		{m.KeyFile, filepath.Join(filepath.Dir(dir), "key.pem")},
	} {
		if c.got != c.want {
			t.Errorf("recorded is %s, want %s", c.got, c.want)
		}
	}
	m = resolved("[drive]\nbackend = \"mqtt\"\n").MQTT
	if m.PasswordFile != "" || m.CAFile != "" || m.CertFile != "" || m.KeyFile != "" {
		t.Errorf("files that nobody named: %+v", m)
	}
}

// The drive that is opened is that of the configuration whose record was looked up, whatever stands on the disk by then.
func TestWhatIsLaidOutAtTheStartReadsNoOtherConfiguration(t *testing.T) {
	s, err := settings.Parse("flume.toml", []byte("[flume]\nname = \"Otterford Mill\"\n"), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	changed := file(t, "flume.toml", "[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/none\"\nmap = \"oxbow-f\"\n")
	v := serveCommand{LayOut: file(t, "steady.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"0:20\"\npace = \"1:40\"\n")}
	l, err := v.first(&commandLine{Config: changed}, s, nil, false)
	if err != nil || l.settings != s || l.plan.Planner == nil {
		t.Errorf("it is laid out for %+v, %v", l, err)
	}
}
