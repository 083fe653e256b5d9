package wall

import (
	"context"
	"errors"
	"fmt"
	"log"
	"slices"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"flume.example/sequencerd/internal/safety"
)

// simulation is pins that are not there, with contacts that a command can close and open.
type simulation struct {
	pins            [pinCount]*simulatedPin
	buttonsToGround bool
}

// Fitted are the pins that there are: of a simulated wall without any, one of each.
func (c Config) Fitted() map[Pin]string {
	if len(c.Pins) > 0 || !c.Simulated {
		return c.Pins
	}
	all := map[Pin]string{}
	for p, key := range keys {
		all[Pin(p)] = "simulated " + strings.TrimSuffix(key, "_pin")
	}
	return all
}

// newSimulation makes the pins of a configuration. All is well: the stop is
// released, the interlocks are closed, somebody is seen, no button is pressed.
func newSimulation(c *Config) *simulation {
	c.Simulated = true
	c.Pins = c.Fitted()
	s := &simulation{buttonsToGround: c.ButtonsToGround}
	for p, name := range c.Pins {
		s.pins[p] = &simulatedPin{name: name, number: int(p), edges: make(chan struct{}, 16)}
		s.contact(p, !p.button() && !p.output())
	}
	return s
}

func (s *simulation) find(p Pin, _ string) (gpio.PinIO, error) { return s.pins[p], nil }

// contact closes or opens the contact at an input.
func (s *simulation) contact(p Pin, made bool) {
	s.pins[p].set(gpio.Level(made != (s.buttonsToGround && p.button())))
}

const (
	shortPress = 150 * time.Millisecond // on top of the debounce
	mostHold   = time.Minute
)

// switches are the commands that put a contact into a state, and the state: closed or open.
var switches = map[string]struct {
	pin  Pin
	made bool
}{
	"stop press": {StopPin, false}, "stop open": {StopPin, false}, "stop release": {StopPin, true},
	"occupancy empty": {OccupancyPin, false}, "occupancy seen": {OccupancyPin, true},
	"cover open": {CoverPin, false}, "cover closed": {CoverPin, true},
	"level low": {LevelPin, false}, "level good": {LevelPin, true},
}

// presses are the commands that press a button and let it go.
var presses = map[string]Pin{"press": PressPin, "slower": SlowerPin, "faster": FasterPin, "skip": SkipPin}

// Command does to a simulated wall what a hand does to a real one. It returns when that is done, presses and holds when the button is up again:
//
//	press, slower, faster, skip    a short press
//	hold 2.5s                      a long one, of the press button
//	stop press|release|open|blip   open is a wire that broke; a blip is pressed and released at once
//	occupancy seen|empty, cover closed|open, level good|low
//	line broken|whole PIN          PIN as in "cover": it cannot be read or written
//	show                           the answer is the outputs, and how often the heartbeat has changed
//
// The answer is empty but for show. The error says what is wrong with the command.
func (w *Wall) Command(ctx context.Context, line string) (answer string, err error) {
	if !w.Simulated() {
		return "", errors.New("this wall is a real one: press its buttons")
	}
	words := strings.Fields(line)
	command := strings.Join(words, " ")
	if p, ok := presses[command]; ok {
		return "", w.press(ctx, p, w.cfg.Debounce+shortPress)
	}
	if set, ok := switches[command]; ok {
		return "", w.sim.do(set.pin, func() { w.sim.contact(set.pin, set.made) })
	}
	switch {
	case command == "show":
		return w.sim.show(), nil
	case command == "stop blip":
		return "", w.sim.do(StopPin, func() {
			w.sim.contact(StopPin, false)
			w.sim.contact(StopPin, true)
		})
	case len(words) == 2 && words[0] == "hold":
		d, err := time.ParseDuration(words[1])
		if err != nil || d <= 0 || d > mostHold {
			return "", fmt.Errorf("hold %s: allowed is a duration up to %v, as in hold 2.5s", words[1], mostHold)
		}
		return "", w.press(ctx, PressPin, d)
	case len(words) == 3 && words[0] == "line" && (words[1] == "broken" || words[1] == "whole"):
		p := slices.Index(keys[:], strings.TrimSuffix(words[2], "_pin")+"_pin")
		if p < 0 {
			return "", fmt.Errorf("%s: allowed is a pin's key, as in cover or cover_pin", words[2])
		}
		return "", w.sim.do(Pin(p), func() { w.sim.pins[p].breakLine(words[1] == "broken") })
	}
	return "", fmt.Errorf("%q: allowed are press, hold 2.5s, slower, faster, skip, stop press|release|open|blip, occupancy seen|empty, "+
		"cover closed|open, level good|low, line broken|whole PIN, show", command)
}

