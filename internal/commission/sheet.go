package commission

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/wall"
)

// sheetWidth is that of a terminal, and of a sheet of paper in a common type.
const sheetWidth = 78

// WriteSheet writes what an installer reads before going: terminals and wires for this configuration's pins, what to set in the drive, what to bring, and
// the time that the course takes. It claims nothing that the drive's manual, local code and the electrician do not overrule.
func WriteSheet(w io.Writer, s *settings.Settings) error {
	out := bufio.NewWriter(w)
	p := sheet{out}
	p.text("", "INSTALLATION SHEET: "+s.Flume.Name)
	if s.Drive.Backend == "simulated" {
		p.text("", "SIMULATED: the drive of this configuration is inside the program. Nothing is wired to it; this sheet is for training.")
	}
	p.text("", "Where the drive's manual, the local code or the licensed electrician say otherwise, they are right and this sheet is wrong. Work on mains voltage is the electrician's. The program is no safety device.")
	p.wires(s)
	p.link(s)
	p.parameters(s)
	p.bring(s)
	p.times()
	return out.Flush()
}

// sheet is plain text of 78 columns.
type sheet struct{ w *bufio.Writer }

func (p sheet) head(title string) {
	fmt.Fprintf(p.w, "\n%s\n%s\n", title, strings.Repeat("-", len(title)))
}

// text is a paragraph behind a mark; its further lines stand under the first.
func (p sheet) text(mark, text string) {
	indent := strings.Repeat(" ", len([]rune(mark)))
	line := mark
	for _, word := range pieces(text, sheetWidth-len([]rune(mark))) {
		if n := len([]rune(line)); n > len([]rune(indent)) && n+1+len([]rune(word)) > sheetWidth {
			fmt.Fprintln(p.w, line)
			line = indent
		}
		if len([]rune(line)) > len([]rune(indent)) {
			line += " "
		}
		line += word
	}
	fmt.Fprintln(p.w, line)
}

// pieces are the words of a text; one that is longer than a line, as a path can be, is parted.
func pieces(text string, most int) (out []string) {
	for _, word := range strings.Fields(text) {
		r := []rune(word)
		for ; len(r) > most; r = r[most:] {
			out = append(out, string(r[:most]))
		}
		out = append(out, string(r))
	}
	return out
}

func (p sheet) item(text string) { p.text("  [ ] ", text) }

// row is a name and what belongs to it.
func (p sheet) row(name, text string) { p.text(fmt.Sprintf("  [ ] %-30s ", name), text) }

// pinWires says how each pin is wired.
var pinWires = map[wall.Pin]string{
	wall.StopPin:      "stop button, normally closed: supply - contact - pin",
	wall.PressPin:     "start/pause button",
	wall.SlowerPin:    "slower button",
	wall.FasterPin:    "faster button",
	wall.SkipPin:      "next-block button",
	wall.OccupancyPin: "occupancy sensor: closed while somebody is seen",
	wall.CoverPin:     "cover contact, normally closed: open, no water moves",
	wall.LevelPin:     "water level contact, normally closed: open, no water moves",
	wall.LampPin:      "output: lamp, through a relay or transistor",
	wall.BeeperPin:    "output: beeper, through a relay or transistor",
	wall.HeartbeatPin: "output: watchdog relay in the drive's enable line",
}

