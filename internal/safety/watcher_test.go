package safety_test

import (
	"errors"
	"fmt"
	"math"
	"time"

	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/safety/safetytest"
)

// watcher judges facts and verdicts for itself: it shares no code with the guard, and its memory is its own. Ages are in ticks.
type watcher struct {
	safetytest.Monitor
	jog   bool
	met   uint64 // stops at the drive in the last tick
	taken uint64 // stops that a reset took back

	lost, fast, slow, over, low, nobody age // for how long it has held without a gap
	bad, begun, press, seen, fell       age // since bad feedback, the start, the last press, the last change of occupancy, the soft stop
}

// age is a time in ticks; −1 where there is none. oldest and more are the same.
type age = int8

const oldest = age(longest / tick)

func newWatcher() watcher {
	return watcher{lost: -1, fast: -1, slow: -1, over: -1, low: -1, nobody: -1, bad: -1, begun: -1, press: -1, seen: -1, fell: -1}
}

func (m *watcher) all() [11]*age {
	return [...]*age{&m.lost, &m.fast, &m.slow, &m.over, &m.low, &m.nobody, &m.bad, &m.begun, &m.press, &m.seen, &m.fell}
}

func hold(a *age, on bool) {
	switch {
	case !on:
		*a = -1
	case *a < 0:
		*a = 0
	}
}

// anew forgets what counts within one swim.
func (m *watcher) anew() {
	bad := m.bad
	for _, a := range m.all() {
		*a = -1
	}
	m.bad, m.jog = bad, false
}

// forget drops what nothing depends on any more.
func (m *watcher) forget() {
	if m.bad >= age(settled/tick) {
		m.bad = -1
	}
	if m.Falling {
		m.low, m.begun, m.press, m.seen = -1, -1, -1, -1
	}
	if m.press = min(m.press, age((idle+seenMost)/tick)); m.seen >= m.press {
		m.seen = -1
	}
}

func stopWireBad(f *safety.Facts) bool {
	w := &f.Wall
	if w.Stop == safety.Absent && w.Cover == safety.Absent && w.Level == safety.Absent && w.Occupancy == safety.Absent {
		return false
	}
	return f.Now-w.At > 200*time.Millisecond || w.Stop != safety.Absent && w.Stop != safety.Good
}

func shut(s safety.Signal) bool { return s != safety.Absent && s != safety.Good }

func somebody(f *safety.Facts) bool {
	return f.Wall.Occupancy == safety.Good || f.Wall.Occupancy == safety.Unknown
}

func old(f *safety.Facts) bool { return f.Drive.Reads == 0 || f.Now-f.Drive.At > 300*time.Millisecond }

// deserted: no sign of a person for the idle time; a change of occupancy counts for a while after the last press only.
func (m *watcher) deserted() bool {
	sign := m.press
	if m.seen >= 0 && m.seen < m.press {
		sign = max(m.seen, m.press-age(seenMost/tick))
	}
	return sign >= age(idle/tick)
}

var (
	errStop  = errors.New("unknown never counts as safe, and a stop is a stop: the permit holds on")
	errNever = errors.New("stops without a cause, or clears less than it might")
)

