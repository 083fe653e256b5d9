package panel

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
)

// BenchmarkOneCore measures how late ticks begin where panel, streams, requests and everybody else have one core between them, at the ordinary priority
// and at the one that the service has (deploy/systemd: round-robin 20). Beside it runs cyclictest, on the same core at the same priority: what the
// kernel itself can do there. It needs root, taskset, chrt and cyclictest, and takes two minutes:
//
//	go test -run '^$' -bench OneCore -benchtime 1x ./internal/panel
func BenchmarkOneCore(b *testing.B) {
	for _, tool := range []string{"taskset", "chrt", "cyclictest"} {
		if _, err := exec.LookPath(tool); err != nil {
			b.Fatalf("%s is missing: apt install util-linux rt-tests", tool)
		}
	}
	for _, priority := range []string{"ordinary", "realtime"} {
		for _, load := range []bool{false, true} {
			name := priority + "/alone"
			if load {
				name = priority + "/200streams50requests"
			}
			b.Run(name, func(b *testing.B) {
				for b.Loop() { // first, as it forgets what was reported
				}
				oneCore(b, priority, load)
			})
		}
	}
}

const (
	oneCoreRole = "PANEL_ONE_CORE" // what a process of this benchmark is: the program, or the load
	oneCoreFor  = 25 * time.Second
	theCore     = "0"
)

func oneCore(b *testing.B, priority string, load bool) {
	urgent := map[string][]string{"ordinary": {"chrt", "-o", "0"}, "realtime": {"chrt", "-r", "20"}}[priority]
	program, lines := oneCoreProcess(b, "program", "", urgent...)
	var base string
	for base == "" && lines.Scan() {
		base, _ = strings.CutPrefix(lines.Text(), "at ")
		if !strings.HasPrefix(base, "http") {
			base = ""
		}
	}
	if base == "" {
		b.Fatal("the program did not start")
	}
	if load {
		loading, _ := oneCoreProcess(b, "load", base)
		defer func() { loading.Process.Kill(); loading.Wait() }()
	}
	args := []string{"-c", theCore, "cyclictest", "-q", "-t1", "-i", "5000", "-D", fmt.Sprint(int(oneCoreFor.Seconds())), "-h", "100000"}
	if priority == "realtime" {
		args = append(args, "--policy=rr", "-p", "20")
	} else {
		args = append(args, "--policy=other")
	}
	kernel, err := exec.Command("taskset", args...).Output()
	if err != nil {
		b.Fatalf("cyclictest: %v", err)
	}
	var late []time.Duration
	for lines.Scan() {
		if text, ok := strings.CutPrefix(lines.Text(), "late "); ok {
			if err := json.Unmarshal([]byte(text), &late); err != nil {
				b.Fatal(err)
			}
			break
		}
	}
	program.Wait()
	if len(late) < 100 {
		b.Fatalf("%d ticks", len(late))
	}
	for what, all := range map[string][]time.Duration{"tick": late, "cyclictest": histogram(kernel)} {
		slices.Sort(all)
		for _, q := range []struct {
			name string
			at   float64
		}{{"p50", .5}, {"p99", .99}, {"p99.9", .999}} {
			b.ReportMetric(float64(all[min(int(float64(len(all))*q.at), len(all)-1)].Microseconds()), what+"_"+q.name+"_µs")
		}
	}
	b.ReportMetric(0, "ns/op")
}

// oneCoreProcess starts this test binary as a part of the benchmark, on the core.
func oneCoreProcess(b *testing.B, role, base string, urgent ...string) (*exec.Cmd, *bufio.Scanner) {
	exe, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	args := slices.Concat([]string{"-c", theCore}, urgent, []string{exe, "-test.run", "^$", "-test.bench", "^BenchmarkOneCorePart$", "-test.benchtime", "1x"})
	c := exec.Command("taskset", args...)
	c.Env = append(os.Environ(), oneCoreRole+"="+role, "PANEL_BASE="+base)
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	return c, lines
}

// BenchmarkOneCorePart is a process of BenchmarkOneCore; alone it measures nothing.
func BenchmarkOneCorePart(b *testing.B) {
	role := os.Getenv(oneCoreRole)
	if role == "" {
		b.ReportMetric(0, "ns/op")
		return
	}
	for b.Loop() {
	}
	if role == "load" {
		r := &rig{t: b, base: os.Getenv("PANEL_BASE")}
		var events atomic.Int64
		defer r.streams(200, &events)()
		tick := time.NewTicker(time.Second / 50)
		for range tick.C { // until it is killed
			r.send("GET", "/api/v1/status", "")
		}
	}
	r := newRig(b, options{})
	r.must(r.do("lay-out", `"session":"first-swim"`))
	r.must(r.do("reset", ""))
	r.untilState(run.Ready)
	r.must(r.do("start", ""))
	fmt.Printf("at %s\n", r.base)
	// The time of a tick is counted from the loop's begin, and ticks are due at multiples of their length: what is over is how late it began. After a
	// tick the next multiple is due, which tells one that is later than a whole tick, unless the one before it was not seen here.
	var late []time.Duration
	var seen uint64
	var last time.Duration
	ctx, cancel := context.WithTimeout(b.Context(), oneCoreFor)
	defer cancel()
	for ctx.Err() == nil {
		snap, _ := r.seq.Snapshot()
		if snap.Seq != seen {
			due := snap.At.Truncate(sequencer.Tick)
			if snap.Seq == seen+1 {
				due = last.Truncate(sequencer.Tick) + sequencer.Tick
			}
			seen, last = snap.Seq, snap.At
			late = append(late, snap.At-due)
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
	text, err := json.Marshal(late)
	if err != nil {
		b.Fatal(err)
	}
	fmt.Printf("late %s\n", text)
}

// histogram reads cyclictest's: microseconds, and how often. What is beyond its end counts as the end.
func histogram(text []byte) (all []time.Duration) {
	for l := range strings.Lines(string(text)) {
		f := strings.Fields(l)
		if len(f) != 2 || strings.HasPrefix(f[0], "#") {
			continue
		}
		at, err := strconv.Atoi(f[0])
		n, err2 := strconv.Atoi(f[1])
		if err != nil || err2 != nil {
			continue
		}
		for range n {
			all = append(all, time.Duration(at)*time.Microsecond)
		}
	}
	return all
}
