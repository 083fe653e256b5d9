package systemd

import (
	"os"
	"regexp"
	"strconv"
	"testing"
)

// The service has one real-time priority for all its threads, so what has to wait on one core waits for slices: a few of them have to fit a tick of 50 ms.
func TestSlicesAreShort(t *testing.T) {
	text, err := os.ReadFile("sequencerd.sysctl")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`(?m)^kernel\.sched_rr_timeslice_ms = (\d+)$`).FindSubmatch(text)
	if found == nil {
		t.Fatal("it does not set the slice")
	}
	if ms, err := strconv.Atoi(string(found[1])); err != nil || ms < 1 || ms > 10 {
		t.Errorf("a slice of %s ms", found[1])
	}
}
