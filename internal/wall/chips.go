package wall

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"
)

// chip is a row of pins as the kernel shows it.
type chip struct {
	name, label string
	lines       []gpio.PinIO
}

// findChips lists the chips that this program may open.
func findChips() ([]chip, error) {
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("the pins of this computer cannot be looked for: %w", err)
	}
	var chips []chip
	for _, c := range gpioioctl.Chips {
		lines := make([]gpio.PinIO, 0, c.LineCount())
		for _, l := range c.Lines() {
			lines = append(lines, l)
		}
		chips = append(chips, chip{c.Name(), c.Label(), lines})
	}
	if len(chips) > 0 {
		return chips, nil
	}
	if there, _ := filepath.Glob("/dev/gpiochip*"); len(there) > 0 {
		f, err := os.Open(there[0])
		f.Close()
		return nil, fmt.Errorf("this program cannot use %s (%v): does its user belong to the group that owns it?", strings.Join(there, ", "), err)
	}
	return nil, errors.New("this computer has no pins that Linux knows of (no /dev/gpiochip*)")
}

// find is the pin that a text names. The error says what there is.
func find(chips []chip, text string) (gpio.PinIO, error) {
	name, line, numbered := cutLast(text)
	if numbered {
		i := slices.IndexFunc(chips, func(c chip) bool { return c.name == name || c.label == name })
		if i < 0 {
			return nil, fmt.Errorf("there is no such chip; there is %s", inventory(chips))
		}
		n, err := strconv.Atoi(line)
		if err != nil || n < 0 || n >= len(chips[i].lines) {
			return nil, fmt.Errorf("there is no such line; there is %s", inventory(chips[i:i+1]))
		}
		return chips[i].lines[n], nil
	}
	var found []gpio.PinIO
	var at, names []string
	for _, c := range chips {
		for n, l := range c.lines {
			if l.Name() == text {
				found, at = append(found, l), append(at, strconv.Quote(c.name+":"+strconv.Itoa(n)))
			}
			if l.Name() != "" {
				names = append(names, l.Name())
			}
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return nil, fmt.Errorf("several lines have that name: write %s", strings.Join(at, " or "))
	case len(names) == 0:
		return nil, fmt.Errorf("no line has a name here; there is %s", inventory(chips))
	}
	const most = 40
	if len(names) > most {
		names = append(names[:most], "…")
	}
	return nil, fmt.Errorf("no line has that name; there are %s; by number, there is %s", strings.Join(names, ", "), inventory(chips))
}

// inventory lists chips with what they can be called by.
func inventory(chips []chip) string {
	list := make([]string, len(chips))
	for i, c := range chips {
		list[i] = fmt.Sprintf("%s, also called %s, lines 0 to %d", c.name, c.label, len(c.lines)-1)
	}
	return strings.Join(list, "; ")
}

// inWords says why a pin that is there cannot be had.
func inWords(pin gpio.PinIO, err error) error {
	if err == nil || !strings.Contains(err.Error(), syscall.EBUSY.Error()) { // the library keeps the text alone
		return err
	}
	if l, ok := pin.(interface{ Consumer() string }); ok && l.Consumer() != "" {
		return fmt.Errorf("it is in use by %q", l.Consumer())
	}
	return errors.New("it is in use by another program")
}
