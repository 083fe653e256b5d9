package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Sessions that nobody has seen, on flumes that nobody has built.

// writer makes session texts. Its paces are those of the flume: most can be swum there, some cannot.
type writer struct {
	*rapid.T
	text       strings.Builder
	yards      bool
	threshold  float64 // s per 100 of the unit; 0 for none
	slow, fast float64 // s per 100 of the unit
	depth      int
	byDistance bool // nothing but distances and rests
}

func (w *writer) chance(percent int, what string) bool {
	return rapid.IntRange(1, 100).Draw(w.T, what) <= percent
}

func (w *writer) time(least, most int, what string) string {
	s := rapid.IntRange(least*10, most*10).Draw(w.T, what)
	if s%10 == 0 || w.chance(70, "whole") {
		return fmt.Sprintf("%d:%02d", s/600, s/10%60)
	}
	return fmt.Sprintf("%d:%02d.%d", s/600, s/10%60, s%10)
}

func (w *writer) pace() string {
	one := func() string {
		s := rapid.Float64Range(w.fast, w.slow).Draw(w.T, "pace")
		if w.threshold > 0 && w.chance(40, "relative") {
			return fmt.Sprintf("threshold%+.1f", math.Round((s-w.threshold)*10)/10)
		}
		text := fmt.Sprintf("%d:%02d", int(s)/60, int(s)%60)
		if w.chance(20, "other unit") {
			return text + map[bool]string{true: "/100m", false: "/100yd"}[w.yards]
		}
		return text
	}
	if w.chance(25, "two paces") {
		return one() + " to " + one()
	}
	return one()
}

func (w *writer) steps(header string, most int) {
	for range rapid.IntRange(1, most).Draw(w.T, "steps") {
		fmt.Fprintf(&w.text, "\n[[%s]]\n", header)
		if w.chance(40, "named") {
			fmt.Fprintf(&w.text, "name = %q\n", rapid.SampledFrom([]string{"Slow", "Überzug", "A \"quoted\" name", "100s"}).Draw(w.T, "name"))
		}
		if w.chance(30, "of a kind") {
			fmt.Fprintf(&w.text, "kind = %q\n", rapid.SampledFrom([]string{"warm-up", "main", "drill", "recovery", "cool-down"}).Draw(w.T, "kind"))
		}
		if w.depth < 2 && w.chance(30, "group") {
			w.group(header)
			continue
		}
		w.stretch()
	}
}

func (w *writer) group(header string) {
	repeat := rapid.IntRange(1, 3).Draw(w.T, "repeat")
	fmt.Fprintf(&w.text, "repeat = %d\n", repeat)
	if w.chance(30, "send-off") {
		least := 600 >> w.depth // s; now and then too short for its round
		fmt.Fprintf(&w.text, "send_off = %q\n", w.time(least, 3*least, "send-off"))
	}
	if w.chance(30, "descend") {
		fmt.Fprintf(&w.text, "descend_s = %.1f\n", rapid.Float64Range(0.5, 3).Draw(w.T, "descend"))
	}
	w.depth++
	w.steps(header+".step", 3)
	w.depth--
}

func (w *writer) stretch() {
	kind := rapid.IntRange(0, 9).Draw(w.T, "extent")
	switch {
	case kind < 2:
		fmt.Fprintf(&w.text, "rest = %q\n", w.time(1, 60, "rest"))
		return
	case kind < 6 || w.byDistance:
		d := rapid.Float64Range(10, 100).Draw(w.T, "distance")
		if w.chance(80, "whole") {
			d = math.Round(d)
		}
		fmt.Fprintf(&w.text, "distance = %s\n", strconv.FormatFloat(d, 'f', -1, 64))
	case kind < 8:
		fmt.Fprintf(&w.text, "time = %q\n", w.time(1, 90, "time"))
	case kind < 9:
		w.text.WriteString("open = true\n")
		if w.chance(50, "capped") {
			fmt.Fprintf(&w.text, "cap = %q\n", w.time(5, 120, "cap"))
		}
	default:
		w.text.WriteString("rest = \"open\"\n")
		if w.chance(50, "capped") {
			fmt.Fprintf(&w.text, "cap = %q\n", w.time(5, 120, "cap"))
		}
		return
	}
	if w.chance(15, "speed") {
		unit := 1.0
		if w.yards {
			unit = metresPerYard
		}
		v := rapid.Float64Range(100*unit/w.slow, 100*unit/w.fast).Draw(w.T, "speed")
		fmt.Fprintf(&w.text, "speed_mps = %.3f\n", v)
		return
	}
	fmt.Fprintf(&w.text, "pace = %q\n", w.pace())
}

