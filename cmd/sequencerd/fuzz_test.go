package main

import (
	"encoding/json"
	"testing"
)

// FuzzRecordedDrive: whatever stands beside the lock of a drive, stop-drive makes a drive of it or refuses it.
func FuzzRecordedDrive(f *testing.F) {
	f.Add(`{"backend":"serial","serial":{"Port":"/dev/ttyUSB0","Baud":19200},"map":"x","map_name":"m"}`)
	f.Add(`{"backend":"mqtt","mqtt":{"URL":"mqtt://127.0.0.1"}}`)
	f.Add(`{"backend":"steam"}`)
	f.Fuzz(func(t *testing.T, text string) {
		var r resolvedDrive
		if json.Unmarshal([]byte(text), &r) != nil {
			return
		}
		_ = r.link()
		if b, err := r.serial(); err == nil {
			if b == nil {
				t.Error("neither a drive nor an error")
			}
		}
	})
}
