//go:build board

package board

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// machine is one life of the board's computer: from power-on until QEMU ends. A reset is within that life.
type machine struct {
	cmd     *exec.Cmd
	over    chan struct{} // closed when it has ended
	console io.Writer
	control *control // QEMU's monitor
	pins    *pins
}

// machineConfig is what a computer is put together from.
type machineConfig struct {
	dir    string // for its sockets: short, a socket's path has 107 letters at most
	serial string // the socket that its serial line leads to
	disk   string // file
	panel  string // address on the host
	clock  string // what the battery clock says at power-on; empty for the host's time
	line   func(string)
}

// powerOn starts the computer. It ends with the test, or by cut.
func powerOn(t *testing.T, c machineConfig) (*machine, error) {
	m := &machine{over: make(chan struct{})}
	args := []string{
		"-M", "virt", "-accel", "tcg", "-cpu", "cortex-a53", "-m", "256", "-smp", "1", "-nodefaults", "-no-user-config", "-display", "none",
		"-chardev", "stdio,id=console,signal=off", "-serial", "chardev:console",
		"-kernel", filepath.Join(kernelDir(), "vmlinuz"), "-initrd", initrd, "-append", "console=ttyAMA0 loglevel=4 panic=0",
		"-device", "i6300esb", "-watchdog-action", "reset",
		"-chardev", "socket,id=drive,path=" + c.serial, "-device", "pci-serial,chardev=drive",
		"-drive", "if=none,id=disk,format=raw,file=" + c.disk, "-device", "virtio-blk-pci,drive=disk",
		"-netdev", "user,id=net,restrict=on,hostfwd=tcp:" + c.panel + "-10.0.2.15:8080", "-device", "virtio-net-pci,netdev=net,romfile=",
		"-qmp", "unix:" + c.dir + "/qmp,server=on,wait=off", "-qtest", "unix:" + c.dir + "/qtest,server=on,wait=off", "-qtest-log", "none",
	}
	if c.clock != "" {
		args = append(args, "-rtc", "base="+c.clock)
	}
	for _, s := range []string{"/qmp", "/qtest"} {
		_ = os.Remove(c.dir + s) // of the life before
	}
	m.cmd = exec.Command(qemu, args...)
	m.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	m.cmd.Stderr = t.Output()
	out, err := m.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if m.console, err = m.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	if err := m.cmd.Start(); err != nil {
		return nil, err
	}
	t.Cleanup(m.cut)
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			c.line(strings.TrimRight(lines.Text(), "\r"))
		}
		_ = m.cmd.Wait()
		close(m.over)
	}()
	if m.control, err = newControl(c.dir + "/qmp"); err != nil {
		return nil, fmt.Errorf("the monitor of the machine: %w", err)
	}
	path, err := m.control.find("child<pl061>")
	if err != nil {
		return nil, err
	}
	m.pins, err = newPins(c.dir+"/qtest", path)
	return m, err
}

// cut takes the power away: nothing in there gets to do anything more.
func (m *machine) cut() {
	_ = m.cmd.Process.Kill()
	<-m.over
}

// dial waits for a socket of the machine.
func dial(path string) (c net.Conn, err error) {
	err = until("the socket "+path, 10*time.Second, func() bool {
		c, err = net.Dial("unix", path)
		return err == nil
	})
	return c, err
}

// level is a change of an output, as it was seen.
type level struct {
	high bool
	at   time.Time
}

// pins are the computer's pins from outside: their inputs are set, their outputs are seen as they change. It speaks QEMU's qtest protocol (docs of QEMU, "QTest
// Device Emulation Testing Framework").
type pins struct {
	path    string
	conn    net.Conn
	answers chan string

	mu      sync.Mutex
	outputs [8][]level
}

func newPins(socket, path string) (*pins, error) {
	c, err := dial(socket)
	if err != nil {
		return nil, err
	}
	p := &pins{path: path, conn: c, answers: make(chan string, 1)}
	go p.listen()
	return p, p.tell("irq_intercept_out " + path)
}

func (p *pins) listen() {
	defer close(p.answers)
	for lines := bufio.NewScanner(p.conn); lines.Scan(); {
		words := strings.Fields(lines.Text())
		if len(words) != 3 || words[0] != "IRQ" {
			p.answers <- lines.Text()
			continue
		}
		var n int
		if _, err := fmt.Sscan(words[2], &n); err != nil || n >= len(p.outputs) {
			continue
		}
		p.mu.Lock()
		p.outputs[n] = append(p.outputs[n], level{words[1] == "raise", time.Now()})
		p.mu.Unlock()
	}
}

func (p *pins) tell(line string) error {
	if _, err := fmt.Fprintln(p.conn, line); err != nil {
		return err
	}
	if answer := <-p.answers; !strings.HasPrefix(answer, "OK") {
		return fmt.Errorf("%s: %q", line, answer)
	}
	return nil
}

// set puts a level on a pin.
func (p *pins) set(pin int, high bool) error {
	n := 0
	if high {
		n = 1
	}
	return p.tell(fmt.Sprintf("set_irq_in %s unnamed-gpio-in %d %d", p.path, pin, n))
}

// changes of an output since then.
func (p *pins) changes(pin int, since time.Time) (out []level) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, l := range p.outputs[pin] {
		if l.at.After(since) {
			out = append(out, l)
		}
	}
	return out
}
