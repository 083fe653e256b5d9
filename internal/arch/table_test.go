package arch

// room is one package of the house: what it is for, and what it may import of the house. Tests of a room may import anything.
type room struct {
	path    string   // below the module
	job     string   // as DEVELOPERS.md shows it
	imports []string // rooms, by path
	closure bool     // and what those import, and so on
	never   []string // taken out of the closure again
	pure    bool     // starts no goroutine, reads no clock, opens nothing
	all     bool     // may import every room
	starts  bool     // may start goroutines by itself, as tests may; all others do it through task
}

const (
	units     = "internal/units"
	fault     = "internal/fault"
	tomlplace = "internal/tomlplace"
	schedule  = "internal/schedule"
	ramp      = "internal/ramp"
	cue       = "internal/cue"
	run       = "internal/run"
	water     = "internal/water"
	survey    = "internal/survey"
	swimmer   = "internal/swimmer"
	safety    = "internal/safety"
	wall      = "internal/wall"
	drive     = "internal/drive"
	simulated = "internal/drive/simulated"
	serial    = "internal/drive/serial"
	mqtt      = "internal/drive/mqtt"
	pty       = "internal/drive/serial/pty"
	linetest  = "internal/drive/serial/linetest"
	drivetest = "internal/drive/drivetest"
	monitor   = "internal/safety/safetytest"
	sequencer = "internal/sequencer"
	rehearse  = "internal/rehearse"
	store     = "internal/store"
	roster    = "internal/roster"
	logbook   = "internal/logbook"
	settings  = "internal/settings"
	panel     = "internal/panel"
	comm      = "internal/commission"
	commtest  = "internal/commission/commissiontest"
	home      = "internal/home"
	physician = "internal/doctor"
	task      = "internal/task"
	alive     = "internal/alive"
	config    = "config"
	program   = "cmd/sequencerd"
	guest     = "internal/board/guest"
)

