// Command figures measures what the program has to be good at, and prints a table: the goal beside the figure, and the yardstick of the same run beside
// both. It runs the benchmarks of the other rooms, and the program itself. "make bench" is short for it.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"
)

// row is a line of the table.
type row struct {
	what, goal string
	pkg        string   // of the benchmark, below internal/
	bench      string   // its pattern
	benchtime  string   // go test -benchtime; "" for its default
	urgent     bool     // at the priority that the service has
	read       reading  // what the results say
	measure    measured // in place of a benchmark
}

type reading func(results) (figure, yardstick string, met bool)
type measured func(program string) (figure, yardstick string, met bool, err error)

// us is a time that was reported in microseconds, in a unit that reads well.
func us(v float64) string {
	return (time.Duration(v*1e3) * time.Nanosecond).Round(time.Microsecond).String()
}

func ns(v float64) string {
	d := time.Duration(v)
	switch {
	case d < 10*time.Microsecond:
		return d.String()
	case d < 10*time.Millisecond:
		return d.Round(time.Microsecond).String()
	}
	return d.Round(time.Millisecond).String()
}

// within reads one benchmark's time and allocations against limits; of several, the worst counts.
func within(limit time.Duration, allocs float64) reading {
	return func(r results) (string, string, bool) {
		worst, most := r.worst("ns/op"), r.worst("allocs/op")
		figure := ns(worst)
		if allocs >= 0 {
			figure += fmt.Sprintf(", %g allocations", most)
		}
		return figure, "", worst <= float64(limit) && (allocs < 0 || most <= allocs)
	}
}

var rows = []row{
	{what: "one change of speed planned", goal: "100 ns, 0 allocations", pkg: "ramp", bench: "^BenchmarkChange$", read: within(100*time.Nanosecond, 0)},
	{what: "profile of 1,000 blocks", goal: "1 ms", pkg: "ramp", bench: "^BenchmarkProfile$/^1000_", read: within(time.Millisecond, -1)},
	{what: "profile of 10,000 blocks: linear", goal: "10 ms", pkg: "ramp", bench: "^BenchmarkProfile$/^10000_", read: within(10*time.Millisecond, -1)},
	{what: "position on the profile, in sequence", goal: "15 ns, 0 allocations", pkg: "ramp", bench: "^BenchmarkPositionInSequence$", read: within(15*time.Nanosecond, 0)},
	{what: "rehearsal of one hour", goal: "50 ms", pkg: "rehearse", bench: "^BenchmarkHour$", read: within(50*time.Millisecond, -1)},
	{what: "steady tick", goal: "0 allocations", pkg: "sequencer", bench: "^BenchmarkTick$", read: within(time.Millisecond, 0)},
	{what: "tick lateness p99.9, one core, real-time priority", goal: "2 × cyclictest", pkg: "panel", bench: "^BenchmarkOneCore$/^realtime$/^alone$", benchtime: "1x",
		read: func(r results) (string, string, bool) {
			t, c := r.worst("tick_p99.9_µs"), r.worst("cyclictest_p99.9_µs")
			return us(t), "cyclictest " + us(c), t <= 2*c
		}},
	{what: "the same with 200 streams and 50 requests a second", goal: "1.5 × without them", pkg: "panel", bench: "^BenchmarkOneCore$/^realtime$/^200", benchtime: "1x",
		read: func(r results) (string, string, bool) {
			t, c := r.worst("tick_p99.9_µs"), r.worst("cyclictest_p99.9_µs")
			return us(t), "cyclictest " + us(c), t <= 1.5*lateAlone
		}},
	{what: "stop, edge to write, p99, idle", goal: "300 µs", pkg: "wall", bench: "^BenchmarkStopEdge$/^idle$", benchtime: "3000x", urgent: true,
		read: func(r results) (string, string, bool) {
			t, c := r.worst("wall-p99-µs"), r.worst("bare-p99-µs")
			return us(t), "bare loop " + us(c), t <= 300
		}},
	{what: "stop, edge to write, p99, all cores loaded", goal: "2 × a bare loop", pkg: "wall", bench: "^BenchmarkStopEdge$/^loaded$", benchtime: "3000x", urgent: true,
		read: func(r results) (string, string, bool) {
			t, c := r.worst("wall-p99-µs"), r.worst("bare-p99-µs")
			return us(t), "bare loop " + us(c), t <= 2*c
		}},
	{what: "stop on a serial line, 19200 baud, p99", goal: "25 ms", pkg: "drive/serial", bench: "^BenchmarkStop$/^answering$", benchtime: "300x", urgent: true,
		read: func(r results) (string, string, bool) {
			t := r.worst("ms/p99")
			return fmt.Sprintf("%.1f ms (worst %.1f)", t, r.worst("ms/max")), "", t <= 25
		}},
	{what: "the same, the drive silent, p99", goal: "55 ms: its time-out and 15 ms", pkg: "drive/serial", bench: "^BenchmarkStop$/^silent$", benchtime: "300x", urgent: true,
		read: func(r results) (string, string, bool) {
			t := r.worst("ms/p99")
			return fmt.Sprintf("%.1f ms (worst %.1f)", t, r.worst("ms/max")), "", t <= 55
		}},
	{what: "one tick's exchange at 19200 baud, p50", goal: "50 ms", pkg: "drive/serial", bench: "^BenchmarkTick$/^velocity$", benchtime: "200x", urgent: true,
		read: func(r results) (string, string, bool) {
			t := r.worst("ms/p50")
			return fmt.Sprintf("%.1f ms", t), fmt.Sprintf("wire alone %.1f ms", r.worst("ms/bare-wire")), t <= 50
		}},
	{what: "daemon at rest: resident", goal: "20 MiB", measure: restMemory},
	{what: "daemon at rest: processor", goal: "0.5 % of a core", measure: restProcessor},
	{what: "daemon ready after", goal: "150 ms", measure: readyAfter},
	{what: "24 hours swum in simulation: memory", goal: "flat, but for the store's page cache", measure: dayOfSwimming},
}

