package wall

import (
	"bufio"
	"context"
	"io"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// FuzzCommand: whatever comes down the socket of a simulated wall is done or refused with what is allowed, and takes no longer than the longest press.
func FuzzCommand(f *testing.F) {
	for _, line := range []string{"press", "hold 2.5s", "hold -1s", "stop press", "stop  open", "line broken cover", "line whole x", "show", "", "hold 1e9h"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		w, err := Open(Config{Simulated: true}, func() {})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Microsecond) // nobody waits for presses here
		defer cancel()
		if _, err := w.Command(ctx, line); err != nil && !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%q: %v", line, err)
		}
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}

// FuzzSocket: whoever is at the socket of a running wall gets one answer to each line, ok or an error; a stop that was pressed there has stopped, and nothing
// else has.
func FuzzSocket(f *testing.F) {
	f.Add([]byte("press\nhold 2.5s\nstop press\nshow\nstop release\n"))
	f.Add([]byte("stop blip\r\nline broken stop\nline whole stop_pin\nlevel low\nlevel good\n\n\x00"))
	f.Add([]byte("occupancy empty\ncover open\nslower\nfaster\nskip\nhold 59s\nstop"))
	f.Fuzz(func(t *testing.T, said []byte) {
		lines := strings.Split(strings.TrimSuffix(string(said), "\n"), "\n")
		if len(lines) > 20 || len(said) > 2000 { // presses take their time, though nobody's
			return
		}
		running(t, Config{}, nil, func(r *rig) {
			near, far := net.Pipe()
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			go r.w.hear(ctx, far)
			answers := bufio.NewScanner(near)
			pressed, broken := false, false
			for _, line := range lines {
				if len(said) == 0 {
					break
				}
				if _, err := io.WriteString(near, line+"\n"); err != nil || !answers.Scan() {
					t.Fatalf("no answer to %q (%v, %v)", line, err, answers.Err())
				}
				a := answers.Text()
				if a != "ok" && !strings.HasPrefix(a, "ok: ") && !strings.HasPrefix(a, "error: ") {
					t.Errorf("%q is answered with %q", line, a)
				}
				command := strings.Join(strings.Fields(line), " ")
				pressed = pressed || command == "stop press" || command == "stop open" || command == "stop blip"
				broken = broken || strings.HasPrefix(command, "line broken stop")
			}
			r.wait(time.Second)
			if n, _ := r.stopped(); pressed && !broken && n == 0 || !pressed && !broken && n > 0 {
				t.Errorf("%q: %d stops", said, n)
			}
			near.Close()
		})
	})
}

// FuzzPin: a text that may name a pin is found among the pins, or told what there is; one that may not is told what is allowed.
func FuzzPin(f *testing.F) {
	for _, text := range []string{"gpiochip4:3", "pinctrl-rp1:1", "GPIO17", "WAKE", "gpiochip4:4", ":1", "gpiochip4:", "gpiochip4:+1", "gpiochip4:00", "gpiochip4:99999999999999999999", " x", "\x00", "a:b:0", "gpiochip0::0"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if err := CheckName(text); err != nil {
			if !strings.Contains(err.Error(), "allowed is") {
				t.Errorf("%q: %v", text, err)
			}
			return
		}
		chips := twoChips()
		var meant []gpio.PinIO
		at := strings.LastIndexByte(text, ':')
		number, bad := strconv.Atoi(text[at+1:])
		for _, c := range chips {
			for n, l := range c.lines {
				if l.Name() == text || bad == nil && number == n && at >= 0 && (text[:at] == c.name || text[:at] == c.label) {
					meant = append(meant, l)
				}
			}
		}
		switch pin, err := find(chips, text); {
		case err != nil && (pin != nil || len(meant) == 1 || !strings.Contains(err.Error(), "there is ") && !strings.Contains(err.Error(), "write ")):
			t.Errorf("%q: %v, %v, meant is %v", text, pin, err, meant)
		case err == nil && (len(meant) != 1 || pin != meant[0]):
			t.Errorf("%q is %v, meant is %v", text, pin, meant)
		}
	})
}
