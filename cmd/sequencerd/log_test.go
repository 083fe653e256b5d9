package main

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestABareLineIsNotLoggedAHundredTimesASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		log := slog.New(newSparse(slog.NewTextHandler(&out, nil)))
		for range 300 { // three seconds
			log.Info("line 4: no such device")
			<-time.After(10 * time.Millisecond)
		}
		log.Info("state", "state", "ready")
		log.Info("state", "state", "running")
		<-time.After(sayAgain)
		log.Info("line 4: no such device")
		if n := strings.Count(out.String(), "no such device"); n != 2 {
			t.Errorf("written %d times, want once, and once more after ten seconds:\n%s", n, out.String())
		}
		if n := strings.Count(out.String(), "msg=state"); n != 2 {
			t.Errorf("of two changes of state %d are written", n)
		}
	})
}
