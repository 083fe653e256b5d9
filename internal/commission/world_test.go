package commission_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/commission"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/wall"
)

// place is a flume with everything fitted, and an installer who does and answers what is right; faults are planted in either.
type place struct {
	t      *testing.T
	s      *settings.Settings
	back   *simulated.Backend
	wall   *wall.Wall
	seq    *sequencer.Sequencer
	course *commission.Course
	said   []string
	noise  *rand.Rand
	hidden simulated.Config // of a flume that nobody knows

	// What is planted.
	first     string            // what the wall is like at the begin
	swap      map[string]string // another line than the one that is meant
	answers   map[string]string // by the question's beginning
	welded    bool
	elsewhere bool                                   // the page's stop, where the button's is asked for
	floats    func(took time.Duration) time.Duration // by an installer who errs
	atPlace   string
	shares    map[string]float64
	length    float64
	off       time.Time // when the motor was switched off
}

const everything = `
[flume]
inertia_m = 0.8
[store]
path = ""
[wall]
simulated = true
`

// inPlace builds the place in a bubble of its own, and does something in it.
func inPlace(t *testing.T, text string, plant func(*place, *simulated.Config), do func(ctx context.Context, p *place)) {
	t.Helper()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s, err := settings.Parse("test.toml", []byte(text), config.Default())
		if err != nil {
			t.Fatal(err)
		}
		p := &place{t: t, s: s, swap: map[string]string{}, answers: map[string]string{}, shares: map[string]float64{"swimmer": 1, "back": 0.93},
			noise: rand.New(rand.NewPCG(1, 2)), atPlace: "swimmer"}
		c := s.Drive.Simulated
		c.Model = s.Model
		if plant != nil {
			plant(p, &c)
		}
		if p.back, err = simulated.New(c); err != nil {
			t.Fatal(err)
		}
		d := drive.New(p.back, drive.Config{Model: s.Model})
		if p.wall, err = wall.Open(s.Wall, func() { d.Stop(fault.StopPressed) }); err != nil {
			t.Fatal(err)
		}
		planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Flume.TopSpeed)
		if err != nil {
			t.Fatal(err)
		}
		p.seq = sequencer.New(sequencer.Config{Drive: d, Model: s.Model, Planner: planner, Wall: p.wall, Inline: true, Safety: safety.Config{
			Cap: s.Flume.TopSpeed, MaxAccel: units.MetresPerSecond2(0.1), IdleShutoff: time.Hour, LongestSwim: time.Hour, MotorRamp: s.Drive.Motor.RPMPerSecond, Uncommissioned: true,
		}}, 1)
		if p.course, err = commission.New(commission.Config{Sequencer: p.seq, Settings: s, Hand: p, Dir: dir, Now: func() time.Time { return installed }, Simulated: true}); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		tasks := []func(context.Context) error{p.seq.Run, p.wall.Run, p.relay}
		ended := make(chan error, len(tasks))
		for _, run := range tasks {
			go func() { ended <- run(ctx) }()
		}
		do(ctx, p)
		cancel()
		for range tasks {
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
		if err := p.wall.Close(); err != nil {
			t.Error(err)
		}
	})
}

var installed = time.Date(2026, 11, 25, 14, 30, 0, 0, time.UTC)

// relay takes the drive's enable away while the heartbeat stands still, as a watchdog relay does.
func (p *place) relay(ctx context.Context) error {
	look := time.NewTicker(100 * time.Millisecond)
	defer look.Stop()
	beats, still := "", 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
		}
		show, err := p.wall.Command(ctx, "show")
		if err != nil {
			return nil
		}
		if at := strings.Index(show, "heartbeat"); at >= 0 {
			show = show[at:]
		}
		if show != beats {
			beats, still = show, 0
			continue
		}
		if still++; still == 4 && !p.welded && p.back.Motor().RPM() > 1 {
			p.back.Trip()
		}
	}
}