// rooms is the whole house. A package that is not here fails the test.
var rooms = []room{
	{path: units, pure: true, job: "speed, distance, pace, motor speed: opaque types, parsed and printed"},
	{path: fault, pure: true, job: "every sentence shown to a person: code, what happened, what the water does now, what to do"},
	{path: tomlplace, pure: true, job: "TOML text → tables that tell everything wrong at once, each at line and column", imports: []string{fault}},
	{path: schedule, pure: true, job: "session text → checked session → flat blocks for one swimmer", imports: []string{units, fault, tomlplace}},
	{path: water, pure: true, job: "motor rpm ↔ water speed: calibration, inertia, stations; the water as estimated from reported rpm", imports: []string{units, fault}},
	{path: survey, pure: true, job: "timed floats and readings → calibration, its error, inertia, stations; whether they still fit", imports: []string{water, units, fault}},
	{path: ramp, pure: true, job: "blocks and limits → profile; the position on it at any time", imports: []string{schedule, water, units, fault}},
	{path: cue, pure: true, job: "the rhythms: what each cue is, as on and off times"},
	{path: run, pure: true, job: "one swim: states, commands, block clock, announcements → wish", imports: []string{ramp, schedule, water, cue, units, fault}},
	{path: swimmer, pure: true, job: "timed swims → threshold and its error; what a session asks of this swimmer", imports: []string{schedule, units, fault}},
	{path: safety, pure: true, job: "timestamped facts → cleared speed or a stop, with the reason", imports: []string{cue, units, fault}},
	{path: monitor, pure: true, job: "the monitor that guards are held to, which shares nothing with them", imports: []string{safety}},
	{path: wall, job: "buttons, lamp, beeper, occupancy, interlocks, heartbeat; is handed stop as a function", imports: []string{safety, cue, fault}},
	{path: drive, job: "the one way to a motor: stop latch, mailbox, clamps, deadlines, staleness over a small backend", imports: []string{safety, water, units, fault}},
	{path: simulated, job: "a motor that is not there, and water that is not quite the model", imports: []string{drive, water, units, fault}},
	{path: serial, job: "a motor drive on a serial line", imports: []string{drive, water, tomlplace, units, fault}},
	{path: pty, job: "a serial line without wires"},
	{path: linetest, job: "a serial line that goes wrong, and independent drives at its end; for tests", imports: []string{pty}},
	{path: mqtt, job: "a motor node behind a broker", imports: []string{drive, water, units, fault}},
	{path: drivetest, starts: true, job: "the conformance suite that every backend passes", imports: []string{drive, safety, water, units, fault}},
	{path: sequencer, job: "the loop: timer, facts, guard, drive, snapshots", imports: []string{run, safety, drive, water, wall}, closure: true},
	{path: rehearse, job: "a session through the same tick without waiting; table, JSON, CSV, plot", imports: []string{sequencer, simulated}, closure: true, never: []string{wall}},
	{path: store, job: "swimmers, swims, paired devices, records: durable", imports: []string{units, fault}},
	{path: logbook, job: "what the loop tells → stored swims, without ever holding the loop up", imports: []string{sequencer, store, survey}, closure: true, never: []string{wall}},
	{path: settings, job: "configuration file → checked values, all faults at once with file and line",
		imports: []string{schedule, ramp, water, safety, wall, drive, simulated, serial, mqtt, alive, tomlplace, units, fault}},
	{path: roster, job: "who swims here: of the store, with threshold and what they swam, else of the configuration", imports: []string{store, swimmer, settings, schedule, units, fault}},
	{path: panel, job: "web pages and HTTP API: sends commands, reads snapshots", imports: []string{sequencer, rehearse, store, swimmer, roster, settings}, closure: true, never: []string{wall}},
	{path: comm, job: "the installer's course: measurements, verdicts, record", imports: []string{sequencer, drive, water, survey, store, settings}, closure: true},
	{path: commtest, job: "a passed course beside a configuration; for tests", imports: []string{comm, settings, config}},
	{path: home, job: "the daemon on the network: mDNS, status for home automation", imports: []string{sequencer, settings, units, fault}},
	{path: physician, job: "looks at an installation and says in plain words what it lacks; moves nothing", imports: []string{drive, store, fault}},
	{path: alive, job: "tells the supervisor and the hardware watchdog that ticks end on time; fed by a function, so that it needs no room"},
	{path: task, starts: true, job: "starts goroutines, recovers panics, stops the drive, ends the process; any room that is not pure may import it", imports: []string{fault}},
	{path: "internal/arch", job: "this map as a test"},
	{path: config, job: "the commented default configuration and the demo sessions, embedded"},
	{path: program, job: "command line and wiring only", all: true},
	{path: "internal/board", job: "the whole thing on a virtual board with a stock kernel, pressed and broken from outside; tests only"},
	{path: guest, job: "the first process of the virtual board: a service manager as small as can be"},
	{path: "internal/figures", job: "the table of how good it is: goal, figure, yardstick; measures, and is no part of the program"},
	{path: "internal/faults", job: "faults against the real program as a process, a motor as another process for witness; tests only"},
	{path: "deploy/deb", job: "builds the Debian packages, with what they owe to others"},
	{path: "deploy/trial", job: "tries the packages in a minimal Debian: unpacked, under a real systemd, swum, reloaded, hung, upgraded, purged, by the lines of the documents", imports: []string{fault, settings, config, commtest}},
	{path: "deploy/systemd", job: "unit, udev and user rules, and a test of them"},
}

// edge is an import that somebody will want one day, and why it is not to be had. The reason is part of the failure.
type edge struct{ from, to, why string }