// lateAlone is the lateness without load, in microseconds, which the row after it is held to.
var lateAlone float64

func main() {
	only := flag.String("only", "", "only rows whose name has this in it")
	out := flag.String("out", "", "write the table to this file too")
	flag.Parse()
	if err := run(*only, *out); err != nil {
		fmt.Fprintln(os.Stderr, "figures:", err)
		os.Exit(1)
	}
}

func run(only, out string) error {
	dir, err := os.MkdirTemp("", "figures")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	program := dir + "/sequencerd"
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, "./cmd/sequencerd")
	build.Env = append(os.Environ(), "CGO_ENABLED=0") // as the packages are built: with C, a library of C's is mapped too
	if text, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("%w\n%s", err, text)
	}
	var table strings.Builder
	w := io.MultiWriter(os.Stdout, &table)
	fmt.Fprintf(w, "# Figures\n\nMeasured on %s, %s/%s, %d cores, %s, load %s, by `make bench`. Goals are at most.\n\n", time.Now().Format(time.DateOnly), runtime.GOOS, runtime.GOARCH,
		runtime.NumCPU(), runtime.Version(), load())
	fmt.Fprint(w, "| what | goal | figure | yardstick, same run | |\n|---|---|---|---|---|\n")
	for _, r := range rows {
		if !strings.Contains(r.what, only) {
			continue
		}
		figure, yardstick, met, err := r.take(program)
		said := map[bool]string{true: "met", false: "MISSED"}[met]
		if err != nil {
			figure, said = err.Error(), "NOT MEASURED"
		}
		fmt.Fprintf(w, "| %s | %s | %s | %s | %s |\n", r.what, r.goal, figure, yardstick, said)
	}
	if out == "" {
		return nil
	}
	return os.WriteFile(out, []byte(table.String()), 0o644)
}

func (r row) take(program string) (string, string, bool, error) {
	if r.measure != nil {
		return r.measure(program)
	}
	got, err := benchmark(r)
	if err != nil {
		return "", "", false, err
	}
	figure, yardstick, met := r.read(got)
	if strings.HasPrefix(r.what, "tick lateness") {
		lateAlone = got.worst("tick_p99.9_µs")
	}
	return figure, yardstick, met, nil
}

// load is the load average, which says whether anything else was going on.
func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Fields(string(text))[0]
}
