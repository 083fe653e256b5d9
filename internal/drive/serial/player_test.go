package serial

import (
	"encoding/binary"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/units"
)

// played is a played drive on a line that can be cut, by the suite's clock. The simulated motor behind it is the witness.
type played struct {
	*Backend
	*hands
}

type hands struct {
	line  *linetest.Line
	motor *simulated.Backend

	mu     sync.Mutex
	now    time.Duration
	player *Player
	deaf   uint16 // requests for this register have no answer; 0 for none
	missed int    // so many there were
}

// at lets time go on in small steps, as a drive does that looks after itself.
func (h *hands) at(now time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for h.now < now {
		h.now = min(now, h.now+lookEvery)
		h.player.Tick(h.now)
	}
}

// answer plays the drive until its file is closed.
func (h *hands) answer(file *os.File) {
	var got []byte
	b := make([]byte, 256)
	for {
		n, err := file.Read(b)
		if err != nil {
			return
		}
		got = append(got, b[:n]...)
		for size := requestLength(got); size > 0 && len(got) >= size; size = requestLength(got) {
			h.mu.Lock()
			answer := h.player.Answer(got[:size])
			if h.deaf != 0 && binary.BigEndian.Uint16(got[2:]) == h.deaf {
				answer = nil
				h.missed++
			}
			h.mu.Unlock()
			got = got[size:]
			_, _ = file.Write(answer) // nothing may be listening
		}
	}
}

func (p played) Set(r drive.Round, o drive.Order) error {
	p.at(r.Elapsed)
	return p.Backend.Set(r, o)
}

func (p played) Read(r drive.Round) (drive.Feedback, error) {
	p.at(r.Elapsed)
	return p.Backend.Read(r)
}

func (p played) Stop(r drive.Round) error {
	p.at(r.Elapsed)
	return p.Backend.Stop(r)
}

func (h *hands) Motor(now time.Duration) units.MotorSpeed { h.at(now); return h.motor.Motor() }
func (h *hands) Enabled(now time.Duration) bool {
	h.at(now)
	return slices.Contains([]simulated.State{simulated.Enabling, simulated.Running, simulated.QuickStop}, h.motor.State())
}
func (h *hands) Trip(now time.Duration)    { h.at(now); h.motor.Trip() }
func (h *hands) Cut(now time.Duration)     { h.at(now); h.line.Cut(true) }
func (h *hands) Restore(now time.Duration) { h.at(now); h.line.Cut(false) }
func (h *hands) Garble(now time.Duration)  { h.at(now); h.line.Noise(2) }
func (h *hands) Delay(now time.Duration)   { h.at(now); h.line.Late(tooLate) }

// newPlayed is a fresh one.
func newPlayed(t testing.TB, file string) (drive.Backend, drivetest.Witness) {
	p := play(t, readMap(t, file), simulated.Config{RampRPMPerSecond: 15_000, QuickStopRPMPerSecond: 15_000, EnableTime: 50 * ms})
	return p, p.hands
}

// play is one of that map, with a motor and water like that.
func play(t testing.TB, m *Map, motor simulated.Config) played {
	line := linetest.NewLine(t, 0)
	c := config(t, line, "oxbow-f.toml")
	c.Map, c.Baud, c.Answer, c.Slowest = m, 115200, suiteAnswer, suiteSlowest // as in TestConformance
	motor.Model, motor.LinkLoss = flume(t), time.Minute
	sim, err := simulated.New(motor)
	if err != nil {
		t.Fatal(err)
	}
	player, err := NewPlayer(c, sim)
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range b.setup.want { // as an installer has left them
		if player.held[w.address] = uint16(w.want); w.wide {
			player.held[w.address], player.held[w.address+1] = uint16(w.want>>16), uint16(w.want)
		}
	}
	file, err := os.OpenFile(line.Drive, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	h := &hands{line: line, motor: sim, player: player}
	var done sync.WaitGroup
	done.Go(func() { h.answer(file) })
	t.Cleanup(func() { file.Close(); done.Wait() })
	return played{b, h}
}

// The drive that an installer learns on is a drive: the program's own backend passes the suite on it, for each map.
func TestConformanceOnAPlayedDrive(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		t.Run(k.file, func(t *testing.T) {
			t.Parallel()
			drivetest.Suite(t, drivetest.Options{
				New:   func(t testing.TB) (drive.Backend, drivetest.Witness) { return newPlayed(t, k.file) },
				Model: flume(t), Settle: 550 * time.Millisecond, LinkLoss: linkLoss, Timeout: 200 * time.Millisecond,
			})
		})
	}
}

// Whatever is said on the line, a played drive answers in whole frames of its own, and no more than one to each request.
func FuzzPlayer(f *testing.F) {
	for _, q := range []request{
		readRequest(linetest.Unit, readHolding, 0x2100, 3), readRequest(linetest.Unit, readHolding, 0x2100, 4), readRequest(linetest.Unit, readInput, 0x10, 1), readRequest(linetest.Unit, readHolding, 0x2100, 0),
		writeRequest(linetest.Unit, writeSingle, 0x2000, 1), writeRequest(linetest.Unit, writeMultiple, 0x2000, 1, 2000), readRequest(9, readHolding, 0x2100, 1),
	} {
		f.Add(q.frame, int16(50))
	}
	f.Add(sealed([]byte{linetest.Unit, writeMultiple, 0x20, 0, 0, 2, 3, 0, 1, 7}), int16(0)) // fewer bytes than registers
	f.Add(sealed([]byte{linetest.Unit, writeMultiple, 0x20, 0, 0, 0, 0}), int16(0))
	f.Add(sealed([]byte{linetest.Unit, 7}), int16(0)) // functions that it does not know
	f.Add(sealed([]byte{linetest.Unit, 43, 14, 1, 0}), int16(0))
	f.Fuzz(func(t *testing.T, got []byte, later int16) {
		line := &linetest.Line{Master: "-"}
		sim, err := simulated.New(simulated.Config{Model: flume(t), FlowSensor: 1})
		if err != nil {
			t.Fatal(err)
		}
		c := config(t, line, "oxbow-f.toml")
		c.Map = sensing(t, "oxbow-f.toml")
		p, err := NewPlayer(c, sim)
		if err != nil {
			t.Fatal(err)
		}
		if a := p.Answer(got); a != nil && !intact(a) { // all of it as one frame, as after a silence
			t.Fatalf("to % x it answers % x", got, a)
		}
		for size := requestLength(got); size > 0 && len(got) >= size; size = requestLength(got) {
			if a := p.Answer(got[:size]); a != nil && (len(a) < 5 || len(a) > 256 || !intact(a) || a[0] != linetest.Unit || a[1]&^failed != got[1]) {
				t.Fatalf("to % x it answers % x", got[:size], a)
			}
			got = got[size:]
			p.Tick(p.now + time.Duration(later)*ms)
		}
		if n := sim.Motor().RPM(); !(n >= 0 && n <= 1500) {
			t.Fatalf("the motor turns at %v", n)
		}
	})
}
