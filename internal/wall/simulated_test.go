package wall

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"periph.io/x/conn/v3/gpio"
)

// The pitfalls of periph.io/x/host/v3.8.5 gpioioctl, from its source and from measurements on a virtual board: what the simulation has to share
// with it for the tests to mean something.
func TestTheSimulatedPinHasTheLibrarysPitfalls(t *testing.T) {
	quiet(t)
	synctest.Test(t, func(t *testing.T) {
		p := &simulatedPin{edges: make(chan struct{}, 16), level: gpio.High}
		if p.WaitForEdge(time.Second) {
			t.Error("an edge without In")
		}
		if err := p.In(gpio.PullDown, gpio.FallingEdge); err != nil {
			t.Fatal(err)
		}
		p.set(gpio.Low)
		p.set(gpio.High)
		begin := time.Now()
		if p.WaitForEdge(-1) || time.Since(begin) != 0 {
			t.Error("-1 does not return false at once")
		}
		if !p.WaitForEdge(time.Second) || time.Since(begin) != 0 {
			t.Error("an edge that waits is not told at once")
		}
		if p.WaitForEdge(time.Second) || time.Since(begin) != time.Second {
			t.Error("without an edge it does not take its time")
		}
		time.AfterFunc(time.Hour, func() { p.set(gpio.Low) })
		if !p.WaitForEdge(0) || time.Since(begin) != time.Second+time.Hour {
			t.Error("0 does not wait for an edge for as long as it takes")
		}
		p.breakLine(true)
		begin = time.Now()
		if p.Read() != gpio.Low || p.WaitForEdge(time.Second) || time.Since(begin) != 0 || p.In(gpio.PullUp, gpio.NoEdge) == nil || p.Out(gpio.High) == nil {
			t.Error("a broken line does not read Low, wait for nothing and refuse the rest")
		}
	})
}

// hand is somebody at a simulated wall's socket.
type hand struct {
	t *testing.T
	net.Conn
	answers *bufio.Scanner
}

func reach(t *testing.T, path string) *hand {
	c, err := net.Dial("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &hand{t, c, bufio.NewScanner(c)}
}

func (h *hand) say(line string) string {
	h.t.Helper()
	fmt.Fprintln(h, line)
	if !h.answers.Scan() {
		h.t.Fatalf("%s: no answer (%v)", line, h.answers.Err())
	}
	return h.answers.Text()
}

// Through the front door: a socket, real time, the same code as on real pins.
func TestTheSocket(t *testing.T) {
	defer goleak.VerifyNone(t)
	quiet(t)
	path := filepath.Join(t.TempDir(), "wall")
	stops := make(chan time.Time, 100)
	c := Config{Simulated: true, Socket: path}
	w, err := Open(c, func() { stops <- time.Now() })
	if err != nil {
		t.Fatal(err)
	}
	if !w.Simulated() {
		t.Error("it does not say that it is simulated")
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the socket is %v (%v): it is for its owner alone", info.Mode(), err)
	}
	if _, err := Open(c, func() {}); err == nil {
		t.Error("a socket in use was taken over")
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()

	one, two := reach(t, path), reach(t, path)
	fmt.Fprintln(one, "hold 10s") // in the way of nobody
	if e := <-w.Events(); e.Kind != Pressed {
		t.Errorf("%v", e.Kind)
	}
	if got := two.say("stop press"); got != "ok" {
		t.Errorf("stop press: %s", got)
	}
	<-stops
	for line, want := range map[string]string{
		"stop  release":  "ok",
		"stop blip":      "ok",
		"skip":           "ok",
		"cover open":     "ok",
		"line broken x":  "error: x: allowed is a pin's key, as in cover or cover_pin",
		"hold forever":   "error: hold forever: allowed is a duration up to 1m0s, as in hold 2.5s",
		"hold 61s":       "error: hold 61s: allowed is a duration up to 1m0s, as in hold 2.5s",
		"line whole lid": "error: lid: allowed is a pin's key, as in cover or cover_pin",
	} {
		if got := two.say(line); got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
	}
	if got := two.say("dance"); !strings.HasPrefix(got, `error: "dance": allowed are press,`) {
		t.Errorf("dance: %s", got)
	}
	if e := <-w.Events(); e.Kind != Skip {
		t.Errorf("%v", e.Kind)
	}
	w.Show(Outputs{Beeper: true, Heartbeat: true})
	want := "ok: lamp off, beeper on, heartbeat on after 1 changes"
	for two.say("show") != want {
		if t.Context().Err() != nil {
			t.Fatal("the outputs never came on")
		}
	}
	cancel() // in the middle of the hold
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if err := w.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("the socket is still there")
	}
}

// A program that died leaves its socket behind; the next takes its place. A file that is something else is left alone.
func TestAnAbandonedSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "wall")
	old, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	old.(*net.UnixListener).SetUnlinkOnClose(false)
	old.Close()
	w, err := Open(Config{Simulated: true, Socket: path}, func() {})
	if err != nil {
		t.Fatal(err)
	}
	w.Close()
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err = Open(Config{Simulated: true, Socket: path}, func() {}); err == nil {
		t.Error("a file was taken for a socket")
	}
	if text, err := os.ReadFile(path); string(text) != "mine" {
		t.Errorf("the file is %q (%v)", text, err)
	}
}

func TestARealWallIsPressedByHand(t *testing.T) {
	chips := twoChips()
	w, err := open(Config{Pins: map[Pin]string{StopPin: "GPIO17"}}, func() {}, func(_ Pin, text string) (gpio.PinIO, error) { return find(chips, text) })
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Command(t.Context(), "press"); err == nil {
		t.Error("a command pressed a real wall")
	}
}
