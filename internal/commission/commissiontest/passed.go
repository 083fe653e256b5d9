// Package commissiontest puts a record of a passed course beside a configuration, so that tests of other things can swim on a drive that is not simulated.
package commissiontest

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/settings"
)

// Passed is the configuration's text, with a store in a folder of the test where it has none; in its store lies the record of a safety part that was passed
// today for just this drive and wall.
func Passed(t testing.TB, text string) string {
	t.Helper()
	if !strings.Contains(text, "[store]") {
		text += fmt.Sprintf("\n[store]\npath = %q\n", t.TempDir())
	}
	s, err := settings.Parse("passed", []byte(text), config.Default())
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(s.Store, "commissioning")
	record, err := Record(s, time.Now())
	if err == nil {
		err = os.MkdirAll(dir, 0o755)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "course.json"), record, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Record is such a record, for a test that has to put it elsewhere: as course.json into the folder commissioning of the store.
func Record(s *settings.Settings, at time.Time) ([]byte, error) {
	r := commission.Record{Format: 1, Flume: s.Flume.Name, Parts: map[string]commission.Done{}}
	for _, p := range commission.Parts() {
		if p.Safety {
			r.Parts[p.ID] = commission.Done{At: at, Passed: true, Wiring: commission.Wiring(s), Findings: []commission.Finding{{What: "a test", Value: "passed", Good: true}}}
		}
	}
	return json.Marshal(r)
}