func (p sheet) wires(s *settings.Settings) {
	p.head("1 Wires")
	p.row("emergency stop", "hard-wired, within the swimmer's reach, two contacts if the electrician says so; it takes the drive's enable (safe torque off) or its supply away with no software in between."+map[bool]string{true: " The button on stop_pin is NOT it.", false: ""}[fitted(s, wall.StopPin)])
	p.row("drive enable", "through the emergency stop"+map[bool]string{true: " and through the contact of the heartbeat's relay, in series", false: ""}[fitted(s, wall.HeartbeatPin)]+"; open is: motor off")
	pins := s.Wall.Fitted()
	if len(pins) == 0 {
		p.row("[wall]", "no pins are given: no button, sensor or lamp is wired to the computer")
		return
	}
	for _, pin := range wall.Pins() {
		if at, ok := pins[pin]; ok {
			p.row(pin.Key()+" = "+at, pinText(s, pin))
		}
	}
	p.text("  ", "Contacts switch the computer's 3.3 V supply to the pin, never more. A broken wire then reads as pressed (stop), open (cover, level), nobody there, not pressed.")
	if s.Wall.ExternalPulls {
		p.item(`pulls = "external": a resistor to 0 V at each input, 4.7 to 10 kOhm (common practice, no source), to 3.3 V at buttons that switch to 0 V`)
	} else {
		p.item(`pulls = "internal": the computer pulls its pins down itself, for short wires. Longer than a few metres: resistors on the board, and pulls = "external"`)
	}
	if fitted(s, wall.HeartbeatPin) {
		p.item("the heartbeat relay is one that falls when its input stands still, high or low alike: it changes 20 times a second while motion is permitted. A plain relay on this pin protects nobody")
	}
}

// pinText is a pin's wire, with what its contact switches to where buttons can do either.
func pinText(s *settings.Settings, pin wall.Pin) string {
	text := pinWires[pin]
	switch pin {
	case wall.PressPin, wall.SlowerPin, wall.FasterPin, wall.SkipPin:
		if s.Wall.ButtonsToGround {
			return text + ", normally open: 0 V - contact - pin"
		}
		return text + ", normally open: supply - contact - pin"
	}
	return text
}

func fitted(s *settings.Settings, pin wall.Pin) bool { _, ok := s.Wall.Fitted()[pin]; return ok }

func (p sheet) link(s *settings.Settings) {
	p.head("2 The link to the drive")
	switch d := s.Drive; d.Backend {
	case "serial":
		p.row("port", or(d.Serial.Port, "none is given yet: /dev/serial/by-id/..."))
		p.row("A and B (D-, D+)", "one twisted pair, A to A and B to B. Makers name them both ways: where nothing answers, swap them")
		p.row("common (0 V)", "a third wire, at both ends")
		p.row("shield", "to earth at one end, the drive's, unless its manual says otherwise")
		p.row("termination", "120 Ohm between A and B at each end of the line, none in between")
		p.row("adapter", "switches its direction by itself, and hands nothing back of what it sends (no echo)")
		p.item("the line is laid apart from the motor's cable, and crosses it at a right angle")
	case "mqtt":
		p.row("broker", d.MQTT.URL)
		p.row("topic", d.MQTT.Topic+" with /command, /stop and /state below it")
		p.row("client id", d.MQTT.ClientID+": no other client has it")
		if strings.HasPrefix(d.MQTT.URL, "mqtt:") {
			p.item("the broker is in the flume's own network, behind a wall to all others: mqtt:// is not encrypted")
		}
		p.item("node and drive in one cabinet; cable rather than radio where there is a choice")
	default:
		p.text("  ", "SIMULATED: none.")
	}
}

