package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// aSwim is short, and its title is all that a CSV finds hard.
const aSwim = `format = 1
title = "Over, \"under\"; and back"
unit = "m"
[[step]]
name = "Easy"
kind = "warm-up"
time = "0:40"
pace = "2:00"
[[step]]
repeat = 2
  [[step.step]]
  name = "Fast, =1+1"
  kind = "main"
  distance = 25
  pace = "threshold-2"
  [[step.step]]
  rest = "0:10"
`

// kept swims aSwim into a new store, and gives the configuration that names it.
func kept(t *testing.T) (config, folder string) {
	t.Helper()
	folder = filepath.Join(t.TempDir(), "swims")
	config = file(t, "c.toml", "[store]\npath = "+strconv.Quote(folder)+"\n[[swimmer.person]]\nname = \"Ada Fluss\"\nthreshold = \"1:40/100m\"\n")
	code, out, errs := typed(t, "run", "--config", config, "--swimmer", "ada fluss", "--rate", "500", file(t, "s.toml", aSwim))
	if code != exitOK || !strings.Contains(out, "Kept as swim 1: sequencerd swims show 1\n") {
		t.Fatalf("code %d\n%s%s", code, out, errs)
	}
	return config, folder
}

// good runs a command that has to go well.
func good(t *testing.T, args ...string) string {
	t.Helper()
	code, out, errs := typed(t, args...)
	if code != exitOK || errs != "" {
		t.Fatalf("%v: code %d, %s", args, code, errs)
	}
	return out
}

func says(t *testing.T, text string, wants ...string) {
	t.Helper()
	for _, w := range wants {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing in\n%s", w, text)
		}
	}
}

// TestASwimIsListedShownPlottedAndExported with what --help tells alone.
func TestASwimIsListedShownPlottedAndExported(t *testing.T) {
	t.Parallel()
	config, _ := kept(t)
	says(t, good(t, "--help"), "swims", "backup", "restore")
	says(t, good(t, "swims", "--help"), "list", "show", "export", "delete", "trends")
	says(t, good(t, "swims", "--config", config), "Ada Fluss", "finished, SIMULATED")
	says(t, good(t, "swims", "list", "--config", config, "--swimmer", "Bo"), "No swims yet.")
	plot := filepath.Join(t.TempDir(), "swim.svg")
	// 40 s at 2:00 per 100 are 33 m; threshold 1:40 less 2 is 1:38.
	says(t, good(t, "swims", "show", "--config", config, "--plot", plot), "threshold 1:40/100m", "0:40  33 m  2:00/100m", "1:38/100m", "SIMULATED", "start, from the terminal")
	if picture, err := os.ReadFile(plot); err != nil || !strings.Contains(string(picture), "<svg") {
		t.Errorf("plot: %v", err)
	}
	says(t, good(t, "swims", "trends", "--config", config, "--swimmer", "ADA FLUSS"), "Weeks of ADA FLUSS", "main 50 m", "1 (1 SIMULATED)")
}