// configure makes a configuration, and the flume that it promises. An exact one has a plant that is equal to its model.
func configure(t *rapid.T, exact bool) (string, flume, float64) {
	f := flume{relief: 1, plantSlack: 0.12}
	number := func(what string, low, high float64, digits int) float64 {
		v, _ := strconv.ParseFloat(strconv.FormatFloat(rapid.Float64Range(low, high).Draw(t, what), 'f', digits, 64), 64)
		return v
	}
	f.accel, f.decel, f.jerk = number("accel", 0.03, 0.4, 3), number("decel", 0.03, 0.4, 3), number("jerk", 0.02, 0.5, 3)
	f.maxRPM = number("max rpm", 1000, 3000, 0)
	top, inertia := number("top", 1.1, 1.7, 2), number("inertia", 0.5, 6, 2)
	reach := top + 0.25 // at max_rpm
	motorRamp := rapid.SampledFrom([]float64{0, 150, 600, 5000}).Draw(t, "motor ramp")
	minRPM := number("min rpm", 0, 0.12*f.maxRPM, 0)
	speedError, inertiaError, noise := 0., 0., 0.
	if !exact {
		speedError, inertiaError, noise = number("speed error", -6, 6, 1), number("inertia error", -10, 10, 1), number("noise", 0, 2, 1)
	} else {
		motorRamp, minRPM = 0, 0
	}
	// the simulated plant bends its curve by up to a half more than its speed error
	f.plantError = (1.5*math.Abs(speedError)+noise)/100 + 0.005
	text := fmt.Sprintf(`[flume]
name = "A flume"
top_speed_mps = %v
inertia_m = %v
[ramp]
accel_mps2 = %v
decel_mps2 = %v
jerk_mps3 = %v
[drive]
min_rpm = %v
max_rpm = %v
accel_rpm_per_s = %v
[drive.simulated]
speed_error_percent = %v
inertia_error_percent = %v
noise_percent = %v
dead_time = %q
seed = %d
[safety]
longest_swim = "12h"
[water]
rpm = [%v, %v]
speed_mps = [%v, %v]
`, top, inertia, f.accel, f.decel, f.jerk, minRPM, f.maxRPM, motorRamp, speedError, inertiaError, noise,
		map[bool]string{true: "0s", false: "60ms"}[exact], rapid.IntRange(0, 1000).Draw(t, "seed"), f.maxRPM/2, f.maxRPM, reach*0.49, reach)
	return text, f, top
}

// someSession writes a session for a flume with that top speed.
func someSession(t *rapid.T, top float64, byDistance bool) (text string, args []string, threshold float64) {
	w := &writer{T: t, yards: rapid.Bool().Draw(t, "yards"), byDistance: byDistance}
	unit, metre := "m", 1.0
	if w.yards {
		unit, metre = "yd", metresPerYard
	}
	w.fast, w.slow = 100*metre/(top*0.92), 100*metre/0.35
	if w.chance(50, "threshold") {
		w.threshold = float64(rapid.IntRange(85, 140).Draw(t, "threshold"))
		// relative paces end at threshold±120
		w.slow = min(w.slow, w.threshold+119)
		args = []string{"--threshold", fmt.Sprintf("%d:%02d", int(w.threshold)/60, int(w.threshold)%60)} // bare: per 100 of the session's unit
		threshold = w.threshold / metre
	}
	fmt.Fprintf(&w.text, "format = 1\ntitle = \"Some session\"\nunit = %q\n", unit)
	w.steps("step", 3)
	return w.text.String(), args, threshold
}

