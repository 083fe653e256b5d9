package doctor

import (
	"errors"
	"strings"
	"testing"
)

// FuzzService: whatever the supervisor says of the service, there is a finding in words; well is only what is loaded and active, and a fault has something to do.
func FuzzService(f *testing.F) {
	up := "LoadState=loaded\nActiveState=active\nSubState=running\nMainPID=412\nNRestarts=0\nResult=success\n"
	f.Add(up, "real time, in turns", true)
	f.Add(strings.Replace(up, "412", "-1e9", 1), "ordinary", true)
	f.Add("LoadState=loaded\r\nActiveState = active\n==\n", "", false)
	f.Add("LoadState=not-found\nActiveState=active\n", "real time", true)
	f.Add("", "", false)
	f.Fuzz(func(t *testing.T, text, is string, known bool) {
		found := service(text, func(int) (string, error) {
			if !known {
				return "", errors.New("not permitted")
			}
			return is, nil
		})
		if len(found) == 0 {
			t.Fatal("nothing is found")
		}
		for _, one := range found {
			if one.Saw == "" || one.Verdict == Fault && one.Do == "" {
				t.Errorf("%+v", one)
			}
		}
		if found[0].Verdict == Good && !(strings.Contains(text, "LoadState=loaded") && (strings.Contains(text, "ActiveState=active") || strings.Contains(text, "ActiveState=reloading"))) {
			t.Errorf("%q: %+v", text, found)
		}
	})
}
