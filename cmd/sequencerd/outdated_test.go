package main

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// TestTheAgeOfTheCalibration: a day more than is allowed is a notice; a clock that was never set, and a calibration of no known day, are none.
func TestTheAgeOfTheCalibration(t *testing.T) {
	const dated = "[water]\ncalibrated_on = \"2024-05-01\"\nrecalibrate_after_days = 100\n"
	for _, c := range []struct {
		name, text string
		now        time.Time
		want       fault.Code
	}{
		{"the last day", dated, time.Date(2024, 8, 9, 0, 0, 0, 0, time.UTC), ""},
		{"the day after", dated, time.Date(2024, 8, 9, 1, 0, 0, 0, time.UTC), fault.CalibrationOld},
		{"a clock of 1970", dated, time.Unix(5000, 0), ""},
		{"never", strings.Replace(dated, "100", "0", 1), time.Date(2034, 8, 9, 0, 0, 0, 0, time.UTC), ""},
		{"of no known day", "", time.Date(2034, 8, 9, 0, 0, 0, 0, time.UTC), ""},
	} {
		s, err := settings.Parse("c.toml", []byte(c.text), config.Default())
		if err != nil {
			t.Fatal(err)
		}
		if got := outdated(s, c.now); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestAnOldCalibrationIsTold: in the log, on the deck, by the doctor and in the list of the course, with what to do.
func TestAnOldCalibrationIsTold(t *testing.T) {
	t.Parallel()
	const old = "[water]\ncalibrated_on = \"2019-05-01\"\n"
	try(t, func(tr *trial) {
		dir := t.TempDir()
		p, _ := daemon(tr, dir, old)
		cfg := dir + "/flume.toml"
		p.found(regexp.MustCompile(`the deck panel is on" address=(\S+)`))
		if _, faults := faultsShown(tr, p); !strings.Contains(faults, `{"code":"calibration-old","level":"notice"`) {
			tr.Errorf("the deck is told %s", faults)
		}
		for _, want := range []string{"the calibration is old", "[calibration-old]", "measured=2019-05-01"} {
			if !strings.Contains(p.output(), want) {
				tr.Errorf("the log does not say %q: %s", want, p.output())
			}
		}
		if _, out, _ := typed(tr, "--config", cfg, "doctor"); !strings.Contains(out, "calibrated on 2019-05-01; that is good until 2020-04-30") || !strings.Contains(out, "sequencerd commission water") {
			tr.Errorf("the doctor says\n%s", out)
		}
		if code, out, errs := typed(tr, "--config", cfg, "commission", "--list"); code != exitOK || !strings.Contains(out, "good until 2020-04-30") || !strings.Contains(out, "[calibration-old]") {
			tr.Errorf("the list: %d\n%s%s", code, out, errs)
		}
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
	})
}

// TestADriftIsShownAtTheSwim: with its figures, once, and not among the commands.
func TestADriftIsShownAtTheSwim(t *testing.T) {
	dir := t.TempDir()
	st, err := store.OpenToRecord(dir)
	if err != nil {
		t.Fatal(err)
	}
	const words = "The motor turned 864 rpm on average where 900 were ordered (-4.0 %; 2.0 % is allowed). Calibrate again."
	err = errors.Join(st.Write(store.Entry{
		Swim:   &store.Swim{Title: "Tuesday", Unit: units.Metre, Outcome: store.Finished, Blocks: 1, At: store.Place{Block: 1}, Passed: time.Minute},
		Blocks: []store.Block{{Name: "Easy", Of: 1, Round: 1, Was: true, Done: true}},
		Happenings: []store.Happening{
			{Number: 0, Kind: "command", What: "start", By: "wall"}, {Number: 1, At: time.Minute, Kind: "drift", What: words, Code: fault.MotorDrift},
		},
	}), st.Close())
	if err != nil {
		t.Fatal(err)
	}
	_, out, errs := typed(t, "swims", "--store", dir, "show")
	if i := strings.Index(out, words+" [motor-drift]\n"); i < 0 || i > strings.Index(out, "On the way:") || strings.Count(out, "864") != 1 {
		t.Errorf("it shows\n%s%s", out, errs)
	}
}

// TestAClogIsToldAtTheEnd: a filter clogs in the simulation, and whoever swims it reads so at its end and at the swim; the honest default does not say it.
func TestAClogIsToldAtTheEnd(t *testing.T) {
	session := file(t, "s.toml", "format = 1\ntitle = \"Steady\"\nunit = \"m\"\n[[step]]\ntime = \"3:00\"\npace = \"1:50\"\n")
	for by, told := range map[int]bool{-3: false, -8: true} {
		dir := t.TempDir()
		cfg := file(t, "flume.toml", fmt.Sprintf("[drive.simulated]\nspeed_error_percent = %d\nflow_sensor = 1\n[store]\npath = %q\n", by, dir))
		_, out, errs := typed(t, "--config", cfg, "run", "--rate", "200", session)
		if strings.Contains(out, "In the latest swim the water did not flow as calibrated.") != told || !strings.Contains(out, "Kept as swim 1") {
			t.Errorf("%d %%: run says\n%s%s", by, out, errs)
		}
		if _, out, errs = typed(t, "--config", cfg, "swims", "show"); strings.Contains(out, "[water-drift]") != told {
			t.Errorf("%d %%: shown is\n%s%s", by, out, errs)
		}
	}
}
