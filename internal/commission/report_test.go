package commission_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/commission"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden holds a text against a file.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		g, w := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
		for i := range min(len(g), len(w)) {
			if g[i] != w[i] {
				t.Fatalf("%s, line %d:\n got %.300s\nwant %.300s\n(-update writes it anew)", name, i+1, g[i], w[i])
			}
		}
		t.Fatalf("%s: %d lines, want %d (-update writes it anew)", name, len(g), len(w))
	}
}

// aRecord is an invented flume that an invented person has gone through, with one thing left to mend.
func aRecord() commission.Record {
	at := func(minutes int) time.Time { return installed.Add(time.Duration(minutes) * time.Minute) }
	good := func(what, value, bound string) commission.Finding {
		return commission.Finding{What: what, Value: value, Bound: bound, Good: true}
	}
	note := func(what, value string) commission.Finding {
		return commission.Finding{What: what, Value: value, Good: true, Note: true}
	}
	r := commission.Record{Format: 1, Flume: "Otterford Mill", Installer: "Odile Farrow", Electrician: "Bram Hesketh, licence 0417", Parts: map[string]commission.Done{}}
	for i, p := range commission.Parts() {
		d := commission.Done{At: at(10 * i), TookS: 95, Passed: true, Wiring: "0123456789abcdef", Findings: []commission.Finding{good("It does what it has to", "yes", "yes")}}
		switch p.ID {
		case "board":
			d.Findings = []commission.Finding{note("Installer", r.Installer), note("Electrician", r.Electrician),
				note("Pins", "heartbeat_pin = gpiochip0:26, lamp_pin = gpiochip0:22, press_pin = gpiochip0:27, stop_pin = gpiochip0:17"),
				good("Each wire is on the terminal of its pin", "yes", "yes"), good("Emergency stop by wire", "yes", "yes"), good("Protection and bonding", "yes", "yes"),
				good("Covers", "yes", "yes"), good("Start command", "yes", "yes"), good("Rotation lock", "yes", "yes")}
		case "signals":
			d.NotFitted, d.Findings = true, nil
		case "drive":
			d.Findings = []commission.Finding{good("The drive answers", "yes", "an answer"), note("Link-loss time in the configuration", "500ms")}
		case "stops":
			d.Findings = nil
			for _, at := range []string{"slow speed, 160 rpm", "middle speed, 810 rpm", "full speed, 1500 rpm"} {
				d.Findings = append(d.Findings, good("Stop button at "+at+", to rest in", "0.61 s", "1.50 s at most"), good("Stop from here at "+at+", to rest in", "0.63 s", "1.50 s at most"),
					good("After a silence of 2.0 s at "+at+", the motor", "at rest", "at rest: link-loss time 500ms and the way down"))
			}
			d.Findings = append(d.Findings, good("Cable pulled at slow speed, the motor when it is back", "0 rpm", "at rest"))
		case "limits":
			d.Passed = false
			d.Findings = append(d.Findings, commission.Finding{What: "The motor's ramp up", Value: "402 rpm/s", Bound: "600 rpm/s, a tenth less at most", Do: "set the drive's ramp to 600 rpm/s, or drive.accel_rpm_per_s to 400"})
		}
		r.Parts[p.ID] = d
	}
	r.Water = &commission.Calibrated{At: at(130), How: "floats", BandPct: 3.4, Residual: 0.006}
	for _, p := range [][2]float64{{120, 0.14}, {300, 0.335}, {600, 0.702}, {900, 1.065}, {1200, 1.421}, {1500, 1.748}} {
		r.Water.Points = append(r.Water.Points, commission.Point{RPM: p[0], MPS: p[1], LowMPS: p[1]*0.975 - 0.01, HighMPS: p[1]*1.025 + 0.01, Used: 8, Dropped: int(p[0]) % 7 / 6})
	}
	r.RunOut = &commission.RunOut{At: at(140), Metres: 2.11, CI: 0.14, RMS: 0.008, Samples: 46}
	r.Places = []commission.PlaceShare{{Name: "one metre back", FromOutlet: 2.5, Share: 0.943, CI: 0.011}, {Name: "swimmer", FromOutlet: 1.5, Share: 1}, {Name: "far end", FromOutlet: 4, Share: 0.871, CI: 0.016}}
	return r
}

// TestTheRecordIsAPage: what is handed over, word by word.
func TestTheRecordIsAPage(t *testing.T) {
	r := aRecord()
	var b bytes.Buffer
	if err := r.WriteHTML(&b, installed); err != nil {
		t.Fatal(err)
	}
	golden(t, "record.html", b.Bytes())
	text := b.String()
	for _, forbidden := range []string{"<script", "http://", "https://", "src=", "@import", "url(", "onload", "SIMULATED</strong>"} {
		if strings.Contains(text, forbidden) {
			t.Errorf("it has %q in it", forbidden)
		}
	}
	for _, p := range commission.Parts() {
		if n := strings.Count(text, strings.ReplaceAll(p.Title, "'", "&#39;")); n < 2 {
			t.Errorf("%q stands there %d times: once among the parts and once with its findings", p.Title, n)
		}
		for _, f := range r.Parts[p.ID].Findings {
			for _, s := range []string{f.What, f.Value, f.Bound, f.Do} {
				if !strings.Contains(text, strings.ReplaceAll(s, "'", "&#39;")) {
					t.Errorf("%s: %q is not there", p.ID, s)
				}
			}
		}
	}
	if !strings.Contains(text, "NOT passed. Nobody may swim") || !strings.Contains(text, "Missing: Lowest and highest speed, the motor&#39;s ramp") {
		t.Error("a safety part that is not passed is not said at the top")
	}
	// 1:40 here and 1:46 a metre back: 100 s / 0.943 = 106.04 s, worked out by hand.
	if !strings.Contains(text, "<tr><td>1:40</td><td>1:46</td><td>1:55</td></tr>") {
		t.Error("the floor markers have no line for 1:40")
	}
	if strings.Contains(strings.ToLower(text), "complies") || strings.Contains(text, "ISO") || strings.Contains(text, "EN 1") {
		t.Error("it names a standard, or claims something of the kind")
	}
}

