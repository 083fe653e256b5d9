package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"flume.example/sequencerd/internal/commission/commissiontest"
)

// A swim over a broker that nobody here wrote, to a node that runs in a process of its own; the node says what its motor does. The swim is stopped from
// beside it, which throws nobody out of the broker.
func TestASwimOverABroker(t *testing.T) {
	if _, err := exec.LookPath("mosquitto"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mosquitto is not here: apt-get install mosquitto")
		}
		t.Log("NOT CHECKED: mosquitto is not here (apt-get install mosquitto)")
		return
	}
	t.Setenv("RUNTIME_DIRECTORY", t.TempDir())
	try(t, func(tr *trial) { swimOverBroker(t, tr) })
}

func swimOverBroker(t *testing.T, tr *trial) {
	configuration := file(t, "mqtt.toml", commissiontest.Passed(t, fmt.Sprintf("[drive]\nbackend = \"mqtt\"\n[drive.mqtt]\nbroker = %q\n", startBroker(t, tr))))
	session := file(t, "steady.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"5:00\"\npace = \"1:40\"\n")

	node := start(tr, "--config", configuration, "node-sim")
	node.until("at the broker")
	if code, _, errs := typed(t, "--config", configuration, "run", "--rate", "5", session); code != exitRefused || !strings.Contains(errs, "simulated drive only") {
		tr.Errorf("--rate on a node: exit %d, %s", code, errs)
	}

	swim := start(tr, "--config", configuration, "run", session)
	node.until("running")
	if code, _, errs := typed(t, "--config", configuration, "run", session); code != exitRefused || !strings.Contains(errs, "is held by") {
		tr.Errorf("a second program on the same node: exit %d, %s", code, errs)
	}
	if code, out, errs := typed(t, "stop-drive"); code != exitOK || !strings.Contains(out, "at rest") {
		tr.Errorf("stop-drive beside a swim: exit %d, %s%s", code, out, errs)
	}
	swim.ends(exitByGuard)
	if out := swim.output(); !strings.Contains(out, "[drive-fault]") {
		tr.Errorf("stopped from elsewhere, the swim says %s", out)
	}
	node.until("disabled")

	if left, _ := filepath.Glob(filepath.Join(os.Getenv("RUNTIME_DIRECTORY"), "*.json")); len(left) > 0 {
		tr.Errorf("seen at rest, and yet recorded: %v", left)
	}
	node.signal(syscall.SIGTERM)
	node.ends(exitOK)
}
