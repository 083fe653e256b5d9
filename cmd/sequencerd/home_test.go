package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// The daemon with its simulated drive, a real broker, and a swim under way: the stop that the documents show to home automation stops it, and what the broker
// keeps follows. A stop that the broker has kept does not, when the daemon comes and when it comes back to the broker in mid-swim; nor does anything else that
// is set. Topics are those of the Homie convention, as noted with the tests of internal/home.
func TestHomeAutomationMayStopASwimAndNothingElse(t *testing.T) {
	for _, program := range []string{"mosquitto", "mosquitto_pub", "mosquitto_sub"} {
		if _, err := exec.LookPath(program); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatalf("%s is not here: apt-get install mosquitto mosquitto-clients", program)
			}
			t.Logf("NOT CHECKED: %s is not here (apt-get install mosquitto mosquitto-clients)", program)
			return
		}
	}
	t.Parallel()
	shown := typedInDocuments(t, "mosquitto_pub")
	if len(shown) != 1 {
		t.Fatalf("the documents show %q, one stop was expected", shown)
	}
	dir := t.TempDir()
	try(t, func(tr *trial) { stopFromHome(t, tr, dir, shown[0]) })
}

// typedInDocuments are the lines that the documents show for a program, without it.
func typedInDocuments(t *testing.T, program string) (all [][]string) {
	paths, err := filepath.Glob("../../docs/*.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range append(paths, "../../README.md") {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, st := range read(path, string(text)).steps {
			if args, err := words(st.line); err == nil && len(args) > 0 && args[0] == program {
				all = append(all, args[1:])
			}
		}
	}
	return all
}

func stopFromHome(t *testing.T, tr *trial, dir string, shown []string) {
	const base = "homie/5/otterford-mill/"
	url := startBroker(t, tr)
	port := url[strings.LastIndex(url, ":")+1:]
	publish := func(args ...string) {
		if said, err := exec.Command("mosquitto_pub", append([]string{"-p", port}, args...)...).CombinedOutput(); err != nil {
			tr.Fatalf("mosquitto_pub %q: %v: %s", args, err, said)
		}
	}
	const kept = "a set that the broker has kept counts for nothing"
	publish("-r", "-t", base+"flume/stop/set", "-m", "stop")
	hub := newProcess(tr, nil) // home automation: lines of "topic value", as they come
	hub.cmd = exec.Command("mosquitto_sub", "-p", port, "-q", "1", "-t", base+"#", "-F", "%t %p")
	hub.cmd.Stdout, hub.cmd.Stderr = hub, hub
	hub.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	hub.begin()

	p, wall := daemon(tr, dir, fmt.Sprintf("[flume]\nname = \"Otterford Mill\"\ninertia_m = 0.3\n[home.homie]\nbroker = %q\n", url))
	defer func() { tr.late = tr.late || strings.Contains(p.output(), "reason=tick-late") }()
	p.seen = 0
	p.until(kept)
	hub.until(base + "$state ready\n")
	wall.ready(p)
	wall.do("press")
	p.until("state=running")
	hub.until(base + "flume/state running\n")
	swims := func() { // for two more metres: each is told once
		hub.fromNow()
		for range 3 {
			hub.until(base + "swim/distance ")
		}
	}
	swims()

	// Another who takes its name throws it out of the broker; it comes back, and is given the kept stop once more.
	publish("-i", "sequencerd-otterford-mill", "-t", "elsewhere", "-m", "x")
	p.until(kept)
	hub.until(base + "$state ready\n")
	sets := func() {
		for _, topic := range []string{"flume/state", "flume/simulated", "flume/start", "water/speed", "water/pace", "swim/session", "swim/distance"} {
			for _, value := range []string{"0", "2.0", "running", "stop"} {
				publish("-t", base+topic+"/set", "-m", value)
			}
		}
		publish("-t", base+"$state/set", "-m", "disconnected")
	}
	sets()
	swims()
	if said := p.output()[strings.Index(p.output(), "state=running"):]; strings.Count(said, "state=") > 1 {
		tr.Errorf("a stop of another hour, or something else that was set, has changed the swim: %s", said)
	}

	hub.fromNow()
	publish(shown...)
	p.until("state=stopped reason=stop-pressed")
	hub.until(base + "flume/state stopped\n")
	hub.until(base + "$alert/stop-pressed ")
	hub.until(base + "water/speed/$target 0\n")
	hub.until(base + "water/speed 0.0") // it takes a minute more to 0
	if state, faults := faultsShown(tr, p); state != "stopped" || !strings.Contains(faults, "stop-pressed") {
		tr.Errorf("the panel shows %s, %s", state, faults)
	}
	sets()
	p.signal(syscall.SIGTERM)
	p.ends(exitOK)
	hub.until(base + "$state disconnected\n")
	if n := strings.Count(p.output(), "state=count-in"); n != 1 {
		tr.Errorf("started %d times, once by a person: %s", n, p.output())
	}
}