// TestExport reads the CSV with readers that are not ours: encoding/csv (RFC 4180), and Python's where it is there. The sums are those of the JSON.
func TestExport(t *testing.T) {
	t.Parallel()
	config, _ := kept(t)
	text := good(t, "swims", "export", "--csv", "--config", config)
	if strings.Count(text, "\r\n") != strings.Count(text, "\n") { // section 2, rule 1
		t.Errorf("line ends: %q", text)
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) != 1+5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	column := func(row []string, name string) string {
		for i, n := range rows[0] {
			if n == name {
				return row[i]
			}
		}
		t.Fatalf("no column %s in %q", name, rows[0])
		return ""
	}
	var swims []struct {
		Title  string
		Blocks []struct {
			Name string
			Swum *struct{ S, M float64 }
		}
		Samples struct {
			T []float64 `json:"t_s"`
		}
	}
	if err := json.Unmarshal([]byte(good(t, "swims", "export", "--json", "--config", config, "1")), &swims); err != nil || len(swims) != 1 {
		t.Fatalf("JSON: %d swims, %v", len(swims), err)
	}
	for i, row := range rows[1:] {
		b := swims[0].Blocks[i]
		s, err := strconv.ParseFloat(column(row, "swum_s"), 64)
		if err != nil || s < b.Swum.S-1e-6 || s > b.Swum.S+1e-6 || column(row, "name") != b.Name || column(row, "title") != swims[0].Title {
			t.Errorf("row %q, want %+v, %v", row, b, err)
		}
	}
	samples, err := csv.NewReader(strings.NewReader(good(t, "swims", "export", "--csv", "--samples", "--config", config))).ReadAll()
	if err != nil || len(samples) != 1+len(swims[0].Samples.T) {
		t.Errorf("%d rows of samples, %v; the JSON has %d", len(samples), err, len(swims[0].Samples.T))
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("python3 is not here")
		}
		t.Log("python3 is not here: its reader is left out")
		return
	}
	name := filepath.Join(t.TempDir(), "swims.csv")
	good(t, "swims", "export", "--csv", "--config", config, "-o", name)
	out, err := exec.Command(python, "-c", `
import csv, json, sys
print(json.dumps(list(csv.reader(open(sys.argv[1], newline=""), strict=True))))`, name).CombinedOutput()
	var theirs [][]string
	if err != nil || json.Unmarshal(out, &theirs) != nil || len(theirs) != len(rows) {
		t.Fatalf("python: %v: %s", err, out)
	}
	for i := range rows {
		for j := range rows[i] {
			if strings.ReplaceAll(theirs[i][j], "\r\n", "\n") != rows[i][j] {
				t.Errorf("row %d, column %d: %q, want %q", i, j, theirs[i][j], rows[i][j])
			}
		}
	}
}

// TestBackupDeleteRestore from the command line; what cannot be taken back wants a yes.
func TestBackupDeleteRestore(t *testing.T) {
	t.Parallel()
	config, _ := kept(t)
	copy := filepath.Join(t.TempDir(), "copy.db")
	says(t, good(t, "backup", "--config", config, copy), copy)
	for _, args := range [][]string{
		{"backup", "--config", config, copy}, {"swims", "delete", "1", "--config", config}, {"restore", copy, "--config", config},
		{"swims", "show", "7", "--config", config}, {"swims", "export", "--csv", "1", "7", "--config", config},
	} {
		if code, out, errs := typed(t, args...); code != exitRefused || out != "" || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: code %d, %q, %q", args, code, out, errs)
		}
	}
	says(t, good(t, "swims", "delete", "--yes", "1", "--config", config), "Swim 1 is deleted.")
	says(t, good(t, "swims", "--config", config), "No swims yet.")
	says(t, good(t, "restore", "--yes", copy, "--config", config), copy)
	says(t, good(t, "swims", "--config", config), "Ada Fluss")
}

// TestNothingIsKeptUnasked: run keeps a swim where the configuration names a store or somebody asks for it, and nowhere else.
func TestNothingIsKeptUnasked(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_STATE_HOME", home)
	t.Setenv("STATE_DIRECTORY", "")
	session := file(t, "s.toml", strings.ReplaceAll(aSwim, "threshold-2", "1:40"))
	if out := good(t, "run", "--rate", "500", session); strings.Contains(out, "Kept") {
		t.Errorf("kept: %s", out)
	}
	if left, _ := os.ReadDir(home); len(left) != 0 {
		t.Errorf("made %v", left)
	}
	code, _, errs := typed(t, "swims")
	if code != exitRefused {
		t.Errorf("no store: code %d", code)
	}
	says(t, errs, filepath.Join(home, "sequencerd"), "--record")
	says(t, good(t, "run", "--rate", "500", "--record", session), "Kept as swim 1")
	says(t, good(t, "swims"), "finished")
}