var placed = regexp.MustCompile(`^[^:\n]+:[1-9][0-9]*:[1-9][0-9]*: .+`)

func TestAnySessionOnAnyFlumeKeepsTheContract(t *testing.T) {
	dir := t.TempDir()
	var swum, refused atomic.Int64
	var sizes [4]atomic.Int64
	rapid.Check(t, func(t *rapid.T) {
		conf, f, top := configure(t, false)
		text, args, threshold := someSession(t, top, false)
		session, config := filepath.Join(dir, "session.toml"), filepath.Join(dir, "flume.toml")
		write(t, session, text)
		write(t, config, conf)
		step := rapid.SampledFrom([]time.Duration{50 * time.Millisecond, 70 * time.Millisecond, 250 * time.Millisecond}).Draw(t, "step")
		args = append([]string{"--config", config, session}, args...)
		code, jsonText, errs := rehearsed(t, append(args, "--json")...)
		if code != 0 {
			refused.Add(1)
			if code != 1 || jsonText != "" {
				t.Fatalf("refused with %d and on stdout %q", code, jsonText)
			}
			for _, line := range strings.Split(strings.TrimSpace(errs), "\n") {
				if !placed.MatchString(line) || !strings.HasPrefix(line, session) {
					t.Fatalf("refused without a place: %q", line)
				}
			}
			return
		}
		swum.Add(1)
		code, csvText, errs := rehearsed(t, append(args, "--csv", "--step", step.String())...)
		if code != 0 || errs != "" {
			t.Fatalf("--csv ends with %d: %s", code, errs)
		}
		o, s := readAsOutsider(t, text, threshold)
		r := readJSON(t, jsonText)
		sizes[min(len(r.Blocks)/5, 3)].Add(1)
		checkRehearsal(t, r, o, s, f)
		rows := readCSV(t, csvText)
		checkCurve(t, rows, r, f, step)
		checkWater(t, rows, r, f, step.Seconds())
	})
	if 4*swum.Load() < swum.Load()+refused.Load() {
		t.Errorf("%d sessions were swum, %d refused: too few to say anything", swum.Load(), refused.Load())
	}
	t.Logf("%d swum, %d refused; blocks 0-4: %d, 5-9: %d, 10-14: %d, more: %d", swum.Load(), refused.Load(), sizes[0].Load(), sizes[1].Load(), sizes[2].Load(), sizes[3].Load())
}

// Where motor and water are as the model says, what is delivered is what was asked to 0.2 %, rests included.
func TestAPlantEqualToItsModelDeliversTheDistance(t *testing.T) {
	dir := t.TempDir()
	var tried, swum atomic.Int64
	rapid.Check(t, func(t *rapid.T) {
		tried.Add(1)
		conf, _, top := configure(t, true)
		text, args, _ := someSession(t, top, true)
		session, config := filepath.Join(dir, "session.toml"), filepath.Join(dir, "flume.toml")
		write(t, session, text)
		write(t, config, conf)
		code, out, _ := rehearsed(t, append(args, "--config", config, session, "--json")...)
		if code != 0 {
			return
		}
		r := readJSON(t, out)
		if r.TotalM < 20 {
			return // nothing but rests, or nearly
		}
		swum.Add(1)
		if len(r.Warnings) > 0 && r.Warnings[len(r.Warnings)-1].Code == "longest-swim" {
			t.Fatalf("too long a session: %v s", r.TotalS)
		}
		if off := math.Abs(r.Simulated.TotalM/r.TotalM - 1); off > 0.002 {
			t.Fatalf("planned %v m, delivered %v m: %.2f %% off", r.TotalM, r.Simulated.TotalM, 100*off)
		}
	})
	if 4*swum.Load() < tried.Load() {
		t.Errorf("only %d of %d sessions were swum", swum.Load(), tried.Load())
	}
}

func rehearsed(t tester, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	return typed(t, append([]string{"rehearse"}, args...)...)
}

func write(t tester, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatalf("%v", err)
	}
}
