package drive

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzRecord: whatever stands beside a drive's lock is refused with its path, or says the same when it is written again.
func FuzzRecord(f *testing.F) {
	f.Add([]byte(`{"pid":412,"command":"sequencerd serve","since":"2026-11-25T14:30:00+01:00","link":"/dev/ttyUSB0","drive":"{\"backend\":\"serial\"}"}`))
	f.Add([]byte(`{"pid":-1,"since":"0001-01-01T00:00:00Z","link":"mqtt://127.0.0.1:1883/flume"}`))
	f.Add([]byte(`{"pid":1e99}`))
	f.Add([]byte("null"))
	f.Add([]byte(""))
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "drive-x.json")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := readRecord(path)
		if err != nil {
			if r != (Record{}) || !strings.Contains(err.Error(), path) {
				t.Errorf("refused with %v, and yet %+v", err, r)
			}
			return
		}
		if err := r.write(path); err != nil {
			t.Fatal(err)
		}
		again, err := readRecord(path)
		since := r.Since.Equal(again.Since)
		if again.Since = r.Since; err != nil || !since || again != r {
			t.Errorf("%s says %+v, and written again %+v (%v)", text, r, again, err)
		}
	})
}
