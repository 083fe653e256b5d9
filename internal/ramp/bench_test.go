package ramp

import (
	"fmt"
	"testing"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

// Goals: a change within 100 ns, a position in sequence within 15 ns, both without allocation; a profile of 1,000 blocks within 1 ms, and linear beyond.

func BenchmarkChange(b *testing.B) {
	p := flumeWith(b, usual, 2, water.Motor{Min: units.RPM(150), Max: units.RPM(1800), RPMPerSecond: 600}, 1.6)
	for _, c := range []struct {
		name     string
		v, a, to float64
	}{{"up", 0.8, 0.02, 1.3}, {"down", 1.3, 0.05, 0.9}, {"to standstill", 1.2, 0.05, 0}, {"to standstill, slow water", 0.3, 0, 0}} {
		from, to := stateOf(c.v, c.a), speed(c.to)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				m := p.Change(from, to)
				if m.last == 0 {
					b.Fatal("no change")
				}
			}
		})
	}
}

func BenchmarkLeg(b *testing.B) {
	p := flume(b, usual, 2, 150, 1.6)
	block := byDistance(b, 100, "1:50", "1:40")
	b.ReportAllocs()
	for b.Loop() {
		if l := p.Leg(State{}, block, Progress{}, nil); !l.Reached() {
			b.Fatal("not reached")
		}
	}
}

// session has n blocks: hundreds with rests, on a send-off, and every tenth of two paces.
func session(b *testing.B, n int) []schedule.Block {
	hundred, build := byDistance(b, 100, "1:40", "1:40"), byDistance(b, 100, "1:50", "1:40")
	blocks := make([]schedule.Block, 0, n)
	for len(blocks) < n {
		swim := hundred
		if len(blocks)%20 == 0 {
			swim = build
		}
		blocks = append(blocks, swim, rest(10*time.Second, schedule.SendOff{First: len(blocks), Every: 140 * time.Second}))
	}
	for i := range blocks {
		blocks[i].Index, blocks[i].Step = i, i // each its own step: the most that there is to look at
	}
	return blocks
}

func BenchmarkProfile(b *testing.B) {
	for _, ramp := range []float64{0, 600} {
		p := flumeWith(b, usual, 2, water.Motor{Min: units.RPM(150), Max: units.RPM(1800), RPMPerSecond: ramp}, 1.6)
		for _, n := range []int{1000, 10_000} {
			blocks := session(b, n)
			b.Run(fmt.Sprintf("%d blocks, %g rpm per s", n, ramp), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, _, err := p.Profile(State{}, blocks); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkPositionInSequence(b *testing.B) {
	p := flume(b, usual, 2, 150, 1.6)
	f, _, err := p.Profile(State{}, session(b, 1000))
	if err != nil {
		b.Fatal(err)
	}
	total, _ := f.Total()
	c, t := f.Cursor(), time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		if t += 50 * time.Millisecond; t > total {
			t = 0
			c = f.Cursor()
		}
		c.At(t)
	}
}
