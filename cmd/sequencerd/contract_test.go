package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// What rehearse --json and --csv promise to other tools, checked as one of those tools would read them.

type jsonBlock struct {
	Index    int      `json:"index"`
	Name     string   `json:"name"`
	Kind     string   `json:"kind"`
	Round    int      `json:"round"`
	Of       int      `json:"of"`
	StartS   float64  `json:"start_s"`
	DurS     float64  `json:"duration_s"`
	DistM    float64  `json:"distance_m"`
	AskedS   float64  `json:"asked_s"`
	AskedM   float64  `json:"asked_m"`
	From     float64  `json:"from_mps"`
	To       float64  `json:"to_mps"`
	End      float64  `json:"end_mps"`
	Pace     *float64 `json:"pace_s_per_100m"`
	PaceText *string  `json:"pace_text"`
	Reached  bool     `json:"reached"`
	RampS    float64  `json:"ramp_s"`
	RampM    float64  `json:"ramp_m"`
	AtPaceS  float64  `json:"at_pace_s"`
	AtPaceM  float64  `json:"at_pace_m"`
}

type jsonRehearsal struct {
	Title     string      `json:"title"`
	Unit      string      `json:"unit"`
	Swimmer   string      `json:"swimmer"`
	Threshold *float64    `json:"threshold_s_per_100m"`
	Blocks    []jsonBlock `json:"blocks"`
	TotalS    float64     `json:"total_s"`
	TotalM    float64     `json:"total_m"`
	RunoutS   float64     `json:"runout_s"`
	RunoutM   float64     `json:"runout_m"`
	Accel     float64     `json:"peak_accel_mps2"`
	Decel     float64     `json:"peak_decel_mps2"`
	Jerk      float64     `json:"peak_jerk_mps3"`
	RPM       float64     `json:"peak_rpm"`
	Simulated struct {
		TotalM  float64 `json:"total_m"`
		Worst   float64 `json:"worst_speed_error_mps"`
		Stopped string  `json:"stopped"` // added: what ended it before its last block
	} `json:"simulated"`
	Asks     []float64 `json:"asks_attention_at_s"`
	Warnings []struct {
		Code  string `json:"code"`
		Block int    `json:"block"`
		Text  string `json:"text"`
	} `json:"warnings"`
}

var (
	topKeys   = strings.Fields("title unit swimmer threshold_s_per_100m blocks total_s total_m runout_s runout_m peak_accel_mps2 peak_decel_mps2 peak_jerk_mps3 peak_rpm simulated asks_attention_at_s warnings")
	blockKeys = strings.Fields("index name kind round of start_s duration_s distance_m asked_s asked_m from_mps to_mps end_mps pace_s_per_100m pace_text reached ramp_s ramp_m at_pace_s at_pace_m")
	csvHeader = strings.Fields("t_s block speed_mps accel_mps2 distance_m rpm water_mps")
)

// flume is what a checker has to know of the configuration.
type flume struct {
	accel, decel, jerk, relief float64
	maxRPM                     float64
	plantError                 float64 // the most that the simulated water may be off its calibration, as a fraction
	plantSlack                 float64 // m/s: and beside that, while it changes
}

// defaultFlume is config/sequencerd.toml.
var defaultFlume = flume{accel: 0.10, decel: 0.12, jerk: 0.10, relief: 1, maxRPM: 1500, plantError: 0.055, plantSlack: 0.05}

// tester is what both *testing.T and *rapid.T are.
type tester interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

func near(a, b, within float64) bool { return math.Abs(a-b) <= within }

// readJSON decodes twice: into maps, for which keys there are, and into the structs above, which refuse a value of another type.
func readJSON(t tester, text string) jsonRehearsal {
	t.Helper()
	var keys struct {
		All    map[string]json.RawMessage
		Blocks []map[string]json.RawMessage
	}
	if err := json.Unmarshal([]byte(text), &keys.All); err != nil {
		t.Fatalf("no JSON: %v", err)
	}
	for _, k := range topKeys {
		if _, ok := keys.All[k]; !ok {
			t.Errorf("key %q is missing", k)
		}
	}
	if err := json.Unmarshal(keys.All["blocks"], &keys.Blocks); err != nil {
		t.Fatalf("blocks: %v", err)
	}
	for i, b := range keys.Blocks {
		for _, k := range blockKeys {
			if _, ok := b[k]; !ok {
				t.Errorf("block %d: key %q is missing", i, k)
			}
		}
	}
	for _, list := range []string{"blocks", "asks_attention_at_s", "warnings"} {
		if string(keys.All[list]) == "null" {
			t.Errorf("%s is null where a list is promised", list)
		}
	}
	var r jsonRehearsal
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		t.Fatalf("a value of another type: %v", err)
	}
	return r
}

