package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

const (
	panel      = "http://127.0.0.1:8080"
	wallSocket = "/run/sequencerd/wall"
)

// status is what is looked at of the panel's status.
type status struct {
	State    string  `json:"state"`
	Reason   string  `json:"reason"`
	Boot     string  `json:"boot_id"`
	Swim     uint64  `json:"swim_id"`
	Seq      uint64  `json:"seq"`
	At       int64   `json:"at_ms"`
	Wish     float64 `json:"wish_mps"`
	RPM      float64 `json:"rpm"`
	Water    float64 `json:"water_mps"`
	Distance float64 `json:"distance_m"`
	Faults   []struct {
		Code string `json:"code"`
	} `json:"faults"`
}

// shows says whether a person is told of a fault.
func (s *status) shows(code string) bool {
	for _, f := range s.Faults {
		if f.Code == code {
			return true
		}
	}
	return false
}

var client = &http.Client{Timeout: 2 * time.Second}

func look() (status, error) {
	var s status
	text, err := request("GET", "/api/v1/status", nil, "")
	if err == nil {
		err = json.Unmarshal(text, &s)
	}
	return s, err
}

// do gives a command as a person would who has just looked.
func do(what string, more map[string]any) error {
	s, err := look()
	if err != nil {
		return err
	}
	body := map[string]any{"seen": map[string]any{"boot_id": s.Boot, "swim_id": s.Swim, "seq": s.Seq, "at_ms": s.At}}
	for k, v := range more {
		body[k] = v
	}
	text, err := json.Marshal(body)
	if err != nil {
		return err
	}
	_, err = request("POST", "/api/v1/"+what, text, "application/json")
	return err
}

func request(method, path string, body []byte, kind string) ([]byte, error) {
	r, err := http.NewRequest(method, panel+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	a, err := client.Do(r)
	if err != nil {
		return nil, err
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err == nil && a.StatusCode >= 300 {
		err = fmt.Errorf("%s %s: %s: %s", method, path, a.Status, text)
	}
	return text, err
}

// untilState waits for a state of the swim.
func untilState(state string, patience time.Duration) (time.Duration, error) {
	var last status
	took, err := until("state "+state, patience, func() bool {
		s, err := look()
		if err == nil {
			last = s
		}
		return err == nil && s.State == state
	})
	if err != nil {
		err = fmt.Errorf("%w; the last that was seen is %+v", err, last)
	}
	return took, err
}

// atRest waits for a program that is up, stopped, says why, and sees its motor at rest.
func atRest() (s status, err error) {
	_, err = until("a program that is stopped, says why, and sees its motor at rest", 10*time.Second, func() bool {
		now, err := look()
		if err == nil {
			s = now
		}
		return err == nil && s.State == "stopped" && s.Reason != "" && s.RPM == 0
	})
	if err != nil {
		err = fmt.Errorf("%w; the last that was seen is %+v", err, s)
	}
	return s, err
}

// hand presses at the simulated wall.
func hand(line string) error {
	c, err := net.Dial("unix", wallSocket)
	if err != nil {
		return err
	}
	defer c.Close()
	if _, err := fmt.Fprintln(c, line); err != nil {
		return err
	}
	answer, err := bufio.NewReader(c).ReadString('\n')
	if err == nil && !strings.HasPrefix(answer, "ok") {
		err = errors.New(line + ": " + answer)
	}
	return err
}

// property is what systemd says of a unit.
func property(unit, name string) string {
	text, err := output("systemctl", "show", "-p", name, "--value", unit)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(text)
}

// line of the journal, with the time since the start of the computer.
type line struct {
	at   time.Duration
	text string
}

// journal are the lines of a unit.
func journal(unit string) ([]line, error) {
	text, err := output("journalctl", "-b", "-u", unit, "-o", "short-monotonic", "--no-pager", "-q")
	if err != nil {
		return nil, err
	}
	var all []line
	for l := range strings.Lines(text) {
		stamp, rest, ok := strings.Cut(strings.TrimPrefix(l, "["), "]")
		seconds, err := strconv.ParseFloat(strings.TrimSpace(stamp), 64)
		if ok && err == nil {
			all = append(all, line{time.Duration(seconds * float64(time.Second)), strings.TrimSpace(rest)})
		}
	}
	return all, nil
}

// said is the first line after a time that has some text; the zero line where there is none.
func said(lines []line, text string, after time.Duration) line {
	for _, l := range lines {
		if l.at > after && strings.Contains(l.text, text) {
			return l
		}
	}
	return line{}
}

// sinceStart is the time since the start of the computer, by which the journal counts.
func sinceStart() (time.Duration, error) {
	text, err := os.ReadFile("/proc/uptime")
	if err != nil {
		return 0, err
	}
	first, _, _ := strings.Cut(string(text), " ")
	seconds, err := strconv.ParseFloat(first, 64)
	return time.Duration(seconds * float64(time.Second)), err
}

// scheduling are the policies and priorities of all threads of a process, as proc(5) has them in fields 41 and 40 of stat.
func scheduling(pid string) (map[string]int, error) {
	stats, err := filepath.Glob("/proc/" + pid + "/task/*/stat")
	if err != nil {
		return nil, err
	}
	seen := map[string]int{}
	for _, s := range stats {
		text, err := os.ReadFile(s)
		if err != nil {
			continue // a thread that has ended
		}
		_, rest, _ := strings.Cut(string(text), ") ")
		f := strings.Fields(rest) // from field 3
		if len(f) < 39 {
			return nil, fmt.Errorf("%s: %q", s, text)
		}
		seen["policy "+f[38]+" priority "+f[37]]++
	}
	return seen, nil
}
