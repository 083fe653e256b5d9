package survey

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// What a file may hold.
const (
	mostBytes = 4 << 20
	mostRows  = 50_000
)

// ReadFloats reads float timings: a header "rpm,length_m,time_s", with time_s as often as a row has times, and a row for each pass or several. Empty times do not
// count. Rows of one motor speed and length, wherever they stand, are one Passes, in the order of the file. Lines that begin with # are comments.
//
// All that is wrong comes back as fault.Problems, each at its line and column; the name is the file's, for these.
func ReadFloats(r io.Reader, name string) ([]Passes, error) {
	t, err := readTable(r, name, "rpm,length_m,time_s,time_s", func(header []string) bool {
		return len(header) >= 3 && header[0] == "rpm" && header[1] == "length_m" && !slices.ContainsFunc(header[2:], func(h string) bool { return h != "time_s" })
	})
	if err != nil {
		return nil, err
	}
	var out []Passes
	for _, row := range t.rows {
		n, okN := t.number(row, "rpm", 0, true, 0, mostRPM)
		l, okL := t.number(row, "length_m", 1, true, 0.5, 50)
		var times []time.Duration
		for i := 2; i < len(row.cells); i++ {
			if row.cells[i] == "" {
				continue
			}
			if s, ok := t.number(row, "time_s", i, true, 0.2, 600); ok {
				times = append(times, seconds(s))
			}
		}
		if !slices.ContainsFunc(row.cells[min(2, len(row.cells)):], func(c string) bool { return c != "" }) {
			t.problem(row, 0, "a row without a time_s: allowed is one or more")
		}
		if !okN || !okL || len(times) == 0 {
			continue
		}
		i := slices.IndexFunc(out, func(p Passes) bool { return p.Motor.RPM() == n && p.Length.Metres() == l })
		if i < 0 {
			i, out = len(out), append(out, Passes{Motor: units.RPM(n), Length: units.Metres(l)})
		}
		out[i].Times = append(out[i].Times, times...)
	}
	if err := t.problems.Sorted(); err != nil {
		return nil, err
	}
	return out, nil
}

// ReadMeter reads a current meter: a header "rpm,water_mps", or "rpm,water_mps,ci_mps" with half the width of the 95 % interval (empty where not known); for a pitot
// tube "rpm,head_mm", the height of water between its legs. Rows of one motor speed are averaged; three or more give an interval by their scatter, unless the given one is
// wider. In the order of the file. Errors as of ReadFloats.
func ReadMeter(r io.Reader, name string) ([]Reading, error) {
	pitot := false
	t, err := readTable(r, name, "rpm,water_mps,ci_mps", func(header []string) bool {
		text := strings.Join(header, ",")
		pitot = text == "rpm,head_mm"
		return pitot || text == "rpm,water_mps" || text == "rpm,water_mps,ci_mps"
	})
	if err != nil {
		return nil, err
	}
	type group struct {
		n     float64
		v, ci []float64
	}
	var groups []group
	for _, row := range t.rows {
		n, ok := t.number(row, "rpm", 0, true, 0, mostRPM)
		var v, ci float64
		var good bool
		if pitot {
			v, good = t.number(row, "head_mm", 1, true, 0, 1250) // 1250 mm are 4.95 m/s
			v = PitotSpeed(units.Metres(v / 1000)).MetresPerSecond()
		} else {
			v, good = t.number(row, "water_mps", 1, false, leastSpeed, mostSpeed)
		}
		ok = ok && good
		if len(row.cells) > 2 && row.cells[2] != "" {
			ci, good = t.number(row, "ci_mps", 2, false, 0, mostSpeed)
			ok = ok && good
		}
		if !ok {
			continue
		}
		i := slices.IndexFunc(groups, func(g group) bool { return g.n == n })
		if i < 0 {
			i, groups = len(groups), append(groups, group{n: n})
		}
		groups[i].v, groups[i].ci = append(groups[i].v, v), append(groups[i].ci, ci)
	}
	if err := t.problems.Sorted(); err != nil {
		return nil, err
	}
	out := make([]Reading, len(groups))
	for i, g := range groups {
		given := slices.Max(g.ci) // an instrument's own error is in all of its readings
		mean, ci := g.v[0], 0.0
		if len(g.v) > 1 {
			mean, ci = interval(g.v)
		}
		if len(g.v) < fewestPasses {
			ci = 0
		}
		out[i] = Reading{Motor: units.RPM(g.n), Water: speed(mean), CI: speed(max(ci, given)), Used: len(g.v)}
	}
	return out, nil
}