var forbidden = []edge{
	{units, fault, "a quantity must be usable to phrase a fault; parse errors here are plain errors"},
	{schedule, ramp, "a session is text and numbers for any flume; whether this one can do it is the plan's question"},
	{schedule, swimmer, "a session takes a threshold as a value; where that comes from is not its business"},
	{water, survey, "the model takes points; how they were measured is not its business"},
	{water, ramp, "the model says what the water does, never what it should do"},
	{run, safety, "a swim only wishes; whether water may move is decided after it, by somebody else"},
	{run, drive, "a swim only wishes; with a drive in reach, one day it would move one"},
	{safety, drive, "facts come to the guard as values with a time, so that it can be tested with any fact at any time"},
	{safety, run, "the guard must not depend on what it guards"},
	{wall, drive, "the wall is handed stop as a function: it can stop a motor and never set one"},
	{wall, sequencer, "the wall must stop the drive while the loop hangs"},
	{drive, sequencer, "a drive does what is cleared; it does not know about swims"},
	{drive, run, "a drive does what is cleared; it does not know about swims"},
	{simulated, safety, "a backend gets orders; only the drive turns a clearance into one"},
	{serial, safety, "a backend gets orders; only the drive turns a clearance into one"},
	{mqtt, safety, "a backend gets orders; only the drive turns a clearance into one"},
	{rehearse, wall, "a rehearsal has no pins, and must not open any"},
	{panel, wall, "a web server must not be able to act as a button or hold an input"},
	{home, wall, "the network must not be able to act as a button or hold an input"},
	{home, drive, "home automation sees snapshots; nothing on the network but the panel commands"},
	{store, run, "the store keeps what it is given; its files outlive the types of a swim"},
	{store, sequencer, "the store keeps values; the logbook turns what the loop tells into them"},
	{sequencer, logbook, "the loop tells whoever listens, and never waits for a disk"},
	{sequencer, store, "the loop must not be able to wait for a disk"},
	{logbook, wall, "who keeps the books presses no buttons"},
	{alive, sequencer, "the loop feeds it; what watches the loop may not call it"},
	{alive, safety, "alive is not permitted: it says that the loop works, in any state"},
	{settings, sequencer, "settings are values; the program wires them"},
	{settings, config, "the program hands the embedded default over like any other file"},
	{comm, program, "a program is not a library"},
}

// library is a module from outside, the rooms that may use it (none: tests only), and what it is there for.
// docs/decisions/ has a page that names it.
type library struct {
	path  string
	rooms []string
	why   string
}

var libraries = []library{
	{"github.com/BurntSushi/toml", []string{tomlplace}, "reads TOML"},
	{"github.com/alecthomas/kong", []string{program}, "command line from one struct"},
	{"github.com/eclipse/paho.mqtt.golang", []string{mqtt, home}, "MQTT client"},
	{"github.com/simonvetter/modbus", nil, "another master to hold ours against"},
	{"github.com/coreos/go-systemd/v22", []string{alive}, "what the supervisor wants, by its environment"},
	{"github.com/prometheus/common", nil, "the reader of the format of /metrics"},
	{"github.com/prometheus/client_model", nil, "what that reader gives"},
	{"github.com/chromedp/chromedp", nil, "a real browser on the pages"},
	{"github.com/chromedp/cdproto", nil, "its protocol"},
	{"golang.org/x/sys", []string{drive, serial, pty, alive, guest}, "flock, serial lines, the hardware watchdog, a first process"},
	{"golang.org/x/net", []string{home}, "messages of multicast DNS, and the network that each came by"},
	{"golang.org/x/term", []string{program}, "single key presses, width of the terminal"},
	{"gonum.org/v1/gonum", []string{water, survey}, "monotone cubic through the calibration; Student's t and small least squares for its error"},
	{"golang.org/x/image", []string{rehearse}, "letters and shapes as pixels, for a curve as PNG"},
	{"codeberg.org/go-fonts/liberation", []string{rehearse}, "the letters"},
	{"periph.io/x/conn/v3", []string{wall}, "pins"},
	{"periph.io/x/host/v3", []string{wall}, "pins on Linux"},
	{"zombiezen.com/go/sqlite", []string{store}, "SQLite without C"},
	{"pgregory.net/rapid", nil, "property tests"},
	{"github.com/rogpeppe/go-internal", nil, "command lines of the documents, run as scripts"},
	{"go.uber.org/goleak", nil, "goroutines left behind by a test"},
}

// mayImport is the set of rooms that r may import.
func mayImport(house []room, r room) map[string]bool {
	byPath := map[string]room{}
	for _, o := range house {
		byPath[o.path] = o
	}
	ok := map[string]bool{}
	var add func(paths []string)
	add = func(paths []string) {
		for _, p := range paths {
			if ok[p] {
				continue
			}
			ok[p] = true
			if r.closure {
				add(byPath[p].imports)
			}
		}
	}
	add(r.imports)
	if r.all {
		for _, o := range house {
			ok[o.path] = true
		}
	}
	if _, there := byPath[task]; there && !r.pure {
		ok[task] = true
	}
	for _, p := range r.never {
		delete(ok, p)
	}
	delete(ok, r.path)
	return ok
}