func checkRehearsal(t tester, r jsonRehearsal, o *outsider, s outsideSession, f flume) {
	t.Helper()
	if r.Title != s.Title {
		t.Errorf("title %q, want %q", r.Title, s.Title)
	}
	if want := s.Unit; want != "" && r.Unit != want {
		t.Errorf("unit %q, want %q", r.Unit, want)
	}
	if len(r.Blocks) != len(o.blocks) {
		t.Fatalf("%d blocks, want %d", len(r.Blocks), len(o.blocks))
	}
	var time, length float64
	for i, b := range r.Blocks {
		if b.Index != i {
			t.Errorf("block %d has index %d", i, b.Index)
		}
		if !near(b.StartS, time, 1e-6) {
			t.Errorf("block %d starts at %v, the one before ends at %v", i, b.StartS, time)
		}
		time += b.DurS
		length += b.DistM
		checkBlock(t, b, o.blocks[i])
	}
	if !near(r.TotalS, time, 1e-6) || !near(r.TotalM, length, 1e-6) {
		t.Errorf("blocks add up to %v s, %v m; total %v s, %v m", time, length, r.TotalS, r.TotalM)
	}
	for _, round := range o.rounds {
		end := r.TotalS
		if round.next < len(r.Blocks) {
			end = r.Blocks[round.next].StartS
		}
		if took := end - r.Blocks[round.first].StartS; took < round.every-1e-6 || round.alone && !near(took, round.every, 1e-5) {
			t.Errorf("the round from block %d on takes %v s, its send-off is %v s", round.first, took, round.every)
		}
	}
	checkSummary(t, r, f)
}

func checkBlock(t tester, b jsonBlock, w wanted) {
	t.Helper()
	at := fmt.Sprintf("block %d (%s)", b.Index, b.Name)
	if w.name != "" && b.Name != w.name || b.Name == "" {
		t.Errorf("%s: name %q, want %q", at, b.Name, w.name)
	}
	if w.kind != "" && b.Kind != w.kind {
		t.Errorf("%s: kind %q, want %q", at, b.Kind, w.kind)
	}
	if b.Round != w.round || b.Of != w.of {
		t.Errorf("%s: round %d of %d, want %d of %d", at, b.Round, b.Of, w.round, w.of)
	}
	mean := (w.from + w.to) / 2
	if !near(b.From, w.from, 1e-9) || !near(b.To, w.to, 1e-9) {
		t.Errorf("%s: from %v to %v m/s, want %v to %v", at, b.From, b.To, w.from, w.to)
	}
	switch {
	case w.rest:
		if b.Pace != nil {
			t.Errorf("%s: a rest with a pace of %v", at, *b.Pace)
		}
		if b.AskedM != 0 {
			t.Errorf("%s: a rest asks %v m", at, b.AskedM)
		}
	case b.Pace == nil || b.PaceText == nil || *b.PaceText == "":
		t.Errorf("%s: no pace", at)
	case !near(*b.Pace, 100/mean, 1e-6):
		t.Errorf("%s: pace %v, want %v", at, *b.Pace, 100/mean)
	}
	switch {
	case w.metres > 0:
		if !near(b.DistM, w.metres, 1e-3) || !near(b.AskedM, w.metres, 1e-9) || !near(b.AskedS, w.metres/mean, 1e-6) {
			t.Errorf("%s: %v m, asked %v m in %v s; want %v m in %v s", at, b.DistM, b.AskedM, b.AskedS, w.metres, w.metres/mean)
		}
	case w.timed > 0:
		if !near(b.DurS, w.timed, 2e-9) || !near(b.AskedS, w.timed, 2e-9) || !near(b.AskedM, mean*w.timed, 1e-6) {
			t.Errorf("%s: lasts %v s, asked %v s and %v m; want %v s and %v m", at, b.DurS, b.AskedS, b.AskedM, w.timed, mean*w.timed)
		}
	}
	if b.RampS < 0 || b.AtPaceS < -1e-9 || b.RampM < 0 || b.AtPaceM < -1e-9 || !near(b.RampS+b.AtPaceS, b.DurS, 1e-8) || !near(b.RampM+b.AtPaceM, b.DistM, 1e-8) {
		t.Errorf("%s: ramp %v s, %v m and at pace %v s, %v m are not its %v s, %v m", at, b.RampS, b.RampM, b.AtPaceS, b.AtPaceM, b.DurS, b.DistM)
	}
	if b.DurS < 0 || b.DistM < 0 || b.End < 0 {
		t.Errorf("%s: less than nothing: %+v", at, b)
	}
	if b.Reached && !w.rest && !near(b.End, w.to, 1e-5) {
		t.Errorf("%s: reached, but it ends at %v m/s, not %v", at, b.End, w.to)
	}
	if !b.Reached && !w.rest && near(b.End, w.to, 1e-13) && w.from == w.to { // in time is within a microsecond: the last of a gentle approach is less than a hair
		t.Errorf("%s: ends at its %v m/s, and is said not to reach it", at, w.to)
	}
}