// ReadSamples reads a recording: a header "t_s,rpm,water_mps", or "t_s,rpm,water_mps,over_s" where speeds are means over so many seconds, t_s being their middle.
// An empty water_mps is a row of the motor alone. Errors as of ReadFloats.
func ReadSamples(r io.Reader, name string) ([]Sample, error) {
	t, err := readTable(r, name, "t_s,rpm,water_mps,over_s", func(header []string) bool {
		text := strings.Join(header, ",")
		return text == "t_s,rpm,water_mps" || text == "t_s,rpm,water_mps,over_s"
	})
	if err != nil {
		return nil, err
	}
	out := make([]Sample, 0, len(t.rows))
	for _, row := range t.rows {
		at, okT := t.number(row, "t_s", 0, false, -mostRecording, mostRecording)
		n, okN := t.number(row, "rpm", 1, false, 0, mostRPM)
		s := Sample{At: seconds(at), Motor: units.RPM(n)}
		ok := okT && okN
		if len(row.cells) < 3 || row.cells[2] == "" {
			s.MotorOnly = true
		} else {
			v, good := t.number(row, "water_mps", 2, false, 0, mostSpeed)
			s.Water, ok = speed(v), ok && good
		}
		if len(row.cells) > 3 && row.cells[3] != "" {
			o, good := t.number(row, "over_s", 3, false, 0, 600)
			s.Over, ok = seconds(o), ok && good
		}
		if ok {
			out = append(out, s)
		}
	}
	if err := t.problems.Sorted(); err != nil {
		return nil, err
	}
	return out, nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

// table is a file of numbers, and what is wrong with it.
type table struct {
	name     string
	lines    [][]byte
	header   []string
	rows     []row
	problems fault.Problems
}

type row struct {
	cells []string
	at    [][2]int // line and column of each
}

var byteOrderMark = []byte("\xef\xbb\xbf")

// readTable reads header and rows. Only what leaves no rows to look at is an error here; the rest becomes problems.
func readTable(r io.Reader, name, want string, good func(header []string) bool) (*table, error) {
	t := &table{name: name}
	refuse := func(line, col int, format string, args ...any) error {
		return fault.Problems{{File: name, Line: line, Col: col, Text: fmt.Sprintf(format, args...)}}
	}
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s cannot be read: %w", name, err)
	case len(text) > mostBytes:
		return nil, refuse(0, 0, "the file is larger than %d MiB", mostBytes>>20)
	case !utf8.Valid(text):
		return nil, refuse(0, 0, "the file is no text in UTF-8: save it as CSV in UTF-8")
	}
	text = bytes.TrimPrefix(text, byteOrderMark) // spreadsheets write one
	t.lines = bytes.Split(text, []byte("\n"))
	c := csv.NewReader(bytes.NewReader(text))
	c.Comment, c.FieldsPerRecord = '#', -1
	for {
		cells, err := c.Read()
		if err == io.EOF {
			break
		}
		var p *csv.ParseError
		if errors.As(err, &p) {
			return nil, refuse(p.Line, t.column(p.Line, p.Column), "a quotation mark out of place: numbers need none")
		}
		if err != nil {
			return nil, fmt.Errorf("%s cannot be read: %w", name, err)
		}
		one := row{cells: cells, at: make([][2]int, len(cells))}
		for i := range cells {
			line, col := c.FieldPos(i)
			one.at[i] = [2]int{line, t.column(line, col)}
			cells[i] = strings.TrimSpace(cells[i])
		}
		if t.header == nil {
			t.header = cells
			if !good(cells) {
				if strings.Contains(strings.Join(cells, ","), ";") {
					return nil, refuse(one.at[0][0], one.at[0][1], "the columns are parted by semicolons: allowed are commas, and numbers with a point, as in 2.40. The header is %q", want)
				}
				return nil, refuse(one.at[0][0], one.at[0][1], "the header is %q: allowed is %q", clip(strings.Join(cells, ",")), want)
			}
			continue
		}
		if !slices.ContainsFunc(cells, func(s string) bool { return s != "" }) {
			continue // an empty row of a spreadsheet
		}
		if len(t.rows) == mostRows {
			return nil, refuse(one.at[0][0], one.at[0][1], "more than %d rows", mostRows)
		}
		if k := len(t.header); len(cells) > k {
			t.problem(one, k, "%d columns where the header has %d: numbers have a point, as in 2.40, and no comma", len(cells), k)
			continue
		}
		t.rows = append(t.rows, one)
	}
	if t.header == nil {
		return nil, refuse(0, 0, "there is nothing in the file: allowed is a header, %q, and rows", want)
	}
	if len(t.rows) == 0 && t.problems == nil {
		return nil, refuse(0, 0, "there are no rows below the header")
	}
	return t, nil
}

// column is a column in characters, from one in bytes.
func (t *table) column(line, col int) int {
	if line < 1 || line > len(t.lines) {
		return max(col, 1)
	}
	text := t.lines[line-1]
	return utf8.RuneCount(text[:min(max(col-1, 0), len(text))]) + 1
}

// problem notes something wrong at a cell of a row; behind its last, at the last.
func (t *table) problem(r row, cell int, format string, args ...any) {
	at := r.at[min(cell, len(r.at)-1)]
	t.problems = append(t.problems, fault.Problem{File: t.name, Line: at[0], Col: at[1], Text: fmt.Sprintf(format, args...)})
}

// number reads a cell as a number from low to high; low itself is out where it has to be above it and low is 0.
func (t *table) number(r row, key string, cell int, above bool, low, high float64) (float64, bool) {
	text := ""
	if cell < len(r.cells) {
		text = r.cells[cell]
	}
	allowed := fmt.Sprintf("allowed is %g to %g", low, high)
	above = above && low == 0
	if above {
		allowed = fmt.Sprintf("allowed is more than 0 to %g", high)
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case text == "":
		t.problem(r, cell, "%s is missing: %s", key, allowed)
	case strings.ContainsAny(text, ",;"):
		t.problem(r, cell, "%s is %q: numbers have a point, as in 2.40, and columns are parted by commas", key, clip(text))
	case err != nil || !finite(v) || strings.ContainsAny(text, "xX_pP"):
		t.problem(r, cell, "%s is %q: allowed is a number, as in 2.40", key, clip(text))
	case v < low || v > high || above && v == 0:
		t.problem(r, cell, "%s is %s: %s", key, clip(text), allowed)
	default:
		return v, true
	}
	return 0, false
}

// clip keeps a value short enough for a line.
func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
