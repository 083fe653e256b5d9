package doctor

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"unsafe"
)

// Pin is a line that the configuration names: "CHIP:LINE", or the name of a line.
type Pin struct{ Key, Text string }

// Pins looks whether the lines are there and free, or taken by us: no line is requested or changed.
func Pins(pins []Pin) Check {
	return Check{"pins", func() (out []Finding) {
		chips, err := readChips()
		if errors.Is(err, errNoChips) {
			return []Finding{bad("See that this is the board with the wires, and that its kernel has a driver for the pins.", "This computer has no pins that a program could see (no /dev/gpiochip…), and the configuration names some under [wall].")}
		}
		if err != nil {
			return []Finding{bad("Run the doctor as root, or as the service's user; see that the kernel has a driver for this board's pins.", "The pins of this computer cannot be looked at: %v.", err)}
		}
		for _, p := range pins {
			out = append(out, pin(p, chips))
		}
		return out
	}}
}

// chip is a GPIO chip of the kernel's, with its lines.
type chip struct {
	name, label string
	lines       []gpioLine
}

type gpioLine struct {
	name, user string
	used       bool
}

func pin(p Pin, chips []chip) Finding {
	var names []string
	for _, c := range chips {
		names = append(names, fmt.Sprintf("%s (%s, %d lines)", c.name, c.label, len(c.lines)))
	}
	for _, c := range chips {
		for i, l := range c.lines {
			if p.Text != fmt.Sprintf("%s:%d", c.name, i) && p.Text != fmt.Sprintf("%s:%d", c.label, i) && (l.name == "" || p.Text != l.name) {
				continue
			}
			where := fmt.Sprintf("%s = %q, line %d of %s", p.Key, p.Text, i, c.name)
			switch {
			case !l.used:
				return good("%s, is free.", where)
			case strings.Contains(l.user, "sequencerd") || strings.Contains(l.user, "periph"):
				return good("%s, is in use by this program.", where)
			}
			return bad("Choose another pin, or free this one (a device-tree overlay may have it).", "%s, is in use by %q.", where, l.user)
		}
	}
	return bad("Correct it under [wall].", "%s = %q: there is no such line. There are: %s.", p.Key, p.Text, strings.Join(names, ", "))
}

// What the kernel is asked, and its answers: linux/gpio.h (uapi), GPIO_GET_CHIPINFO_IOCTL and GPIO_V2_GET_LINEINFO_IOCTL.
const (
	getChipInfo = 0x8044b401
	getLineInfo = 0xc100b405
	lineUsed    = 1
)

type chipInfo struct {
	name, label [32]byte
	lines       uint32
}

type lineInfo struct {
	name, consumer   [32]byte
	offset, numAttrs uint32
	flags            uint64
	attrs            [10][16]byte
	_                [4]uint32
}

var errNoChips = errors.New("there is no /dev/gpiochip*")

func readChips() (all []chip, err error) {
	paths, _ := filepath.Glob("/dev/gpiochip*")
	for _, path := range paths {
		c, err := readChip(path)
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, errNoChips
	}
	return all, nil
}

// readChip opens a chip for reading, which neither takes nor changes a line.
func readChip(path string) (c chip, err error) {
	f, err := os.Open(path)
	if err != nil {
		return c, err
	}
	defer f.Close()
	var info chipInfo
	if err := ioctl(f, getChipInfo, unsafe.Pointer(&info)); err != nil {
		return c, fmt.Errorf("%s: %w", path, err)
	}
	c = chip{name: text(info.name), label: text(info.label)}
	for i := range info.lines {
		l := lineInfo{offset: i}
		if err := ioctl(f, getLineInfo, unsafe.Pointer(&l)); err != nil {
			return c, fmt.Errorf("%s, line %s: %w", path, strconv.Itoa(int(i)), err)
		}
		c.lines = append(c.lines, gpioLine{text(l.name), text(l.consumer), l.flags&lineUsed != 0})
	}
	return c, nil
}

func ioctl(f *os.File, what uintptr, into unsafe.Pointer) error {
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), what, uintptr(into)); errno != 0 {
		return errno
	}
	return nil
}

func text(b [32]byte) string {
	s, _, _ := strings.Cut(string(b[:]), "\x00")
	return s
}
