package safety_test

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

// hazards: each sentence is a condition of a swim under way, what it does and after how long.
var hazards = []struct {
	sentence string
	bend     bend
	code     fault.Code
	level    safety.Level
	patience time.Duration // the tick at which the condition has held for so long is the first to act
}{
	{"a stop asked", asks(fault.PersonStop), fault.PersonStop, safety.Fast, 0},
	{"a stop latched at the drive by somebody else", stopsMore, fault.LoopSilent, safety.Fast, 0},
	{"a stop latched at the drive without a reason", func(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops, f.Drive.Why = 2, "" }, fault.StopPressed, safety.Fast, 0},
	{"stops that run back, as of another drive", func(f *safety.Facts, _ *safety.Wish) { f.Drive.Stops = 0 }, fault.NotReset, safety.Fast, 0},
	{"the stop button pressed", stopWire(safety.Bad), fault.StopPressed, safety.Fast, 0},
	{"the stop wire unread", stopWire(safety.Unknown), fault.WallUnread, safety.Fast, 0},
	{"a stop wire that reads something unheard of", stopWire(99), fault.WallUnread, safety.Fast, 0},
	{"a wall last read 201 ms ago", wallAge(201 * time.Millisecond), fault.WallUnread, safety.Fast, 0},
	{"a wall never read", func(f *safety.Facts, _ *safety.Wish) { f.Wall = safety.WallFacts{} }, fault.WallUnread, safety.Fast, 0},
	{"a tick 151 ms late", late(201 * time.Millisecond), fault.TickLate, safety.Fast, 0},
	{"a fault of the drive", faulty, fault.DriveFault, safety.Fast, 0},
	{"a link lost", lost, fault.LinkLost, safety.Fast, 200 * time.Millisecond},
	{"feedback 301 ms old", driveAge(301 * time.Millisecond), fault.FeedbackOld, safety.Fast, 0},
	{"a drive never heard", unheard, fault.FeedbackOld, safety.Fast, 0},
	{"a motor 61 rpm and a tenth faster than ordered", turn(1000, 1161), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor that turns at 61 rpm with nothing ordered", turn(0, 61), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor that turns backwards", turn(0, -61), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor speed that is no number", turn(0, nan), fault.MotorFast, safety.Fast, 500 * time.Millisecond},
	{"a motor 61 rpm and 15 in 100 slower than ordered for long", turn(100, 24), fault.MotorSlow, safety.Fast, 2*time.Second + 300*time.Millisecond}, // from where half its ramp demands so much
	{"water a tenth and 0.1 m/s over the cap", flows(1.87), fault.OverSpeed, safety.Fast, 2 * time.Second},
	{"a water speed that is no number", flows(nan), fault.OverSpeed, safety.Fast, 2 * time.Second},
	{"the cover off", cover(safety.Bad), fault.CoverOff, safety.Fast, 0},
	{"the cover unread", cover(safety.Unknown), fault.CoverOff, safety.Fast, 0},
	{"too little water", level(safety.Bad), fault.WaterLevel, safety.Soft, 2 * time.Second},
	{"a water level unread", level(safety.Unknown), fault.WaterLevel, safety.Soft, 2 * time.Second},
	{"nobody seen for 15 s", empty, fault.NobodySeen, safety.Caution, 15 * time.Second},
	{"nobody seen for 30 s", empty, fault.NobodySlow, safety.Slow, 30 * time.Second},
	{"nobody seen for 60 s", empty, fault.NobodyStop, safety.Soft, 60 * time.Second},
	{"an occupancy unknown for 15 s", noSight, fault.NobodySeen, safety.Caution, 15 * time.Second},
	{"an occupancy unknown for 60 s", noSight, fault.NobodyStop, safety.Soft, 60 * time.Second},
	{"more wished than the cap", wish(1.7), fault.OverCap, safety.Notice, 0},
	{"the configuration edited", func(f *safety.Facts, _ *safety.Wish) { f.Edited = true }, fault.Edited, safety.Notice, 0},
}

func TestEveryHazardActsAfterItsPatienceAndNotBefore(t *testing.T) {
	for _, h := range hazards {
		t.Run(h.sentence, func(t *testing.T) {
			p := swimming(t)
			for blip := tick; blip <= h.patience; blip += max(tick, h.patience/7/tick*tick) {
				for held := time.Duration(0); held < blip; held += tick {
					if v := p.step(h.bend); v.Level >= h.level || v.Why == h.code {
						t.Fatalf("acts after %v: %+v", held, v)
					}
				}
				if v := p.step(); v.Level != safety.Fine || mps(v.Cleared) != 1 {
					t.Fatalf("a blip of %v does something: %+v", blip, v)
				}
				for range 20 { // so that the motor's own tolerance is where it was
					p.step()
				}
			}
			p = swimming(t)
			v := p.step(h.bend)
			for held := time.Duration(0); held < h.patience; held += tick {
				if v.Level >= h.level || v.Why == h.code {
					t.Fatalf("acts after %v: %+v", held, v)
				}
				v = p.step(h.bend)
			}
			if v.Level != h.level || v.Why != h.code || v.Stop != (h.level == safety.Fast) || v.Soft != (h.level == safety.Soft) {
				t.Fatalf("after %v: %+v", h.patience, v)
			}
			p.afterwards(h.level, h.code)
		})
	}
}

// afterwards: the cause goes away. Stops stay; the rest goes with its cause.
func (p *pool) afterwards(level safety.Level, code fault.Code) {
	p.t.Helper()
	if level < safety.Soft {
		if v := p.step(); v.Level != safety.Fine || mps(v.Cleared) != 1 {
			p.t.Fatalf("not over with its cause: %+v", v)
		}
		return
	}
	if level == safety.Soft {
		p.w.Speed = mPerS(0.5)
		if v := p.step(); !v.Soft || v.Stop || mps(v.Cleared) != 0.5 || v.Why != code {
			p.t.Fatalf("a soft stop comes down: %+v", v)
		}
		p.w.Off = true
		if v := p.step(); !v.Stop || v.Why != code {
			p.t.Fatalf("a soft stop ends with the drive disabled: %+v", v)
		}
		p.w.Off = false
	}
	for range 100 {
		if v := p.step(); v.Cleared != (safety.Cleared{}) || v.Permit || v.Stop || v.Level != safety.Fast || v.Why != code {
			p.t.Fatalf("a cause that goes away is no permission: %+v", v)
		}
	}
	if err := p.g.Start(p.facts(), false); err == nil {
		p.t.Fatal("started without a reset")
	}
	p.reset()
	if v := p.step(); v.Cleared != (safety.Cleared{}) {
		p.t.Fatalf("a reset alone clears motion: %+v", v)
	}
}

// The other side of each limit: nothing happens, for however long.
func TestWhatIsWithinItsLimitDoesNothing(t *testing.T) {
	for _, c := range []struct {
		sentence string
		bend     bend
	}{
		{"a wall read 200 ms ago", wallAge(200 * time.Millisecond)},
		{"a tick 150 ms late", late(200 * time.Millisecond)},
		{"feedback 300 ms old", driveAge(300 * time.Millisecond)},
		{"a motor 59 rpm and a tenth faster than ordered", turn(1000, 1159)},
		{"a motor that turns at 59 rpm with nothing ordered", turn(0, 59)},
		{"a motor 59 rpm and 15 in 100 slower than ordered", turn(1000, 791)},
		{"water a tenth and just under 0.1 m/s over the cap", flows(1.85)},
		{"no occupancy sensor", noSensor},
		{"no wall at all", func(f *safety.Facts, _ *safety.Wish) { f.Wall = safety.NoWall }},
		{"no interlocks", func(f *safety.Facts, _ *safety.Wish) { f.Wall.Cover, f.Wall.Level = safety.Absent, safety.Absent }},
		{"nobody seen while the blocks do not run", func(f *safety.Facts, w *safety.Wish) { f.Wall.Occupancy, w.Swims = safety.Bad, false }},
		{"a wish at the cap", wish(1.6)},
	} {
		p := swimming(t)
		for range 1300 {
			if v := p.step(c.bend); v.Level != safety.Fine || !v.Permit || v.Cap != (units.Speed{}) {
				t.Errorf("%s: %+v", c.sentence, v)
				break
			}
		}
	}
}
