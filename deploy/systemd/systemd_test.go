// Package systemd is no code: the unit, the udev rules and the user that a system needs to run the sequencer, and tests that they are
// what they should be.
package systemd

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const unitFile = "sequencerd.service"

func TestUnitSaysWhatTheDesignDemands(t *testing.T) {
	has := directives(read(t, unitFile))
	for _, want := range []struct{ key, value, why string }{
		{"Type", "notify", "ready is said, not assumed"},
		{"NotifyAccess", "main", "only the program itself feeds the watchdog"},
		{"Restart", "always", "a dead daemon leaves the panel dark"},
		{"StartLimitIntervalSec", "0", "it never gives up"},
		{"WatchdogSec", "2s", "a hung program is killed"},
		{"ExecStart", "/usr/bin/sequencerd serve", "the daemon"},
		{"ExecStopPost", "/usr/bin/sequencerd stop-drive", "no current outlives the program that commands it"},
		{"ExecReload", `/bin/sh -c "kill -HUP $MAINPID"`, "a reload reads the configuration again, with no program but the shell"},
		{"ExecReload", "/usr/bin/sequencerd config check", "whoever asks for a reload is told of mistakes"},
		{"TimeoutStopSec", "75s", "longer than the water is let down, mostLetDown in cmd/sequencerd, and than stop-drive waits for a motor"},
		{"RuntimeDirectory", "sequencerd", "the drive's lock and record are there, for stop-drive too"},
		{"CPUSchedulingPolicy", "rr", "the tick goes before ordinary load"},
		{"DevicePolicy", "closed", "only the devices listed"},
		{"DeviceAllow", "char-ttyS rw", "serial lines on board"},
		{"DeviceAllow", "char-ttyAMA rw", "serial lines on board, of Arm systems"},
		{"DeviceAllow", "char-ttyUSB rw", "serial lines on USB"},
		{"DeviceAllow", "char-ttyACM rw", "serial lines on USB"},
		{"DeviceAllow", "char-gpiochip rw", "pins"},
		{"DeviceAllow", "/dev/watchdog rw", "the hardware watchdog"},
		{"RestrictAddressFamilies", "AF_UNIX AF_INET AF_INET6 AF_NETLINK", "panel, broker, names"},
	} {
		if !slices.Contains(has[want.key], want.value) {
			t.Errorf("%s: %s=%s is missing, it has %q: %s", unitFile, want.key, want.value, has[want.key], want.why)
		}
	}
	for _, not := range []string{"PrivateNetwork", "PrivateDevices", "IPAddressDeny"} {
		if v := has[not]; v != nil {
			t.Errorf("%s: %s=%q would cut the program off from what it needs", unitFile, not, v)
		}
	}
}