// late reports whether it was told that the motor cannot follow: then the water is behind the plan, by no certain amount.
func (r *jsonRehearsal) late() bool {
	for _, w := range r.Warnings {
		if w.Code == "motor-ramp" {
			return true
		}
	}
	return false
}

func checkSummary(t tester, r jsonRehearsal, f flume) {
	t.Helper()
	if r.Accel > f.accel+1e-9 || r.Decel > f.decel+1e-9 || r.Jerk > f.relief+1e-9 || r.RPM > f.maxRPM*(1+1e-9) {
		t.Errorf("peaks: %v, %v m/s², %v m/s³, %v rpm; limits %+v", r.Accel, r.Decel, r.Jerk, r.RPM, f)
	}
	if r.RunoutS < 0 || r.RunoutM < 0 || r.RunoutS > 0 && r.RunoutM == 0 {
		t.Errorf("runout of %v s and %v m", r.RunoutS, r.RunoutM)
	}
	late := r.late()
	if slack := f.plantError*r.TotalM + f.plantSlack*(r.TotalS/20+10); !late && !near(r.Simulated.TotalM, r.TotalM, slack) {
		t.Errorf("simulated %v m, planned %v m", r.Simulated.TotalM, r.TotalM)
	}
	if w := r.Simulated.Worst; w < 0 || !late && w > 0.5 {
		t.Errorf("worst speed error %v m/s", w)
	}
	if !slices.IsSorted(r.Asks) {
		t.Errorf("asks for attention at %v", r.Asks)
	}
	for _, w := range r.Warnings {
		if w.Code == "" || w.Text == "" || w.Block < -1 || w.Block >= len(r.Blocks) {
			t.Errorf("warning %+v", w)
		}
	}
}

// row is one row of the CSV.
type row struct {
	t, v, a, x, rpm, water float64
	block                  int
}

func readCSV(t tester, text string) (rows []row) {
	t.Helper()
	in := csv.NewReader(strings.NewReader(text))
	in.ReuseRecord = true
	header, err := in.Read()
	if err != nil || !slices.Equal(header, csvHeader) {
		t.Fatalf("header %q, %v; want %q", header, err, csvHeader)
	}
	for {
		cells, err := in.Read()
		if err == io.EOF {
			return rows
		}
		if err != nil {
			t.Fatalf("no CSV: %v", err)
		}
		var n [7]float64
		for c, cell := range cells {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("row %d, %s: %q is no number", len(rows), csvHeader[c], cell)
			}
			if significant(cell) > 9 {
				t.Fatalf("row %d, %s: %q has more than 9 significant digits", len(rows), csvHeader[c], cell)
			}
			n[c] = v
		}
		rows = append(rows, row{t: n[0], block: int(n[1]), v: n[2], a: n[3], x: n[4], rpm: n[5], water: n[6]})
	}
}

// significant counts the digits of a number as it is written, without the zeros that lead it.
func significant(number string) (n int) {
	for _, c := range number {
		switch {
		case c == 'e':
			return n
		case c >= '1' && c <= '9', c == '0' && n > 0:
			n++
		}
	}
	return n
}

// digits9 is what 9 significant digits leave open of a number.
func digits9(v float64) float64 { return 1e-8*math.Abs(v) + 1e-12 }