func (p *place) Say(text string) {
	p.said = append(p.said, text)
	for _, does := range []struct{ says, line string }{
		{"Press the stop button, and hold it", "stop press"}, {"Release it.", "stop release"}, {"Take one of its wires off", "stop open"}, {"Put the wire back", "stop release"},
		{"Release the stop button.", "stop release"},
		{`Press the "press" button`, "press"}, {`Press the "slower" button`, "slower"}, {`Press the "faster" button`, "faster"}, {`Press the "skip" button`, "skip"},
		{"occupancy sensor sees nobody", "occupancy empty"}, {"Step where it sees you", "occupancy seen"},
		{"Take the cover away", "cover open"}, {"Put the cover back", "cover closed"}, {"Make the water level contact open", "level low"}, {"Let it close again", "level good"},
		{"Somebody is seen", "occupancy empty"},
		{"Press the stop button now", "stop press"},
	} {
		if strings.Contains(text, does.says) {
			line := does.line
			if p.elsewhere && does.says == "Press the stop button now" {
				continue
			}
			if other, ok := p.swap[line]; ok {
				line = other
			}
			if line == "" {
				continue
			}
			go func() {
				if _, err := p.wall.Command(p.t.Context(), line); err != nil && p.t.Context().Err() == nil {
					p.t.Error(err)
				}
			}()
		}
	}
	if strings.HasPrefix(text, "Second 0") {
		p.off = time.Now()
	}
	if strings.HasPrefix(text, "Now press") || p.elsewhere && strings.HasPrefix(text, "Press the stop button now") {
		go p.seq.Do(p.t.Context(), sequencer.Command{What: run.Stop})
	}
	if name, rest, ok := strings.Cut(strings.TrimPrefix(text, "At "), ","); ok && strings.Contains(rest, "from the outlet") {
		p.atPlace = name
	}
}

func (p *place) StopKey() string { return "press the key" }

// Ask answers as somebody who does it right, unless something is planted.
func (p *place) Ask(ctx context.Context, q commission.Question) (string, error) {
	for begin, a := range p.answers {
		if strings.HasPrefix(q.Text, begin) {
			return a, nil
		}
	}
	switch {
	case strings.Contains(q.Text, "Ready?"), len(q.Choices) == 2 && q.Choices[0] == "yes":
		return "yes", nil
	case len(q.Choices) > 0:
		return q.Choices[0], nil
	case strings.HasPrefix(q.Text, "Your name"):
		return "Odile Farrow", nil
	case strings.HasPrefix(q.Text, "The licensed"):
		return "Bram Hesketh, licence 0417", nil
	case strings.HasPrefix(q.Text, "What does the drive's own display"):
		return fmt.Sprintf("%.1f rpm", p.back.Motor().RPM()), nil
	case strings.HasPrefix(q.Text, "Length between"):
		p.length = 1.5
		if strings.Contains(q.Text, "1.50") {
			p.length = 0.4
		}
		return fmt.Sprint(p.length), nil
	case strings.Contains(q.Text, "how long did the floats take"):
		var out []string
		for range 8 {
			out = append(out, fmt.Sprintf("%.3f", p.float(ctx).Seconds()))
		}
		return strings.Join(out, " "), nil
	case strings.HasPrefix(q.Text, "Half way at"):
		return p.coast(ctx), nil
	case strings.HasPrefix(q.Text, "A short name of the place"):
		n := 0
		for _, s := range p.said {
			if strings.HasPrefix(s, "At ") {
				n++
			}
		}
		return []string{"swimmer 1.5", "swimmer 1.5", "back 3", "back 3", "done"}[min(n, 4)], nil
	}
	p.t.Errorf("asked: %s", q.Text)
	return "", commission.ErrLater
}

// begin brings the wall to what it is like at the begin.
func (p *place) begin(ctx context.Context) {
	if p.first == "" {
		return
	}
	if _, err := p.wall.Command(ctx, p.first); err != nil {
		p.t.Fatal(err)
	}
	<-time.After(time.Second)
}

// float is how long a float takes in the water as it is now, at the place where the installer stands.
func (p *place) float(ctx context.Context) time.Duration {
	v, _ := p.back.Water()
	took := p.length / (v.MetresPerSecond() * p.shares[p.atPlace] * (1 + 0.01*p.noise.NormFloat64()))
	d := time.Duration(took * float64(time.Second))
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
	if p.floats != nil {
		d = p.floats(d)
	}
	return d
}

// coast times floats one behind the other, by the distance that the water really flows.
func (p *place) coast(ctx context.Context) string {
	begin := p.off
	var out []string
	for range 8 {
		from := time.Now()
		_, x0 := p.back.Water()
		for {
			select {
			case <-time.After(10 * time.Millisecond):
			case <-ctx.Done():
				return ""
			}
			if _, x := p.back.Water(); x.Metres()-x0.Metres() >= p.length || time.Since(from) > time.Minute {
				break
			}
		}
		took := time.Since(from)
		out = append(out, fmt.Sprintf("%.2f/%.2f", (from.Sub(begin)+took/2).Seconds(), took.Seconds()))
	}
	return strings.Join(out, " ")
}
