package commission

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"flume.example/sequencerd/internal/settings"
)

const (
	recordFormat = 1
	recordFile   = "course.json"
	mostText     = 200
)

// Record is what the course found. It is a file beside the store's, and the source of the page that is handed over.
type Record struct {
	Format      int             `json:"format"`
	Flume       string          `json:"flume"`
	Simulated   bool            `json:"simulated"`
	Installer   string          `json:"installer"`
	Electrician string          `json:"electrician"`
	Parts       map[string]Done `json:"parts"`
	Water       *Calibrated     `json:"water,omitempty"`
	RunOut      *RunOut         `json:"run_out,omitempty"`
	Places      []PlaceShare    `json:"places,omitempty"`
}

// Done is a part that came to its end.
type Done struct {
	At        time.Time `json:"at"`
	TookS     float64   `json:"took_s"`
	Passed    bool      `json:"passed"`
	NotFitted bool      `json:"not_fitted,omitempty"` // there is nothing of that kind here
	Wiring    string    `json:"wiring"`               // what was wired and set then, see Wiring
	Findings  []Finding `json:"findings"`
}

// Finding is one thing that was measured or answered.
type Finding struct {
	What  string `json:"what"`
	Value string `json:"value"` // with its unit
	Bound string `json:"bound,omitempty"`
	Good  bool   `json:"good"`
	Note  bool   `json:"note,omitempty"` // to be known, and not judged
	Do    string `json:"do,omitempty"`   // where it is not good
}

// String is the finding in a line or two.
func (f Finding) String() string {
	s := f.What + ": " + f.Value
	if f.Bound != "" && f.Bound != f.Value {
		s += " (" + f.Bound + ")"
	}
	switch {
	case f.Note:
		return "  " + s
	case f.Good:
		return "  good  " + s
	}
	return "  BAD   " + s + "\n        " + f.Do
}

func (d *Done) judge() {
	d.Passed = d.NotFitted || len(d.Findings) > 0 && !slices.ContainsFunc(d.Findings, func(f Finding) bool { return !f.Good })
}

// Verdict is the part's outcome in a word or two.
func (d Done) Verdict() string {
	switch {
	case d.At.IsZero():
		return "open"
	case d.NotFitted:
		return "not fitted"
	case d.Passed:
		return "passed"
	}
	return "not passed"
}

func (r *Record) copy() Record {
	c := *r
	c.Parts, c.Places = maps.Clone(r.Parts), slices.Clone(r.Places)
	return c
}

// take keeps what a part brought.
func (r *Record) take(id string, w *work) {
	r.Parts[id] = w.done
	if w.installer != "" {
		r.Installer, r.Electrician = w.installer, w.electrician
	}
	if w.calibration != nil {
		r.Water = w.calibration
	}
	if w.inertia != nil {
		r.RunOut = w.inertia
	}
	if w.places != nil {
		r.Places = w.places
	}
}

// Load reads the record in a folder; nil where there is none.
func Load(dir string) (*Record, error) {
	path := filepath.Join(dir, recordFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r := &Record{}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("%s: this is not a record of the course: %w", path, err)
	}
	if r.Format != recordFormat {
		return nil, fmt.Errorf("%s: format %d; this program knows format %d", path, r.Format, recordFormat)
	}
	if r.Parts == nil {
		r.Parts = map[string]Done{}
	}
	return r, nil
}

func (r *Record) save(dir string) error {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	return ReplaceFile(filepath.Join(dir, recordFile), append(text, '\n'))
}

// ReplaceFile writes a file whole or not at all, whenever the power goes. A file that is there keeps its mode.
func ReplaceFile(path string, text []byte) error {
	mode := os.FileMode(0o644)
	if i, err := os.Stat(path); err == nil {
		mode = i.Mode().Perm()
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Wiring is a mark of what the safety part was passed for: the drive, its link and its limits, and what hangs on the wall. Another mark, another flume.
func Wiring(s *settings.Settings) string {
	d := s.Drive
	what := []any{d.Backend, d.Motor, s.Wall.Pins, s.Wall.ButtonsToGround, s.Wall.ExternalPulls, s.Wall.Simulated}
	switch d.Backend {
	case "serial":
		c := d.Serial
		what = append(what, c.Port, c.Baud, c.Parity, c.StopBits, c.Address, d.SerialMap, ownMap(d.SerialMap), c.PolePairs, c.LinkLoss, c.QuickStopRPMPerSecond)
	case "mqtt":
		what = append(what, d.MQTT.Broker, d.MQTT.Topic, d.MQTT.LinkLoss, d.MQTT.TimeToLive)
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%q", what))
	return hex.EncodeToString(sum[:8])
}

// ownMap is the text of a drive's map that is a file of the owner's: another scale in it is another drive. Those that come with the program have a name alone.
func ownMap(name string) string {
	if !strings.ContainsRune(name, '/') && filepath.Ext(name) == "" {
		return ""
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return "cannot be read"
	}
	return string(text)
}

// Standing says whether people may swim, by the record.
type Standing struct {
	Passed bool
	Why    string    // where not: what is missing
	Since  time.Time // the oldest part of it
}

// Stands judges a record for what is wired and set now. A nil record is a flume at which nobody has been.
func (r *Record) Stands(s *settings.Settings, now time.Time) (st Standing) {
	goodFor := s.Safety.CommissionAgain
	for _, p := range Parts() {
		if !p.Safety {
			continue
		}
		var d Done
		if r != nil {
			d = r.Parts[p.ID]
		}
		switch {
		case d.At.IsZero():
			st.Why = fmt.Sprintf("nobody has gone through %q", p.Title)
		case !d.Passed:
			st.Why = fmt.Sprintf("%q is not passed", p.Title)
		case d.Wiring != Wiring(s):
			st.Why = fmt.Sprintf("drive or wiring are set otherwise than when %q was passed", p.Title)
		case now.Sub(d.At) > goodFor && clockSet(now):
			st.Why = fmt.Sprintf("%q was passed on %s, more than %d days ago", p.Title, d.At.Format(time.DateOnly), int(goodFor.Hours()/24))
		default:
			if st.Since.IsZero() || d.At.Before(st.Since) {
				st.Since = d.At
			}
			continue
		}
		return st
	}
	st.Passed = true
	return st
}

// clockSet: a board without a battery clock comes up in 1970. A date before this program was written says nothing.
func clockSet(now time.Time) bool { return now.Year() >= 2026 }
