//go:build board

package board

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/drive/serial/linetest"
)

// The pins of the board; number 3 is the kernel's, for the power button.
const (
	stopPin      = 0 // High: released
	pressPin     = 1 // High: pressed
	occupancyPin = 2 // High: seen
	coverPin     = 4 // High: on
	heartbeatPin = 5
	lampPin      = 6
)

// configuration is the board's: all else is as it comes. The pins have no pulls of their own, so there are resistors.
const configuration = `[drive]
backend = "serial"
[drive.serial]
port = "/dev/ttyS0"
parity = "none"
stop_bits = 2
address = 7
map = "tarnholm-v"
[wall]
stop_pin = "gpiochip0:0"
press_pin = "gpiochip0:1"
occupancy_pin = "gpiochip0:2"
cover_pin = "gpiochip0:4"
heartbeat_pin = "gpiochip0:5"
lamp_pin = "gpiochip0:6"
pulls = "external"
[watchdog]
device = "/dev/watchdog"
timeout = "8s"
`

const watchdogTime = 8 * time.Second

// session keeps the water changing.
const session = `format = 1
title = "Up and down"
unit = "m"
[[step]]
repeat = 200
[[step.step]]
time = "0:05"
pace = "1:40"
[[step.step]]
time = "0:04"
pace = "2:30"
[[step.step]]
time = "0:06"
pace = "2:20 to 1:40"
`

// place is a board, the drive that it commands, and the hands at its wires.
type place struct {
	t     *testing.T
	name  string
	dir   string
	clock string // for the next power-on
	panel string
	line  *linetest.Line
	drive *linetest.Drive
	*machine

	mu    sync.Mutex
	lines []line // of the console
}

// line is what the console said, and when it was heard.
type line struct {
	text string
	at   time.Time
}

func newPlace(t *testing.T) *place {
	p := &place{t: t, name: strings.TrimPrefix(t.Name(), "TestBoard/"), line: linetest.NewSocketLine(t, 19200)}
	p.drive = linetest.StartDrive(t, "velocity", p.line)
	var err error
	if p.dir, err = os.MkdirTemp("", "board"); err != nil { // short
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(p.dir) })
	if p.panel, err = freeAddress(); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(p.disk())
	if err == nil {
		err = errors.Join(f.Truncate(64<<20), f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mkfs.ext4", "-q", p.disk()).CombinedOutput(); err != nil {
		t.Fatalf("mkfs.ext4: %v\n%s", err, out)
	}
	t.Cleanup(func() { keepConsole(p) })
	return p
}

func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

func (p *place) disk() string { return filepath.Join(p.dir, "disk") }

// heard takes what the console says.
func (p *place) heard(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lines = append(p.lines, line{text, time.Now()})
}

// said is the first line since then that has all of the texts in it; the zero line where there is none.
func (p *place) said(since time.Time, texts ...string) line {
	p.mu.Lock()
	defer p.mu.Unlock()
next:
	for _, l := range p.lines {
		if !l.at.After(since) {
			continue
		}
		for _, t := range texts {
			if !strings.Contains(l.text, t) {
				continue next
			}
		}
		return l
	}
	return line{}
}

// awaits waits for such a line.
func (p *place) awaits(since time.Time, most time.Duration, texts ...string) line {
	p.t.Helper()
	var l line
	p.must(until(fmt.Sprintf("the console says %q", texts), most, func() bool {
		l = p.said(since, texts...)
		return l.text != ""
	}))
	return l
}

// state is what the daemon said last of its state.
func (p *place) state() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, l := range slices.Backward(p.lines) {
		if strings.Contains(l.text, "msg=state ") {
			return word(l.text, " state=")
		}
		if strings.Contains(l.text, "the daemon ended") {
			break
		}
	}
	return ""
}

func word(line, key string) string {
	_, rest, _ := strings.Cut(line, key)
	w, _, _ := strings.Cut(rest, " ")
	return w
}

// must ends the test where something that it needs went wrong.
func (p *place) must(err error) {
	p.t.Helper()
	if err != nil {
		p.mu.Lock()
		var tail []string
		for _, l := range p.lines[max(0, len(p.lines)-40):] {
			tail = append(tail, l.at.Format("05.000 ")+l.text)
		}
		p.mu.Unlock()
		p.t.Fatalf("%v\nthe console said:\n\t%s", err, strings.Join(tail, "\n\t"))
	}
}

// tell gives a command to the first process.
func (p *place) tell(format string, args ...any) {
	_, err := fmt.Fprintf(p.console, format+"\n", args...)
	p.must(err)
}

// on switches the board on, wires in place, and returns how long it took until the daemon ticked.
func (p *place) on() time.Duration {
	p.t.Helper()
	begun := time.Now()
	m, err := powerOn(p.t, machineConfig{dir: p.dir, serial: p.line.Master, disk: p.disk(), panel: p.panel, clock: p.clock, line: p.heard})
	p.must(err)
	p.machine = m
	p.wires()
	return p.up(begun).Sub(begun)
}

// wires puts all inputs as they are while nobody touches anything and somebody swims.
func (p *place) wires() {
	for pin, high := range map[int]bool{stopPin: true, pressPin: false, occupancyPin: true, coverPin: true} {
		p.must(p.pins.set(pin, high))
	}
}