func (p sheet) parameters(s *settings.Settings) {
	p.head("3 What to set in the drive")
	d := s.Drive
	rest := "the drive's quick stop, down a ramp to rest and then off; no coasting on at speed, no going on"
	switch d.Backend {
	case "serial":
		c := d.Serial
		p.row("map of registers", d.SerialMap)
		p.row("baud, parity, stop bits", fmt.Sprintf("%d, %s, %d", c.Baud, c.Parity, c.StopBits))
		p.row("address", fmt.Sprint(c.Address))
		p.row("link-loss time", fmt.Sprintf("%v, with a stop as its reaction: %s", c.LinkLoss, rest))
		p.row("ramp of a quick stop", rampText(c.QuickStopRPMPerSecond, d.Motor.Max.RPM(), "left as it is in the drive: 3 s to rest at most"))
		p.row("command source", "start, stop and speed from the serial line alone; none from its own panel or terminals but the enable")
		p.row("pole pairs", fmt.Sprintf("%d, for a drive that counts in Hz", c.PolePairs))
	case "mqtt":
		p.row("link-loss time", fmt.Sprintf("the node's: %v at most, with a stop as its reaction: %s", d.MQTT.LinkLoss, rest))
		p.row("time to live", fmt.Sprintf("%v: the node takes no command that is older by its own clock", d.MQTT.TimeToLive))
		p.row("ramp of a quick stop", "the node's: 3 s to rest at most")
		p.row("command source", "the node alone; none from the drive's own panel or terminals but the enable")
	default:
		c := d.Simulated
		p.row("link-loss time", fmt.Sprintf("%v, with a stop as its reaction (as simulated)", c.LinkLoss))
		p.row("ramp of a quick stop", rampText(c.QuickStopRPMPerSecond, d.Motor.Max.RPM(), "none"))
		p.row("command source", "the link alone")
	}
	p.row("ramps up and down", rampText(d.Motor.RPMPerSecond, d.Motor.Max.RPM(), "none worth minding: full speed within 1.5 s"))
	p.row("lowest and highest speed", fmt.Sprintf("%g and %g rpm of the motor", d.Motor.Min.RPM(), d.Motor.Max.RPM()))
	if d.Backend == "serial" {
		p.row("highest frequency", fmt.Sprintf("%.4g Hz, which is the highest speed at %d pole pairs without slip", d.Motor.Max.RPM()/60*float64(d.Serial.PolePairs), d.Serial.PolePairs))
	}
	p.row("rotation lock", "backwards is refused")
	p.row("no start by itself", "not at power-up, not after a fault, not when the link comes back")
	p.row("motor data, protection", "by the motor's plate and the electrician")
}

// rampText is a ramp with the time that it takes over the whole range.
func rampText(rpmPerSecond, most float64, none string) string {
	if rpmPerSecond == 0 {
		return none
	}
	return fmt.Sprintf("%g rpm/s: %.1f s between rest and %g rpm", rpmPerSecond, most/rpmPerSecond, most)
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

func (p sheet) bring(s *settings.Settings) {
	p.head("4 What to bring, and who")
	p.item("the licensed electrician, with the test report of protective device (RCD or GFCI) and bonding; a second person: one at the water, one at the emergency stop")
	p.item("the drive's manual and the motor's plate; a screwdriver for the terminals, a multimeter, a hand tachometer if there is one")
	if s.Drive.Backend == "serial" {
		p.item("the adapter, two resistors of 120 Ohm, a shielded twisted pair with a third wire")
	}
	p.item("a tape, two cords or laths to lay across, three floats that hang at the swimmer's depth, two stopwatches, paper; or a current meter")
	p.item("a computer or phone for the panel, or a keyboard; nobody in the water, on any part of it")
}

func (p sheet) times() {
	p.head("5 The course, in minutes where all is well")
	safe, all := Length()
	said := false
	for _, part := range Parts() {
		if !part.Safety && !said {
			said = true
			p.total("the safety part: nobody swims before it is passed", safe)
		}
		fmt.Fprintf(p.w, "  [ ] %-60s %6d\n", part.Title, part.Minutes)
	}
	p.total("all of it", all)
	p.text("  ", "Each part can be left and done again. What comes of it is kept, with the day, and printed as a page to sign.")
}

func (p sheet) total(what string, d time.Duration) {
	minutes := int(d.Minutes())
	fmt.Fprintf(p.w, "      %-60s %6s\n", what, fmt.Sprintf("%d h %02d", minutes/60, minutes%60))
}

// Length is how long the safety part takes, and all of it: our own estimate.
func Length() (safe, all time.Duration) {
	for _, p := range Parts() {
		d := time.Duration(p.Minutes) * time.Minute
		if all += d; p.Safety {
			safe += d
		}
	}
	return safe, all
}
