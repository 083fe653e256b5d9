package safety_test

import (
	"fmt"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/units"
)

// letter is what may happen in one tick, or what a command meets. Ages are times before now.
type letter struct {
	name              string
	f                 safety.Facts // but for its times, its motor and its stops
	driveAge, wallAge time.Duration
	motor             float64 // rpm; follows where it does what it was told
	more              bool    // a stop was latched at the drive since
	w                 safety.Wish
	dt                time.Duration
}

const follows = -1e6

// well is a letter of a tick in which all is well: somebody is seen in the water, and in a jog nobody.
func well(dt time.Duration, w wished) letter {
	l := letter{name: fmt.Sprint(dt, ", ", w.name), dt: dt, w: w.w, motor: follows, f: safety.Facts{
		Gap: tick, Water: mPerS(1), Drive: safety.DriveFacts{Reads: 9, Why: fault.LoopSilent},
		Wall: safety.WallFacts{Stop: safety.Good, StopSeen: true, Occupancy: safety.Good, Cover: safety.Good, Level: safety.Good},
	}}
	if w.w.Jog.RPM() > 0 && !w.w.Under {
		l.f.Wall.Occupancy = safety.Bad
	}
	return l
}

type wished struct {
	name string
	w    safety.Wish
}

func pacing(v, a float64) safety.Wish {
	return safety.Wish{Speed: mPerS(v), Accel: units.MetresPerSecond2(a), Under: true, Swims: true, RestAway: true}
}

var wishes = []wished{
	{"1 m/s", pacing(1, 0.1)},
	{"off and over", safety.Wish{Off: true, RestAway: true}},
	{"over, but for a speed", safety.Wish{Speed: mPerS(1), RestAway: true}},
	{"paused", safety.Wish{Off: true, Under: true, RestAway: true}},
	{"0.5 m/s", pacing(0.5, -0.1)},
	{"3 m/s", pacing(3, 3)},
	{"no number", pacing(nan, 0.1)},
	{"no number as acceleration", pacing(1, nan)},
	{"backwards", pacing(-1, 0)},
	{"a jog", safety.Wish{Jog: units.RPM(900), Off: true, RestAway: true}},
	{"a jog in a swim", safety.Wish{Jog: units.RPM(400), Speed: mPerS(1), Under: true, Swims: true, RestAway: true}},
}

type deviation struct {
	name string
	do   func(l *letter)
}

// deviations are what may be otherwise than well, one dimension a row: of a row at most one holds.
var deviations = [][]deviation{
	{{"stop asked", func(l *letter) { l.f.Stop = fault.StopPressed }}},
	{{"stop latched at the drive", func(l *letter) { l.more = true }}},
	{
		{"stop pressed", func(l *letter) { l.f.Wall.Stop = safety.Bad }},
		{"stop unread", func(l *letter) { l.f.Wall.Stop = safety.Unknown }},
		{"wall stale", func(l *letter) { l.wallAge = 201 * time.Millisecond }},
		{"nothing known of the wall", func(l *letter) { l.f.Wall = safety.WallFacts{}; l.wallAge = base }},
		{"no wall", func(l *letter) { l.f.Wall = safety.NoWall; l.wallAge = base }},
	},
	{
		{"link lost", func(l *letter) { l.f.Drive.Lost = true }},
		{"feedback old", func(l *letter) { l.driveAge = 301 * time.Millisecond }},
		{"drive fault", func(l *letter) { l.f.Drive.Fault = true }},
		{"drive never heard", func(l *letter) { l.f.Drive.Reads = 0; l.driveAge = base }},
	},
	{
		{"motor at rest", func(l *letter) { l.motor = 0 }},
		{"motor turns", func(l *letter) { l.motor = 600 }},
		{"motor creeps", func(l *letter) { l.motor = 20 }},
		{"motor fast", func(l *letter) { l.motor = 2000 }},
		{"motor backwards", func(l *letter) { l.motor = -900 }},
		{"motor no number", func(l *letter) { l.motor = nan }},
	},
	{
		{"somebody", func(l *letter) { l.f.Wall.Occupancy = safety.Good }},
		{"nobody", func(l *letter) { l.f.Wall.Occupancy = safety.Bad }},
		{"occupancy unread", func(l *letter) { l.f.Wall.Occupancy = safety.Unknown }},
	},
	{
		{"cover off", func(l *letter) { l.f.Wall.Cover = safety.Bad }},
		{"cover unread", func(l *letter) { l.f.Wall.Cover = safety.Unknown }},
	},
	{
		{"water low", func(l *letter) { l.f.Wall.Level = safety.Bad }},
		{"level unread", func(l *letter) { l.f.Wall.Level = safety.Unknown }},
	},
	{
		{"water fast", func(l *letter) { l.f.Water = mPerS(2.5) }},
		{"water no number", func(l *letter) { l.f.Water = mPerS(nan) }},
	},
	{{"tick late", func(l *letter) { l.f.Gap = 201 * time.Millisecond }}},
	{{"press", func(l *letter) { l.f.Press = true }}},
	{{"occupancy changed", func(l *letter) { l.f.Seen = true }}},
	{{"stop untried", func(l *letter) { l.f.Wall.StopSeen = false }}},
}

// alphabet: every wish and every length of a tick where all is well; every deviation with the wishes that matter most, for a tick and for half an hour;
// every pair of deviations with a wish to move.
func alphabet() (ticks, commands []letter) {
	for _, dt := range []time.Duration{tick, 2 * tick, time.Second, 30 * time.Minute} {
		for _, w := range wishes {
			ticks = append(ticks, well(dt, w))
		}
	}
	jog := wishes[9]
	commands = append(commands, well(0, wishes[0]), well(0, jog))
	with := func(l letter, ds ...deviation) letter {
		for _, d := range ds {
			l.name += ", " + d.name
			d.do(&l)
		}
		return l
	}
	for i, row := range deviations {
		for _, d := range row {
			for _, dt := range []time.Duration{tick, 30 * time.Minute} {
				for _, w := range []wished{wishes[0], wishes[1], wishes[4], jog} {
					ticks = append(ticks, with(well(dt, w), d))
				}
			}
			commands = append(commands, with(well(0, wishes[0]), d), with(well(0, jog), d))
			for _, other := range deviations[i+1:] {
				for _, e := range other {
					ticks = append(ticks, with(well(tick, wishes[0]), d, e))
				}
			}
		}
	}
	return ticks, commands
}