// TestASimulatedRecordSaysSo, on the screen and on each sheet of paper, and so does its title.
func TestASimulatedRecordSaysSo(t *testing.T) {
	r := aRecord()
	r.Simulated = true
	r.Parts["limits"] = r.Parts["drive"]
	var b bytes.Buffer
	if err := r.WriteHTML(&b, installed); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`<body class="simulated">`, "<strong>SIMULATED</strong>", "SIMULATED</title>", "passed (SIMULATED)", "body.simulated { page: simulated; }"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("there is no %q", want)
		}
	}
}

// TestWhatPeopleTypeIsText: nothing that was typed can become a part of the page.
func TestWhatPeopleTypeIsText(t *testing.T) {
	const evil = `</style><script>alert("1")</script><b onmouseover='x'>&amp;`
	r := aRecord()
	r.Flume, r.Installer, r.Electrician = evil, evil, evil
	r.Places = []commission.PlaceShare{{Name: evil, FromOutlet: 1, Share: 1}, {Name: "back", FromOutlet: 2, Share: 0.9}}
	r.Water.How, r.Water.Notes = evil, []string{evil}
	r.Parts["board"] = commission.Done{At: installed, Findings: []commission.Finding{{What: evil, Value: evil, Bound: evil, Do: evil}}}
	r.Parts["drive"] = commission.Done{At: installed, Findings: []commission.Finding{{What: "Link-loss time in the configuration", Value: evil, Good: true, Note: true}}}
	var b bytes.Buffer
	if err := r.WriteHTML(&b, installed); err != nil {
		t.Fatal(err)
	}
	if text := b.String(); strings.Contains(text, "<script") || strings.Contains(text, "<b on") || strings.Count(text, "</style>") != 1 || !strings.Contains(text, "&lt;script&gt;") {
		t.Error("what was typed is part of the page")
	}
}

// TestAnEmptyRecordIsAPage too: it says that nothing was done.
func TestAnEmptyRecordIsAPage(t *testing.T) {
	var b bytes.Buffer
	if err := new(commission.Record).WriteHTML(&b, installed); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "Nobody has gone through this part."); n != len(commission.Parts()) {
		t.Errorf("%d parts are said to be open, want %d", n, len(commission.Parts()))
	}
}

// TestACurveThatIsNoneIsRefused, and the error says why.
func TestACurveThatIsNoneIsRefused(t *testing.T) {
	r := aRecord()
	r.Water.Points[2].MPS = 0.1
	if err := r.WriteHTML(new(bytes.Buffer), installed); err == nil || !strings.Contains(err.Error(), "calibration") {
		t.Errorf("the error is %v", err)
	}
}

// TestSavedRecordsAreNeverWrittenOver: the second of a day has another name, and the latest comes first.
func TestSavedRecordsAreNeverWrittenOver(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "commissioning")
	r := aRecord()
	var first []byte
	for i := range 11 {
		page, data, err := commission.SaveReport(dir, r, installed)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if filepath.Base(page) != "commissioning-2026-11-25.html" || filepath.Base(data) != "commissioning-2026-11-25.json" {
				t.Errorf("they are called %s and %s", page, data)
			}
			first, _ = os.ReadFile(page)
			r.Flume = "Another"
		}
	}
	if now, _ := os.ReadFile(filepath.Join(dir, "commissioning-2026-11-25.html")); len(first) == 0 || !bytes.Equal(first, now) {
		t.Error("the first was written over")
	}
	if _, _, err := commission.SaveReport(dir, r, installed.AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	got := commission.Reports(dir)
	if len(got) != 12 || got[0] != "commissioning-2026-11-26" || got[1] != "commissioning-2026-11-25-11" || got[2] != "commissioning-2026-11-25-10" || got[11] != "commissioning-2026-11-25" {
		t.Errorf("their order is %v", got)
	}
	text, err := os.ReadFile(filepath.Join(dir, "commissioning-2026-11-25.json"))
	if err != nil {
		t.Fatal(err)
	}
	var back struct {
		SafetyPassed bool     `json:"safety_passed"`
		Missing      []string `json:"missing"`
		Flume        string
		Parts        map[string]commission.Done
	}
	if err := json.Unmarshal(text, &back); err != nil || back.SafetyPassed || len(back.Missing) != 1 || back.Flume != "Otterford Mill" || len(back.Parts) != len(commission.Parts()) {
		t.Errorf("the JSON beside it says %+v, %v", back, err)
	}
}
