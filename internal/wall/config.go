package wall

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Pin says what a pin is for.
type Pin uint8

// The pins. Stop, cover and level are normally closed.
const (
	StopPin Pin = iota
	PressPin
	SlowerPin
	FasterPin
	SkipPin
	OccupancyPin // closed: somebody is seen
	CoverPin     // closed: the cover is on
	LevelPin     // closed: enough water
	LampPin
	BeeperPin
	HeartbeatPin
	pinCount
)

var keys = [pinCount]string{
	"stop_pin", "press_pin", "slower_pin", "faster_pin", "skip_pin", "occupancy_pin", "cover_pin", "level_pin", "lamp_pin", "beeper_pin", "heartbeat_pin",
}

// Key is the pin's key in the [wall] table of a configuration.
func (p Pin) Key() string { return keys[p] }

func (p Pin) output() bool { return p >= LampPin }
func (p Pin) button() bool { return p >= PressPin && p <= SkipPin }

// Pins are all there are.
func Pins() []Pin {
	all := make([]Pin, pinCount)
	for i := range all {
		all[i] = Pin(i)
	}
	return all
}

// DefaultDebounce is how long a contact has to be still before it counts: contacts bounce for a few milliseconds (common practice, no source).
// It never delays a stop.
const DefaultDebounce = 20 * time.Millisecond

// Config says which pin is what. The zero Config is a place without a wall.
type Config struct {
	Pins            map[Pin]string // those that there are: "CHIP:LINE", the chip by its name or label, or the name of a line
	Debounce        time.Duration  // of all inputs but the stop; default 20 ms
	ButtonsToGround bool           // a pressed button reads Low; else High, as all other contacts do when they are closed
	ExternalPulls   bool           // the resistors are on the board: the computer's own are left as they are
	Simulated       bool           // pins that are not there; where Pins is empty, one of each
	Socket          string         // path of the socket that a simulated wall is pressed by; empty for none
}

// Present reports whether there is a wall to open.
func (c Config) Present() bool { return len(c.Pins) > 0 || c.Simulated }

// PinError says which pin is wrong, how, and what there is.
type PinError struct {
	Key  string // in the [wall] table
	Pin  string // as the configuration has it; empty where it has none
	Text string
}

// Error is "[wall] KEY = "PIN": TEXT".
func (e *PinError) Error() string {
	if e.Pin == "" {
		return fmt.Sprintf("[wall] %s: %s", e.Key, e.Text)
	}
	return fmt.Sprintf("[wall] %s = %q: %s", e.Key, e.Pin, e.Text)
}

// Check finds what can be seen to be wrong without opening anything. The error is a *PinError.
func (c Config) Check() error {
	taken := map[string]string{}
	for p, key := range keys {
		text, given := c.Pins[Pin(p)]
		if !given {
			if Pin(p) == StopPin && len(c.Pins) > 0 {
				return &PinError{key, "", "missing: a wall has a stop button"}
			}
			continue
		}
		if err := CheckName(text); err != nil {
			return &PinError{key, text, err.Error()}
		}
		if other, twice := taken[text]; twice {
			return &PinError{key, text, "is " + other + " already"}
		}
		taken[text] = key
	}
	return nil
}

// CheckName reports whether a text can name a pin: its error says what is allowed.
func CheckName(text string) error {
	chip, line, numbered := cutLast(text)
	_, err := strconv.ParseUint(line, 10, 16)
	if text == "" || strings.TrimSpace(text) != text || utf8.RuneCountInString(text) > 60 || strings.ContainsFunc(text, unicode.IsControl) ||
		numbered && (chip == "" || err != nil) {
		return fmt.Errorf(`allowed is the chip and the number of a line, as in "gpiochip0:17", or the name of a line, as in "GPIO17"`)
	}
	return nil
}

// cutLast cuts at the last colon.
func cutLast(text string) (chip, line string, numbered bool) {
	i := strings.LastIndexByte(text, ':')
	if i < 0 {
		return "", text, false
	}
	return text[:i], text[i+1:], true
}