func checkCurve(t tester, rows []row, r jsonRehearsal, f flume, step time.Duration) {
	t.Helper()
	if len(rows) == 0 {
		t.Fatalf("no rows")
	}
	dt := step.Seconds()
	if n := int(math.Floor(r.TotalS/dt+1e-9)) + 1; len(rows) != n {
		t.Errorf("%d rows, want %d: from 0 to %v s", len(rows), n, r.TotalS)
	}
	if rows[0].t != 0 || rows[0].x != 0 {
		t.Errorf("begins at %v s, %v m", rows[0].t, rows[0].x)
	}
	for i, now := range rows {
		if !near(now.t, float64(i)*dt, digits9(now.t)) {
			t.Fatalf("row %d is at %v s, want %v", i, now.t, float64(i)*dt)
		}
		b := r.Blocks[min(max(now.block, 0), len(r.Blocks)-1)]
		if b.Index != now.block || now.t < b.StartS-1e-6-digits9(now.t) || now.t > b.StartS+b.DurS+1e-6+digits9(now.t) {
			t.Fatalf("at %v s block %d is said, which is from %v to %v s", now.t, now.block, b.StartS, b.StartS+b.DurS)
		}
		if now.v < 0 || now.x < 0 || now.rpm < 0 || now.water < 0 || now.rpm > f.maxRPM*(1+1e-9) {
			t.Fatalf("row %d: %+v", i, now)
		}
		if now.a > f.accel+1e-8 || now.a < -f.decel-1e-8 {
			t.Fatalf("at %v s an accel of %v m/s²", now.t, now.a)
		}
		if i > 0 {
			checkDifference(t, rows[i-1], now, b, f, dt)
		}
	}
	if last := rows[len(rows)-1]; r.TotalM-last.x < -1e-5 || r.TotalM-last.x > dt*(last.v+f.accel*dt)+1e-5 {
		t.Errorf("ends at %v m, total %v m", last.x, r.TotalM)
	}
}

// checkDifference looks at two rows. Over a piece of constant jerk the integral of the speed is the trapezoid less (a1−a0)·dt²/12, exactly; where
// the jerk changes between the two rows it is off by less than the change of jerk times dt³.
func checkDifference(t tester, was, now row, b jsonBlock, f flume, dt float64) {
	t.Helper()
	x := was.x + (was.v+now.v)/2*dt - (now.a-was.a)*dt*dt/12
	if !near(now.x, x, (f.relief+f.jerk)*dt*dt*dt+2*digits9(now.x)+dt*digits9(now.v)) {
		t.Fatalf("at %v s: %v m, the integral of the speed is %v m", now.t, now.x, x)
	}
	fuzz := 2 * digits9(math.Max(now.v, was.v)) / dt
	if d := (now.v - was.v) / dt; d > f.accel+fuzz || d < -f.decel-fuzz {
		t.Fatalf("at %v s the speed changes by %v m/s²", now.t, d)
	}
	fuzz = 2*digits9(math.Max(math.Abs(now.a), math.Abs(was.a)))/dt + 1e-7
	switch j := (now.a - was.a) / dt; {
	case j > f.jerk+fuzz:
		t.Fatalf("at %v s the accel changes by %v m/s³", now.t, j)
	case j < -f.jerk-fuzz && !(was.a > 0 && now.a >= -f.jerk*dt-1e-8 && j >= -f.relief-fuzz && overshoots(was, b, f, dt)):
		t.Fatalf("at %v s the accel changes by %v m/s³, from %v to %v m/s²", now.t, j, was.a, now.a)
	}
}

// overshoots reports whether the jerk limit alone would carry the speed past what the block wants. Only there a positive accel may be taken away quicker.
func overshoots(was row, b jsonBlock, f flume, dt float64) bool {
	a := was.a + f.jerk*dt // it may still have risen before the block began, between the two rows
	return was.v+was.a*dt+a*a/(2*f.jerk) > min(b.From, b.To)-1e-8
}

// checkWater compares the simulated water with the plan, where the plan has been steady for a while.
func checkWater(t tester, rows []row, r jsonRehearsal, f flume, dt float64) {
	t.Helper()
	if r.late() {
		return
	}
	steady := 0
	for i := 1; i < len(rows); i++ {
		if rows[i].a == 0 && rows[i].v > 0.1 {
			steady++
		} else {
			steady = 0
		}
		if float64(steady)*dt > 30 && !near(rows[i].water, rows[i].v, f.plantError*rows[i].v+f.plantSlack) {
			t.Fatalf("at %v s the simulated water is at %v m/s, planned are %v", rows[i].t, rows[i].water, rows[i].v)
		}
		if math.Abs(rows[i].water-rows[i-1].water)/dt > 2.5 {
			t.Fatalf("at %v s the simulated water jumps from %v to %v m/s", rows[i].t, rows[i-1].water, rows[i].water)
		}
	}
}