// tick judges a step.
func (m *watcher) tick(f *safety.Facts, w *safety.Wish, dt time.Duration, v *safety.Verdict) error {
	for _, a := range m.all() {
		if *a >= 0 {
			*a = age(min(time.Duration(*a)+dt/tick, time.Duration(oldest)))
		}
	}
	m.met = f.Drive.Stops
	least, most := -60.0, 60.0 // rpm
	if f.Drive.Ordered.RPM() > 0 {
		least, most = 450, 720
	}
	hold(&m.fast, m.Armed && !(math.Abs(f.Drive.Motor.RPM()) <= most))
	hold(&m.slow, m.Started && !(f.Drive.Motor.RPM() >= least))
	hold(&m.lost, m.Started && f.Drive.Lost)
	hold(&m.over, m.Started && !m.jog && !(f.Water.MetresPerSecond() <= 2))
	hold(&m.low, m.Started && shut(f.Wall.Level))
	hold(&m.nobody, m.Started && w.Swims && shut(f.Wall.Occupancy))
	if f.Drive.Lost || f.Drive.Fault || f.Drive.Reads > 0 && old(f) {
		m.bad = 0
	}
	if f.Press {
		m.press = 0
	}
	if f.Seen {
		m.seen = 0
	}
	const blip, nobody = age(patience / tick), age(nobodyIn / tick)
	stop := f.Stop != "" || stopWireBad(f) || f.Drive.Stops != m.taken || m.fast >= blip ||
		m.Started && (f.Gap > 200*time.Millisecond || f.Drive.Fault || old(f) || shut(f.Wall.Cover) || m.lost >= blip || m.slow >= blip || m.over >= blip) ||
		m.jog && somebody(f) ||
		m.Falling && (w.Off || !w.Under || m.fell > age(softTime/tick))
	soft := m.Started && (m.low >= blip || m.nobody >= nobody || m.begun >= age(longest/tick) || m.deserted())
	ends := m.jog && (soft || m.begun >= age(jogFor/tick) || w.Jog.RPM() == 0) || m.Started && !m.jog && !w.Under
	top := capMPS
	if m.nobody > age((patience+ownWay)/tick) {
		top = slowMPS
	}
	armed := m.Armed
	switch {
	case stop:
		m.anew()
		m.Unsafe()
	case ends:
		m.anew()
		m.Over()
	case soft && !m.Falling:
		m.Soft()
		m.fell = 0
	}
	if err := m.Cleared(v.Cleared, top, accelMPS2); err != nil {
		return err
	}
	speed, _ := v.Cleared.Water()
	jog := v.Cleared.Jog().RPM()
	asked, change := w.Speed.MetresPerSecond(), w.Accel.MetresPerSecond2()
	switch {
	case jog != 0 && !(m.jog && jog > 0 && jog <= jogRPM && speed.MetresPerSecond() == 0):
		return fmt.Errorf("a jog is held to its speed and time: %v", v.Cleared)
	case v.Permit && !m.Armed:
		return errStop
	case v.Stop != (armed && !m.Armed):
		return errors.New("a stop is passed on to the drive")
	case v.Soft != m.Falling:
		return errors.New("a soft stop is passed on to the swim")
	case !v.Permit && m.Armed:
		return errNever
	case m.Started && !m.Falling && !m.jog && !w.Off && w.Jog.RPM() == 0 && asked > 0 && asked <= top && change <= accelMPS2 && speed != w.Speed:
		return errNever
	}
	return nil
}

// fit: nothing known now speaks against a command, and everything is known.
func fit(f *safety.Facts) bool {
	return f.Stop == "" && !stopWireBad(f) && !old(f) && !f.Drive.Lost && !f.Drive.Fault && math.Abs(f.Drive.Motor.RPM()) <= 5
}

// reset judges a reset.
func (m *watcher) reset(f *safety.Facts, granted bool) error {
	if want := !m.Armed && fit(f) && f.Drive.Stops == m.met; granted != want {
		return fmt.Errorf("a reset wants everything known and safe, and no stop since the last tick, and then is granted: granted %v", granted)
	}
	if granted {
		m.anew()
		m.Reset()
		m.taken = f.Drive.Stops
	}
	return nil
}

// start judges a start, or a jog's.
func (m *watcher) start(f *safety.Facts, jog, granted bool) error {
	want := m.Armed && !m.Started && fit(f) && f.Drive.Stops == m.taken && !shut(f.Wall.Cover) && !shut(f.Wall.Level) &&
		(f.Wall.Stop == safety.Absent || f.Wall.StopSeen) && (m.bad < 0 || m.bad >= age(settled/tick)) && !(jog && somebody(f))
	if granted != want {
		return fmt.Errorf("a start wants a reset before it, everything known and safe, and then is granted: granted %v", granted)
	}
	if granted {
		m.anew()
		m.Start()
		m.begun, m.press, m.jog = 0, 0, jog
	}
	return nil
}