// up waits for a daemon that ticks, which has to be stopped, and says why.
func (p *place) up(since time.Time) time.Time {
	p.t.Helper()
	l := p.awaits(since, 60*time.Second, "msg=state ")
	if !strings.Contains(l.text, "state=stopped") {
		p.must(fmt.Errorf("a daemon that has just started says %s", l.text))
	}
	return l.at
}

// try presses the stop button, without which nothing can be started, and resets.
func (p *place) try() {
	p.t.Helper()
	p.must(p.pins.set(stopPin, false))
	p.wait(100 * time.Millisecond)
	p.must(p.pins.set(stopPin, true))
	p.reset()
}

// reset holds the button for two seconds and lets it go, again where that was refused.
func (p *place) reset() {
	p.t.Helper()
	for range 5 {
		begun := time.Now()
		p.must(p.pins.set(pressPin, true))
		p.wait(2200 * time.Millisecond)
		p.must(p.pins.set(pressPin, false))
		if until("", time.Second, func() bool { return p.said(begun, "msg=state ", "state=ready").text != "" }) == nil {
			return
		}
	}
	p.must(errors.New("five long presses do not make it ready"))
}

// start presses the button and waits for the count-in to be over, in which nothing may move. A start is refused for two seconds after a link has come back.
func (p *place) start() {
	p.t.Helper()
	for range 20 {
		begun := time.Now()
		p.press()
		if until("", 700*time.Millisecond, func() bool { return p.said(begun, "msg=state ", "state=count-in").text != "" }) == nil {
			p.staysStill(9 * time.Second)
			p.awaits(begun, 15*time.Second, "msg=state ", "state=running")
			return
		}
	}
	p.must(errors.New("twenty presses do not start it"))
}

// press is a short press, and as long a while without one: a hand is no faster.
func (p *place) press() {
	p.must(p.pins.set(pressPin, true))
	p.wait(80 * time.Millisecond)
	p.must(p.pins.set(pressPin, false))
	p.wait(80 * time.Millisecond)
}

// swim makes the water run, from whatever is laid out and ready, and waits until the motor turns.
func (p *place) swim() {
	p.t.Helper()
	p.start()
	p.must(until("the motor turns", 5*time.Second, func() bool { return p.drive.Ask().RPM > 200 }))
}

// swimForAWhile is long enough for the logbook, which notes what is new every five seconds, and for the first block, of five.
func (p *place) swimForAWhile() {
	p.t.Helper()
	p.swim()
	p.wait(7 * time.Second)
}

// still fails the test where the motor does not come to rest within most, or turns, or a stop of the drive is forgotten, for a while after.
func (p *place) still(most, after time.Duration) {
	p.t.Helper()
	p.must(until("the motor is at rest", most, func() bool { s := p.drive.Ask(); return s.RPM == 0 && !s.Enabled }))
	p.staysStill(after)
}

func (p *place) staysStill(d time.Duration) {
	p.t.Helper()
	p.watch(d, func(s linetest.State) bool { return s.RPM == 0 && !s.Enabled })
}

// held fails the test where the motor does not stand within a second, or does not stay so for a while: in a pause it is the drive,
// still switched on, that holds it at rest.
func (p *place) held(d time.Duration) {
	p.t.Helper()
	p.must(until("the motor is at rest", time.Second, func() bool { return p.drive.Ask().RPM == 0 }))
	p.watch(d, func(s linetest.State) bool { return s.RPM == 0 })
}

// watch fails the test where the motor is seen otherwise than well for so long.
func (p *place) watch(d time.Duration, well func(linetest.State) bool) {
	p.t.Helper()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for over := time.Now().Add(d); time.Now().Before(over); <-look.C {
		if s := p.drive.Ask(); !well(s) {
			p.must(fmt.Errorf("the motor moves by itself: %+v", s))
		}
	}
}

// status is what the panel tells.
func (p *place) status() (s struct {
	State   string
	Reason  string
	AtMS    int64   `json:"at_ms"`
	Elapsed float64 `json:"elapsed_s"`
	Again   bool
	Block   int
	RPM     float64
	Faults  []struct{ Code, Level, What string }
}) {
	p.t.Helper()
	c := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	r, err := http.NewRequest("GET", "http://"+p.panel+"/api/v1/status", nil)
	p.must(err)
	r.Host = "127.0.0.1:8080"
	answer, err := c.Do(r)
	p.must(err)
	defer answer.Body.Close()
	p.must(json.NewDecoder(answer.Body).Decode(&s))
	return s
}

// wait lets time pass in which something is done to the board, as hands take their time.
func (p *place) wait(d time.Duration) { <-time.After(d) }

// until waits for something; where it does not come, the error says for what.
func until(what string, most time.Duration, done func() bool) error {
	over := time.NewTimer(most)
	defer over.Stop()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for !done() {
		select {
		case <-look.C:
		case <-over.C:
			return fmt.Errorf("not within %v: %s", most, what)
		}
	}
	return nil
}

// monotonic is the clock that the drive goes by, in its seconds.
func monotonic() float64 {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts)
	return float64(ts.Sec) + float64(ts.Nsec)/1e9
}

// moment is a time of this process on the drive's clock.
func moment(at time.Time) float64 { return monotonic() - time.Since(at).Seconds() }

func span(from, to float64) time.Duration { return time.Duration((to - from) * float64(time.Second)) }
