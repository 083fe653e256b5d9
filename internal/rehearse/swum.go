package rehearse

import (
	"fmt"
	"io"
	"strings"

	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// WriteSwum writes what was asked beside what was swum, a line a step, in the order in which the steps were first swum.
func WriteSwum(out io.Writer, plan run.Plan, results []run.Result, simulated bool) {
	type sum struct {
		name          string
		blocks, done  int
		asked, swum   float64 // s
		askedM, swumM float64
	}
	var order []int
	steps := map[int]*sum{}
	total := sum{name: "total"}
	for i, a := range schedule.Asked(plan.Blocks) {
		b := &plan.Blocks[i]
		s := steps[b.Step]
		if s == nil {
			s = &sum{name: b.Name}
			steps[b.Step] = s
			order = append(order, b.Step)
		}
		for _, s := range []*sum{s, &total} {
			s.blocks++
			s.asked += a.Time.Seconds()
			s.askedM += a.Distance.Metres()
			if i < len(results) {
				s.swum += results[i].Time.Seconds()
				s.swumM += results[i].Distance.Metres()
				if results[i].Done {
					s.done++
				}
			}
		}
	}
	length := func(m float64) string { return fmt.Sprintf("%.0f %s", units.Metres(m).In(plan.Unit), plan.Unit) }
	head := "swum"
	if simulated {
		head = "SIMULATED"
	}
	rows := [][]string{{"block", "done", "asked", "", head, ""}}
	row := func(s *sum) {
		rows = append(rows, []string{s.name, fmt.Sprintf("%d of %d", s.done, s.blocks), clock(s.asked), length(s.askedM), clock(s.swum), length(s.swumM)})
	}
	for _, id := range order {
		row(steps[id])
	}
	row(&total)
	var b strings.Builder
	Columns(&b, rows, "lrrrrr")
	io.WriteString(out, b.String())
}
