package commission

import (
	"bytes"
	"cmp"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"flume.example/sequencerd/internal/units"
)

//go:embed report
var reportFiles embed.FS

// reportTemplate is the page that is handed over. Its style is in it, so that the file is whole wherever it is carried to; it has no script. Made when a record is
// first printed.
var reportTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("record.html").Funcs(template.FuncMap{
		"style": func() template.CSS { text, _ := reportFiles.ReadFile("report/record.css"); return template.CSS(text) }, // ours, embedded
		"day":   func(t time.Time) string { return t.Format("2 January 2006") },
		"clock": func(t time.Time) string { return t.Format("2006-01-02 15:04") },
		"pace":  func(mps float64) string { return units.MetresPerSecond(mps).Pace(units.Metre).Clock() },
		"took":  func(s float64) string { return units.FormatTimeWhole(seconds(s)) },
	}).ParseFS(reportFiles, "report/record.html"))
})

// reportPart is a part of the course as the page shows it.
type reportPart struct {
	Part
	Done
}

// reportPage is what the template is given.
type reportPage struct {
	*Record
	Now      time.Time
	Missing  []string // of the safety part
	Safety   []reportPart
	Others   []reportPart
	LinkLoss string // the drive's own, where it was noted
	Curve    *drawing
	Markers  *markers
	Cautions []string
}

// WriteHTML writes the record as a page of its own for paper of size A4. It claims conformity with nothing. The error names what in the record cannot be shown.
func (r *Record) WriteHTML(w io.Writer, now time.Time) error {
	g := reportPage{Record: r, Now: now, Missing: r.missing(), Markers: r.markers()}
	for _, p := range Parts() {
		done := reportPart{p, r.Parts[p.ID]}
		if p.Safety {
			g.Safety = append(g.Safety, done)
		} else {
			g.Others = append(g.Others, done)
		}
		for _, f := range done.Findings {
			if f.What == linkLossFinding {
				g.LinkLoss = f.Value
			}
		}
	}
	if r.Water != nil {
		var err error
		if g.Curve, err = r.Water.draw(); err != nil {
			return fmt.Errorf("the calibration in the record cannot be drawn: %w", err)
		}
	}
	g.Cautions = cautions(g.LinkLoss)
	return reportTemplate().Execute(w, &g)
}

// missing are the parts that keep people safe and are not passed, by their titles.
func (r *Record) missing() (out []string) {
	for _, p := range Parts() {
		if p.Safety && !r.Parts[p.ID].Passed {
			out = append(out, p.Title)
		}
	}
	return out
}

// cautions are what everybody has to know who runs or uses the flume.
func cautions(linkLoss string) []string {
	own := "The drive's own link-loss time, its last stop when computer or link are gone, was not noted."
	if linkLoss != "" {
		own = "The drive stops by itself " + linkLoss + " after the link to the computer is lost: its link-loss time. Nobody may lengthen it or switch it off."
	}
	return []string{
		"This installation's program is not a safety device, and none of its stops replaces one. The emergency stop is wired by hand into the drive's enable or supply, works without computer, network and program, and is within the swimmer's reach. It is pressed once on each day of use, before anybody is in the water.",
		"The water coasts on after any stop, the emergency stop included: the motor rests within seconds, the water moves for half a minute and more.",
		own,
		"Never swim alone, and never hold your breath under water: somebody who can help is there and looks.",
		"Covers of outlet and suction are in place, undamaged and within their service life, or nobody goes into the water.",
		"Local codes, and people licensed for this work under them, decide. Where they or the drive's manual say otherwise than this page, they are right. This page claims conformity with no standard.",
		"After any change of drive, wiring, link or limits the safety part is gone through again before anybody swims.",
	}
}

// markers are the paces along the flume: what is painted on the floor, or hung beside it.
type markers struct {
	Places []PlaceShare
	Rows   [][]string // of paces per 100, one for each place
	Left   bool       // paces were left out that this flume was not calibrated for
}

