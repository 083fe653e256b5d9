package serial

import (
	"flag"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

func TestMain(m *testing.M) {
	flag.Parse()
	_ = flag.Set("test.parallel", "4") // the tests wait for lines far more than they work
	goleak.VerifyTestMain(m)
}

const linkLoss = 800 * time.Millisecond

func flume(t testing.TB) *water.Model {
	m, err := water.New([]water.Point{
		{Motor: units.RPM(300), Water: units.MetresPerSecond(0.4)},
		{Motor: units.RPM(900), Water: units.MetresPerSecond(1.2)},
		{Motor: units.RPM(1500), Water: units.MetresPerSecond(2)},
	}, units.Metres(2), water.Motor{Min: units.RPM(120), Max: units.RPM(1500)})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// kinds are the independent drives, and the maps that are meant for them.
var kinds = []struct{ drive, file string }{
	{"velocity", "tarnholm-v.toml"},
	{"plain", "oxbow-f.toml"},
	{"split", "siltmark-2.toml"},
}

func readMap(t testing.TB, file string) *Map {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "config", "drives", file))
	if err != nil {
		t.Fatal(err)
	}
	m, err := ParseMap(file, text)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func config(t testing.TB, line *linetest.Line, file string) Config {
	return Config{
		Port: line.Master, Baud: 19200, Parity: None, StopBits: 2, Address: linetest.Unit, Answer: 40 * time.Millisecond, Slowest: 100 * time.Millisecond,
		LinkLoss: linkLoss, PolePairs: 2, RampRPMPerSecond: 15_000, QuickStopRPMPerSecond: 15_000, Highest: units.RPM(1500), Map: readMap(t, file),
	}
}

// stage is one of the suite's cases on a line and a drive that all cases share. With its first call it gets a fresh motor.
type stage struct {
	*Backend
	drive *linetest.Drive
	line  *linetest.Line
	once  *sync.Once
}

// at tells the drive the time, so that cases take no longer than the line does.
func (s stage) at(now time.Duration) linetest.State {
	s.once.Do(func() {
		s.line.Cut(false)
		s.drive.At(0)
		s.drive.Tell("fresh")
		for _, p := range s.setup.want { // as an installer has left them; TestSetup sees to the rest
			s.drive.Tell("set %d %d", p.address, uint16(p.want))
			if p.wide {
				s.drive.Tell("set %d %d", p.address, p.want>>16)
				s.drive.Tell("set %d %d", p.address+1, uint16(p.want))
			}
		}
	})
	return s.drive.At(now)
}

func (s stage) Set(r drive.Round, o drive.Order) error {
	s.at(r.Elapsed)
	return s.Backend.Set(r, o)
}

func (s stage) Read(r drive.Round) (drive.Feedback, error) {
	s.at(r.Elapsed)
	return s.Backend.Read(r)
}

func (s stage) Stop(r drive.Round) error {
	s.at(r.Elapsed)
	return s.Backend.Stop(r)
}

// The witness looks at the motor behind the independent drive.
type witness struct{ stage }

func (w witness) Motor(now time.Duration) units.MotorSpeed { return units.RPM(w.at(now).RPM) }
func (w witness) Enabled(now time.Duration) bool           { return w.at(now).Enabled }
func (w witness) Trip(now time.Duration)                   { w.at(now); w.drive.Tell("trip") }
func (w witness) Cut(now time.Duration)                    { w.at(now); w.line.Cut(true) }
func (w witness) Restore(now time.Duration)                { w.at(now); w.line.Cut(false) }
func (w witness) Garble(now time.Duration)                 { w.at(now); w.line.Noise(2) }
func (w witness) Delay(now time.Duration)                  { w.at(now); w.line.Late(tooLate) }

// For the suite: a loaded machine must not look like a late answer, and a late one has to come while it still can.
const (
	suiteAnswer  = 100 * time.Millisecond
	suiteSlowest = 190 * time.Millisecond
	tooLate      = 140 * time.Millisecond
)

func TestConformance(t *testing.T) {
	t.Parallel()
	if err := linetest.Missing(t); err != nil {
		t.Log(err)
		return
	}
	for _, k := range kinds {
		t.Run(k.drive, func(t *testing.T) {
			t.Parallel()
			line := linetest.NewLine(t, 0)
			d := linetest.StartDrive(t, k.drive, line)
			drivetest.Suite(t, drivetest.Options{
				New: func(t testing.TB) (drive.Backend, drivetest.Witness) {
					c := config(t, line, k.file)
					c.Baud = 115200 // the line takes no time, and so the silences on it are short
					c.Answer, c.Slowest = suiteAnswer, suiteSlowest
					b, err := New(c)
					if err != nil {
						t.Fatal(err)
					}
					s := stage{b, d, line, new(sync.Once)}
					return s, witness{s}
				},
				Model: flume(t), Settle: 550 * time.Millisecond, LinkLoss: linkLoss, Timeout: 200 * time.Millisecond,
			})
		})
	}
}