func rehearseBoth(t *testing.T, args ...string) (jsonText, csvText string) {
	t.Helper()
	texts := [2]string{}
	for i, form := range []string{"--json", "--csv"} {
		code, out, errs := typed(t, append([]string{"rehearse", form}, args...)...)
		if code != 0 || errs != "" {
			t.Fatalf("rehearse %s %v ends with %d: %s", form, args, code, errs)
		}
		texts[i] = out
	}
	return texts[0], texts[1]
}

func TestEveryDemoKeepsTheContract(t *testing.T) {
	for _, d := range demos(t) {
		for _, who := range []struct {
			args      []string
			name      string
			threshold float64 // s per 100 m
		}{
			{[]string{"--threshold", "1:35/100m"}, "", 95},
			{[]string{"--swimmer", "Jonah Reyes-Birch"}, "Jonah Reyes-Birch", 112},
			{[]string{"--threshold", "1:40/100yd"}, "", 100 / metresPerYard},
		} {
			t.Run(d.name+" "+strings.Join(who.args, " "), func(t *testing.T) {
				jsonText, csvText := rehearseBoth(t, append([]string{d.path}, who.args...)...)
				o, s := readAsOutsider(t, d.text, who.threshold)
				r := readJSON(t, jsonText)
				checkRehearsal(t, r, o, s, defaultFlume)
				if r.Swimmer != who.name {
					t.Errorf("swimmer %q, want %q", r.Swimmer, who.name)
				}
				if r.Threshold == nil || !near(*r.Threshold, who.threshold, 1e-9) {
					t.Errorf("threshold %v, want %v s per 100 m", r.Threshold, who.threshold)
				}
				rows := readCSV(t, csvText)
				checkCurve(t, rows, r, defaultFlume, 50*time.Millisecond)
				checkWater(t, rows, r, defaultFlume, 0.05)
			})
		}
	}
}

// A swim that the simulation does not get to the end of is told of, and the simulated water is not left running.
func TestARehearsalTellsWhatEndsItEarly(t *testing.T) {
	session := file(t, "s.toml", head+"[[step]]\ntime = \"3:00\"\npace = \"2:00\"\n")
	for _, c := range []struct{ conf, code string }{
		{"[safety]\nlongest_swim = \"1m\"\n", "longest-swim"},
		{"[drive.simulated]\nfaults = [\"motor trips at 60 s\"]\n", "drive-fault"},
	} {
		jsonText, csvText := rehearseBoth(t, session, "--config", file(t, "flume.toml", c.conf))
		r, told := readJSON(t, jsonText), 0
		for _, w := range r.Warnings {
			if w.Code == c.code && w.Block == -1 {
				told++
			}
		}
		if told != 1 || r.Simulated.Stopped != c.code {
			t.Errorf("%s is told %d times, %q stopped it: %+v", c.code, told, r.Simulated.Stopped, r.Warnings)
		}
		if m := r.Simulated.TotalM; m < 30 || m > 60 {
			t.Errorf("%s: simulated are %v m of a minute at 2:00", c.code, m)
		}
		rows := readCSV(t, csvText)
		if at := rows[55*20]; at.water < 0.7 || at.rpm < 300 {
			t.Errorf("%s: after 55 s %+v", c.code, at)
		}
		if at := rows[120*20]; at.water > 0.1 || at.rpm != 0 || at.v < 0.8 {
			t.Errorf("%s: after 2 minutes %+v; the plan goes on, the water does not", c.code, at)
		}
	}
}

// What the plan alone can tell is told without a simulation.
func TestTooLongASwimIsToldByCheck(t *testing.T) {
	session := file(t, "s.toml", head+"[[step]]\ntime = \"3:00\"\npace = \"2:00\"\n")
	code, out, _ := typed(t, "check", session, "--config", file(t, "flume.toml", "[safety]\nlongest_swim = \"1m\"\n"))
	if code != 0 || !strings.Contains(out, "[longest-swim]") {
		t.Errorf("ends with %d, %q", code, out)
	}
}

// The person who is asked is taken to answer; the times are listed.
func TestARehearsalListsWhenItAsks(t *testing.T) {
	session := file(t, "s.toml", head+"[[step]]\ntime = \"1:10:00\"\npace = \"2:00\"\n")
	jsonText, _ := rehearseBoth(t, session)
	r := readJSON(t, jsonText)
	// An idle shutoff of 30 minutes is common practice, no source; without a rest it is asked 2 minutes before.
	if len(r.Asks) != 2 || !near(r.Asks[0], 28*60, 1) || !near(r.Asks[1], 56*60, 1) {
		t.Errorf("asks at %v", r.Asks)
	}
}
