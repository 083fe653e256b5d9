package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"flume.example/sequencerd/config"
)

func TestConfigCheckTellsAllAtOnce(t *testing.T) {
	for name, c := range map[string]struct {
		text  string
		wants []string
	}{
		"values and keys":     {"[drive]\nmin_rpm = -1\nmaximum = 3\n[ramp]\njerk_mps3 = \"much\"\n", []string{":2:1: min_rpm = -1", ":3:1: unknown key \"maximum\"", ":5:1: jerk_mps3"}},
		"files that are away": {"[drive]\nbackend = \"mqtt\"\n[drive.mqtt]\nuser = \"u\"\npassword_file = \"/nowhere/a\"\n[panel]\ncertificate = \"/nowhere/b\"\nkey = \"/nowhere/c\"\n", []string{":5:1: password_file", ":7:1: certificate", ":8:1: key"}},
		"a map that is not":   {"[drive]\nbackend = \"serial\"\n[drive.serial]\nport = \"/dev/ttyS0\"\nmap = \"none-such\"\n", []string{":5:1: no map of a drive is called \"none-such\""}},
	} {
		t.Run(name, func(t *testing.T) {
			path := file(t, "flume.toml", c.text)
			for _, args := range [][]string{{"config", "check", path}, {"config", "check", "--config", path}} {
				code, out, errs := typed(t, args...)
				if code != exitRefused || out != "" {
					t.Errorf("%v: exit %d, %s", args, code, out)
				}
				for _, want := range c.wants {
					if !strings.Contains(errs, path+want) {
						t.Errorf("%v does not say %q:\n%s", args, want, errs)
					}
				}
			}
		})
	}
}

func TestConfigCheckOfAGoodOne(t *testing.T) {
	path := file(t, "flume.toml", "[flume]\nname = \"Harrow Weir\"\n")
	if code, out, errs := typed(t, "config", "check", path); code != exitOK || !strings.Contains(out, "Harrow Weir") || errs != "" {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
}

// The three are one round: the default, shown, checked, is what it was.
func TestConfigDefaultShowCheck(t *testing.T) {
	code, out, _ := typed(t, "config", "default")
	if code != exitOK || out != string(config.Default()) {
		t.Errorf("config default: exit %d, and not the default configuration", code)
	}
	path := file(t, "flume.toml", out)
	code, shown, errs := typed(t, "--config", path, "config", "show")
	if code != exitOK || !strings.Contains(shown, "  # "+path+":") || strings.Contains(shown, "  # default") {
		t.Errorf("config show of a file that gives everything: exit %d %s\n%s", code, errs, shown)
	}
	again := filepath.Join(t.TempDir(), "again.toml")
	if err := os.WriteFile(again, []byte(shown), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := typed(t, "config", "check", again); code != exitOK {
		t.Errorf("what is shown is not well: %s", errs)
	}
}
