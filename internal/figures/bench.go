package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
)

// results are what benchmarks reported: one entry for each, by the unit.
type results []map[string]float64

// worst is the greatest value of a unit; not a number where nobody reported it, which meets no goal.
func (r results) worst(unit string) float64 {
	worst := math.NaN()
	for _, one := range r {
		if v, ok := one[unit]; ok && !(v <= worst) {
			worst = v
		}
	}
	return worst
}

// benchmark runs the benchmark of a row, at the service's priority (round-robin 20, deploy/systemd) where it is asked for and can be had.
func benchmark(r row) (results, error) {
	args := []string{"go", "test", "-run", "^$", "-bench", r.bench, "-benchmem", "-timeout", "20m"}
	if r.benchtime != "" {
		args = append(args, "-benchtime", r.benchtime)
	}
	if r.urgent && os.Geteuid() == 0 {
		args = append(args, "-exec", "chrt -r 20")
	}
	text, err := exec.Command(args[0], append(args[1:], "./internal/"+r.pkg)...).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("%s failed: %w: %s", r.bench, err, last(string(text)))
	}
	got := parse(string(text))
	if len(got) == 0 {
		return nil, fmt.Errorf("%s measured nothing: %s", r.bench, last(string(text)))
	}
	return got, nil
}

// parse reads the output of go test -bench: a name, how often, then values with their units.
func parse(text string) (out results) {
	for line := range strings.Lines(text) {
		f := strings.Fields(line)
		if len(f) < 4 || !strings.HasPrefix(f[0], "Benchmark") {
			continue
		}
		one := map[string]float64{}
		for i := 2; i+1 < len(f); i += 2 {
			if v, err := strconv.ParseFloat(f[i], 64); err == nil {
				one[f[i+1]] = v
			}
		}
		out = append(out, one)
	}
	return out
}

// last is the last line that says something.
func last(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return lines[len(lines)-1]
}
