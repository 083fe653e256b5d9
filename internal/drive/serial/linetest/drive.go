package linetest

import (
	"bufio"
	_ "embed"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

//go:embed drive.py
var drives []byte

// python is the system's own interpreter, for which the distribution's pymodbus is.
const python = "/usr/bin/python3"

// Unit is the drives' address on the line.
const Unit = 7

// Missing says what the independent drives lack on this machine; nil where they can run. With CI=true in the environment, that is a failure of the test.
func Missing(t testing.TB) error {
	out, err := exec.Command(python, "-c", "import pymodbus.server, serial_asyncio").CombinedOutput()
	if err == nil {
		return nil
	}
	err = fmt.Errorf("not checked against independent drives: they need %s with python3-pymodbus and python3-serial-asyncio: %w\n%s", python, err, out)
	if os.Getenv("CI") == "true" {
		t.Fatal(err)
	}
	return err
}

// Drive is an independent drive at the end of a line: a process of its own, whose motor is the witness.
type Drive struct {
	t   testing.TB
	mu  sync.Mutex
	in  io.Writer
	out *bufio.Scanner
}

// State is what its motor does. Times are seconds of the drive's clock: the system's monotonic one, until At sets another.
type State struct {
	RPM     float64
	Enabled bool
	Word    string  // "well", "quick" or "tripped"
	Heard   float64 // when it was last spoken to
	Halted  float64 // when its latest stop began; −1 for never
	Now     float64
}

// StartDrive starts a drive of a kind ("velocity", "plain", "split") at the end of a line. It ends with the test.
func StartDrive(t testing.TB, kind string, l *Line) *Drive {
	script := filepath.Join(t.TempDir(), "drive.py")
	if err := os.WriteFile(script, drives, 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(python, script, kind, l.Drive, "19200")
	c.Stderr = t.Output()
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // it ends with the test, however that ends
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Kill()
		_ = c.Wait()
	})
	d := &Drive{t: t, in: in, out: bufio.NewScanner(out)}
	if !d.out.Scan() {
		t.Fatalf("the drive does not start: %v", d.out.Err())
	}
	if l.connect != nil {
		if err := l.connect(); err != nil {
			t.Fatalf("the drive cannot be reached: %v", err)
		}
	}
	return d
}

// Tell gives a command, as drive.py explains them, and returns the answer.
func (d *Drive) Tell(format string, args ...any) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := fmt.Fprintf(d.in, format+"\n", args...); err != nil {
		d.t.Errorf("the drive is gone: %v", err)
		return ""
	}
	if !d.out.Scan() {
		d.t.Errorf("the drive is gone: %v", d.out.Err())
	}
	return d.out.Text()
}

// Ask is what the motor does now.
func (d *Drive) Ask() State { return d.state("ask") }

// At sets the drive's clock: its time is told from then on.
func (d *Drive) At(now time.Duration) State { return d.state("at %.6f", now.Seconds()) }

func (d *Drive) state(format string, args ...any) (s State) {
	said := d.Tell(format, args...)
	var on int
	if _, err := fmt.Sscan(said, &s.RPM, &on, &s.Word, &s.Heard, &s.Halted, &s.Now); err != nil {
		d.t.Errorf("the drive says %q: %v", said, err)
	}
	s.Enabled = on == 1
	return s
}

// WithFlowSensor takes the flow sensor of a map that comes with the program out of its comments, for a drive that was told "flow".
func WithFlowSensor(text string) string {
	lines := strings.Split(text, "\n")
	for i := slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, "# [flow_sensor]") }); i >= 0 && strings.HasPrefix(lines[i], "# "); i++ {
		lines[i] = lines[i][2:]
	}
	return strings.Join(lines, "\n")
}