// markers gives the pace at each place for each pace where the water was calibrated; nil where no places were measured.
func (r *Record) markers() *markers {
	return markersOf(r.Places, func(mps float64) bool { return r.Water == nil || r.Water.covers(mps) })
}

func markersOf(places []PlaceShare, covers func(mps float64) bool) *markers {
	if len(places) == 0 {
		return nil
	}
	m := &markers{Places: slices.Clone(places)}
	slices.SortStableFunc(m.Places, func(a, b PlaceShare) int { return int(1e6 * (a.FromOutlet - b.FromOutlet)) })
	for s := 70.0; s <= 180; s += step(s) {
		here := units.PacePer100(s, units.Metre)
		if !covers(here.Speed().MetresPerSecond()) {
			m.Left = true
			continue
		}
		row := []string{}
		for _, p := range m.Places {
			row = append(row, wholePace(s/p.Share))
		}
		m.Rows = append(m.Rows, row)
	}
	return m
}

// step is how far apart the paces of the floor markers are, in seconds per 100: finer where people swim most.
func step(s float64) float64 {
	if s < 120 {
		return 5
	}
	return 10
}

func wholePace(s float64) string { return units.FormatTimeWhole(seconds(s).Round(time.Second)) }

// covers reports whether a speed lies within what was measured.
func (c *Calibrated) covers(mps float64) bool {
	return len(c.Points) > 0 && mps >= c.Points[0].MPS && mps <= c.Points[len(c.Points)-1].MPS
}

// saved is the record beside the page, for programs.
type saved struct {
	WrittenAt    time.Time `json:"written_at"`
	SafetyPassed bool      `json:"safety_passed"`
	Missing      []string  `json:"missing,omitempty"`
	Record
}

// reportName is what all records of a folder are called.
const reportName = "commissioning-"

// SaveReport writes the record into a folder as commissioning-2026-11-25.html and .json. Another one of the same day gets a number behind the date: what
// was handed over once is never written over.
func SaveReport(dir string, r Record, now time.Time) (htmlPath, jsonPath string, err error) {
	var page bytes.Buffer
	if err := r.WriteHTML(&page, now); err != nil {
		return "", "", err
	}
	missing := r.missing()
	text, err := json.MarshalIndent(saved{WrittenAt: now, SafetyPassed: len(missing) == 0, Missing: missing, Record: r}, "", "  ")
	if err != nil {
		return "", "", err
	}
	base := filepath.Join(dir, reportName+now.Format(time.DateOnly))
	name := base
	for n := 2; taken(name+".html") || taken(name+".json"); n++ {
		name = fmt.Sprintf("%s-%d", base, n)
	}
	if err := ReplaceFile(name+".json", append(text, '\n')); err != nil {
		return "", "", err
	}
	return name + ".html", name + ".json", ReplaceFile(name+".html", page.Bytes())
}

func taken(path string) bool {
	_, err := os.Lstat(path)
	return !errors.Is(err, fs.ErrNotExist)
}

// Reports are the names of the records in a folder, the latest first, without their ends .html and .json.
func Reports(dir string) []string {
	found, _ := filepath.Glob(filepath.Join(dir, reportName+"*.html")) // the pattern is a good one
	for i, f := range found {
		found[i] = strings.TrimSuffix(filepath.Base(f), ".html")
	}
	slices.SortFunc(found, func(a, b string) int {
		dayA, nA := reportOf(a)
		dayB, nB := reportOf(b)
		return cmp.Or(cmp.Compare(dayB, dayA), cmp.Compare(nB, nA))
	})
	return found
}

// reportOf is the day in a record's name, and which of that day it is.
func reportOf(name string) (day string, n int) {
	day = strings.TrimPrefix(name, reportName)
	if len(day) > len(time.DateOnly) {
		n, _ = strconv.Atoi(strings.TrimPrefix(day[len(time.DateOnly):], "-"))
		day = day[:len(time.DateOnly)]
	}
	return day, n
}
