package wall

import (
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
)

func TestWhatIsWrongWithAConfig(t *testing.T) {
	const allowed = `allowed is the chip and the number of a line, as in "gpiochip0:17", or the name of a line, as in "GPIO17"`
	for _, c := range []struct {
		pins map[Pin]string
		want string
	}{
		{nil, ""},
		{map[Pin]string{LampPin: "GPIO4"}, "[wall] stop_pin: missing: a wall has a stop button"},
		{map[Pin]string{StopPin: ""}, "[wall] stop_pin: " + allowed},
		{map[Pin]string{StopPin: "gpiochip0:x"}, `[wall] stop_pin = "gpiochip0:x": ` + allowed},
		{map[Pin]string{StopPin: ":17"}, `[wall] stop_pin = ":17": ` + allowed},
		{map[Pin]string{StopPin: "gpiochip0:-1"}, `[wall] stop_pin = "gpiochip0:-1": ` + allowed},
		{map[Pin]string{StopPin: " GPIO17"}, `[wall] stop_pin = " GPIO17": ` + allowed},
		{map[Pin]string{StopPin: "GPIO17", PressPin: "GPIO17"}, `[wall] press_pin = "GPIO17": is stop_pin already`},
		{map[Pin]string{StopPin: "GPIO17", PressPin: "pinctrl-bcm2711:27"}, ""},
	} {
		err := Config{Pins: c.pins}.Check()
		var pin *PinError
		if c.want == "" && err != nil || c.want != "" && (!errors.As(err, &pin) || err.Error() != c.want) {
			t.Errorf("%v: got %v, want %s", c.pins, err, c.want)
		}
	}
	if len(Pins()) != len(keys) || Pins()[0].Key() != "stop_pin" {
		t.Error("Pins does not list the pins")
	}
}

func twoChips() []chip {
	line := func(name string) gpio.PinIO { return &simulatedPin{name: name} }
	return []chip{
		{"gpiochip4", "pinctrl-rp1", []gpio.PinIO{line("ID_SDA"), line("GPIO17"), line("WAKE"), line("")}},
		{"gpiochip0", "gpio-brcmstb@107d508500", []gpio.PinIO{line("WAKE"), line("")}},
	}
}

func TestFindingAPin(t *testing.T) {
	const both = "gpiochip4, also called pinctrl-rp1, lines 0 to 3; gpiochip0, also called gpio-brcmstb@107d508500, lines 0 to 1"
	chips := twoChips()
	for _, c := range []struct {
		text string
		want gpio.PinIO
		says string
	}{
		{"gpiochip4:3", chips[0].lines[3], ""},
		{"pinctrl-rp1:1", chips[0].lines[1], ""},
		{"gpiochip0:0", chips[1].lines[0], ""},
		{"GPIO17", chips[0].lines[1], ""},
		{"gpiochip4:4", nil, "there is no such line; there is gpiochip4, also called pinctrl-rp1, lines 0 to 3"},
		{"gpiochip1:0", nil, "there is no such chip; there is " + both},
		{"GPIO18", nil, "no line has that name; there are ID_SDA, GPIO17, WAKE, WAKE; by number, there is " + both},
		{"WAKE", nil, `several lines have that name: write "gpiochip4:2" or "gpiochip0:0"`},
	} {
		got, err := find(chips, c.text)
		if got != c.want || c.says != "" && (err == nil || err.Error() != c.says) || c.says == "" && err != nil {
			t.Errorf("%s: %v, %v; want %v, %s", c.text, got, err, c.want, c.says)
		}
	}
	if _, err := find([]chip{{"gpiochip0", "x", []gpio.PinIO{&simulatedPin{}}}}, "GPIO1"); err == nil || !strings.HasPrefix(err.Error(), "no line has a name here") {
		t.Error(err)
	}
}

// closer counts what the library's lines do at their end.
type closer struct {
	gpio.PinIO
	held *int
	fail error
}

func (c *closer) In(p gpio.Pull, e gpio.Edge) error {
	*c.held++ // the library asks the kernel for the line before it configures it, and keeps it where that fails
	if c.fail != nil {
		return c.fail
	}
	return c.PinIO.In(p, e)
}
func (c *closer) Out(l gpio.Level) error { return c.In(gpio.PullNoChange, gpio.NoEdge) }
func (c *closer) Close()                 { *c.held = 0 }
func (c *closer) Consumer() string       { return "heater@812" }

// A pin that cannot be had, whichever, leaves none held, and is named.
func TestNothingStaysHalfOpen(t *testing.T) {
	quiet(t)
	for bad := range Pins() {
		c := Config{}
		sim := newSimulation(&c)
		var held [pinCount]int
		_, err := open(c, func() { t.Error("stop was called") }, func(p Pin, text string) (gpio.PinIO, error) {
			pin := &closer{PinIO: sim.pins[p], held: &held[p]}
			if p == Pin(bad) {
				pin.fail = errors.New("line_request ioctl: device or resource busy")
			}
			return pin, nil
		})
		want := `[wall] ` + keys[bad] + ` = "` + c.Pins[Pin(bad)] + `": it is in use by "heater@812"`
		if err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
		if held != [pinCount]int{} {
			t.Errorf("%s failed, and still held are %v", keys[bad], held)
		}
	}
}

func TestOnePinByTwoNames(t *testing.T) {
	chips := twoChips()
	_, err := open(Config{Pins: map[Pin]string{StopPin: "GPIO17", SkipPin: "gpiochip4:1"}}, func() {}, func(_ Pin, text string) (gpio.PinIO, error) { return find(chips, text) })
	if want := `[wall] skip_pin = "gpiochip4:1": is stop_pin already, by another name`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// Whatever this machine has, a pin that no machine has is a clear error.
func TestARealPinThatIsNotThere(t *testing.T) {
	quiet(t)
	_, err := Open(Config{Pins: map[Pin]string{StopPin: "nowhere:65000"}}, func() {})
	var pin *PinError
	if !errors.As(err, &pin) || pin.Key != "stop_pin" || pin.Pin != "nowhere:65000" || pin.Text == "" {
		t.Errorf("got %v", err)
	}
}

// How each pin is set up: all pulled to the side that is safe when the wire is open, edges only at the stop and only those of a stop.
func TestPulls(t *testing.T) {
	for _, c := range []struct {
		c       Config
		buttons gpio.Pull
		others  gpio.Pull
	}{
		{Config{}, gpio.PullDown, gpio.PullDown},
		{Config{ButtonsToGround: true}, gpio.PullUp, gpio.PullDown},
		{Config{ExternalPulls: true}, gpio.PullNoChange, gpio.PullNoChange},
		{Config{ExternalPulls: true, ButtonsToGround: true}, gpio.PullNoChange, gpio.PullNoChange},
	} {
		sim := newSimulation(&c.c)
		if _, err := open(c.c, func() {}, sim.find); err != nil {
			t.Fatal(err)
		}
		for p := StopPin; p <= LevelPin; p++ {
			want, edge := c.others, gpio.NoEdge
			if p.button() {
				want = c.buttons
			}
			if p == StopPin {
				edge = gpio.FallingEdge
			}
			if pin := sim.pins[p]; pin.pull != want || pin.edge != edge {
				t.Errorf("%+v: %s has %v, %v; want %v, %v", c.c, p.Key(), pin.pull, pin.edge, want, edge)
			}
		}
	}
}