// do does something to a pin, if it is there.
func (s *simulation) do(p Pin, what func()) error {
	if s.pins[p] == nil {
		return fmt.Errorf("this wall has no %s", p.Key())
	}
	what()
	return nil
}

// press closes the contact of a button for d, and leaves it open long enough to be seen as up. A press before the wall has seen the button up would count for nothing, so it waits for that.
func (w *Wall) press(ctx context.Context, p Pin, d time.Duration) error {
	return w.sim.do(p, func() {
		for w.signalOf(p) == safety.Unknown && ctx.Err() == nil {
			pause(ctx, contactEvery)
		}
		w.sim.contact(p, true)
		pause(ctx, d)
		w.sim.contact(p, false)
		pause(ctx, w.cfg.Debounce+shortPress)
	})
}

func (w *Wall) signalOf(p Pin) safety.Signal {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.signal(p)
}

func (s *simulation) show() string {
	var parts []string
	for p := LampPin; p < pinCount; p++ {
		if pin := s.pins[p]; pin != nil {
			level, changes := pin.output()
			text := strings.TrimSuffix(p.Key(), "_pin") + " off"
			if level {
				text = strings.TrimSuffix(p.Key(), "_pin") + " on"
			}
			if p == HeartbeatPin {
				text += fmt.Sprintf(" after %d changes", changes)
			}
			parts = append(parts, text)
		}
	}
	return strings.Join(parts, ", ")
}

// simulatedPin behaves as the library's lines do on Linux, its pitfalls included: 16 edges are kept and more are lost; a wait of less than no
// time is over at once; a wait of no time lasts until there is an edge; a line that broke reads Low, says so in the log only, and cannot be
// waited for.
type simulatedPin struct {
	name   string
	number int
	edges  chan struct{} // as the kernel queues them

	mu      sync.Mutex
	level   gpio.Level
	edge    gpio.Edge
	pull    gpio.Pull
	broken  bool
	changes int // of the level, by Out
}

var errBroken = errors.New("no such device")

// set is what the contact at the pin does.
func (p *simulatedPin) set(l gpio.Level) {
	p.mu.Lock()
	defer p.mu.Unlock()
	seen := p.edge == gpio.BothEdges || p.edge == gpio.RisingEdge && l == gpio.High || p.edge == gpio.FallingEdge && l == gpio.Low
	if l != p.level && seen && !p.broken {
		select {
		case p.edges <- struct{}{}:
		default:
		}
	}
	p.level = l
}

func (p *simulatedPin) breakLine(broken bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.broken = broken
}

func (p *simulatedPin) output() (level gpio.Level, changes int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.level, p.changes
}

func (p *simulatedPin) In(pull gpio.Pull, edge gpio.Edge) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.broken {
		return errBroken
	}
	p.pull, p.edge = pull, edge
	return nil
}

func (p *simulatedPin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.broken {
		log.Println(errBroken)
		return gpio.Low
	}
	return p.level
}

func (p *simulatedPin) WaitForEdge(timeout time.Duration) bool {
	p.mu.Lock()
	deaf := p.broken || p.edge == gpio.NoEdge
	p.mu.Unlock()
	if deaf || timeout < 0 {
		return false
	}
	if timeout == 0 {
		<-p.edges
		return true
	}
	timer := time.NewTimer(timeout)
	defer timer.Stop()
	select {
	case <-p.edges:
		return true
	case <-timer.C:
		return false
	}
}

func (p *simulatedPin) Out(l gpio.Level) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.broken {
		return errBroken
	}
	if l != p.level {
		p.changes++
	}
	p.level = l
	return nil
}

func (p *simulatedPin) Pull() gpio.Pull        { return p.pull }
func (p *simulatedPin) DefaultPull() gpio.Pull { return gpio.PullNoChange }
func (p *simulatedPin) PWM(gpio.Duty, physic.Frequency) error {
	return errors.New("not a simulated pin")
}
func (p *simulatedPin) String() string   { return p.name }
func (p *simulatedPin) Name() string     { return p.name }
func (p *simulatedPin) Number() int      { return p.number }
func (p *simulatedPin) Function() string { return "" }
func (p *simulatedPin) Halt() error      { return nil }