func TestSystemdUnderstandsTheUnit(t *testing.T) {
	analyze, ok := tool(t, "systemd-analyze")
	if !ok {
		return
	}
	verify := func(text string) (string, error) { // other units of this system are none of our business
		out, err := exec.Command(analyze, "verify", "--man=no", "--recursive-errors=no", place(t, text)).CombinedOutput()
		return strings.Join(regexp.MustCompile(`(?m)^.*sequencerd.*$`).FindAllString(string(out), -1), "\n"), err
	}
	text := read(t, unitFile)
	if out, err := verify(text); err != nil || out != "" {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
	// The tool is seen to find a fault; else the line above would prove nothing.
	if out, err := verify(strings.Replace(text, "WatchdogSec=", "WatchDogSecs=", 1)); err == nil && !strings.Contains(out, "WatchDogSecs") {
		t.Errorf("systemd-analyze verify did not mind an unknown key: %s", out)
	}
}

func TestUnitIsShutIn(t *testing.T) {
	analyze, ok := tool(t, "systemd-analyze")
	if !ok {
		return
	}
	// The exposure, from 0 to 10, times ten; above the threshold the tool's status is not 0.
	security := func(text string) (string, error) {
		out, err := exec.Command(analyze, "security", "--offline=true", "--no-pager", "--threshold=20", place(t, text)).CombinedOutput()
		return string(out), err
	}
	text := read(t, unitFile)
	if out, err := security(text); err != nil {
		t.Errorf("exposure above 2.0: %v\n%s", err, out)
	}
	open := regexp.MustCompile(`(?m)^(SystemCall|Protect|Capability).*\n`).ReplaceAllString(text, "")
	if out, err := security(open); err == nil {
		t.Errorf("the tool did not mind a unit without protection:\n%s", out)
	}
}

func TestUserAndGroupsAreMade(t *testing.T) {
	sysusers, ok := tool(t, "systemd-sysusers")
	if !ok {
		return
	}
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	here, err := filepath.Abs("sequencerd.sysusers")
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(sysusers, "--root="+root, here).CombinedOutput(); err != nil {
		t.Fatalf("systemd-sysusers: %v\n%s", err, out)
	}
	groups := read(t, filepath.Join(root, "etc", "group"))
	for _, g := range []string{"gpio", "dialout"} {
		if !regexp.MustCompile(`(?m)^` + g + `:x:\d+:sequencerd$`).MatchString(groups) {
			t.Errorf("user sequencerd is not in group %s:\n%s", g, groups)
		}
	}
	if users := read(t, filepath.Join(root, "etc", "passwd")); !strings.Contains(users, "/nologin") {
		t.Errorf("somebody could log in as the service:\n%s", users)
	}
}

// Not every udevadm can verify rules, so their form is looked at here: udev(7), comma-separated KEY{ATTRIBUTE} OPERATOR "VALUE".
func TestUdevRulesAreWellFormed(t *testing.T) {
	part := regexp.MustCompile(`^(ACTION|KERNEL|SUBSYSTEM|DRIVER|GROUP|MODE|ENV\{\w+\}|ATTR\{\w+\})(==|!=|\+=|=)"[^"]*"$`)
	rules, given := 0, map[string]bool{}
	for i, line := range strings.Split(read(t, "60-sequencerd.rules"), "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		rules++
		assigns := false
		for p := range strings.SplitSeq(line, ", ") {
			m := part.FindStringSubmatch(p)
			if m == nil {
				t.Errorf("60-sequencerd.rules:%d: %s is no part of a rule", i+1, p)
				continue
			}
			assigns = assigns || m[2] == "=" || m[2] == "+="
			given[p] = true
		}
		if !assigns {
			t.Errorf("60-sequencerd.rules:%d: the rule does nothing", i+1)
		}
	}
	if rules == 0 || !given[`KERNEL=="gpiochip*"`] || !given[`KERNEL=="watchdog*"`] {
		t.Errorf("pins and watchdog have no rule (%d rules)", rules)
	}
}

// tool finds a program of the system. On the build machine it must be there; elsewhere the test says that it could not look.
func tool(t *testing.T, name string) (string, bool) {
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
		return path, true
	case os.Getenv("CI") == "true":
		t.Errorf("%s is not here: %v", name, err)
	default:
		t.Logf("NOT CHECKED: %s is not here", name)
	}
	return "", false
}

// place puts a unit where systemd-analyze reads it, with a program in it that exists.
func place(t *testing.T, text string) string {
	dir := t.TempDir()
	program := filepath.Join(dir, "sequencerd")
	unit := filepath.Join(dir, unitFile)
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(unit, []byte(strings.ReplaceAll(text, "/usr/bin/sequencerd", program)), 0o644); err != nil {
		t.Fatal(err)
	}
	return unit
}

func read(t *testing.T, name string) string {
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// directives are the settings of a unit, a key's values in their order.
func directives(text string) map[string][]string {
	out := map[string][]string{}
	for line := range strings.Lines(text) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(key, "#") {
			out[key] = append(out[key], value)
		}
	}
	return out
}
