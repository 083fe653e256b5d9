package serial

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/drivetest"
	"flume.example/sequencerd/internal/drive/serial/linetest"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// bench is a drive at work on a line of 19200 baud, on real time, with somebody who permits 900 rpm without end.
type bench struct {
	*drive.Drive
	t    testing.TB
	line *linetest.Line
	far  *linetest.Drive
}

func atWork(t testing.TB, kind, file string, changes ...func(*Config)) *bench {
	line, far, ok := independent(t, kind)
	if !ok {
		return nil
	}
	return atWorkWith(t, line, far, file, changes...)
}

func atWorkWith(t testing.TB, line *linetest.Line, far *linetest.Drive, file string, changes ...func(*Config)) *bench {
	c := config(t, line, file)
	for _, change := range changes {
		change(&c)
	}
	b, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	d := drive.New(b, drive.Config{Model: flume(t)})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 2)
	go func() { done <- d.Run(ctx) }()
	go func() {
		tick := time.NewTicker(drive.DefaultEvery)
		defer tick.Stop()
		for ctx.Err() == nil {
			d.Set(drivetest.Clear(flume(t).Steady(units.RPM(900)), units.Accel{}))
			<-tick.C
		}
		done <- nil
	}()
	t.Cleanup(func() {
		cancel()
		<-done
		<-done
		_ = b.Close() // the line may be cut
	})
	return &bench{d, t, line, far}
}

// until waits for a condition, and returns how long that took.
func (b *bench) until(what string, is func() bool) time.Duration {
	b.t.Helper()
	return b.within(20*time.Second, what, is) // on a busy machine; it takes far less
}

func (b *bench) within(d time.Duration, what string, is func() bool) time.Duration {
	b.t.Helper()
	begun := time.Now()
	tick := time.NewTicker(2 * ms)
	defer tick.Stop()
	for !is() {
		if time.Since(begun) > d {
			b.t.Fatalf("%v, and not yet %s: %+v, the drive %+v", d, what, b.Report(), b.far.Ask())
		}
		<-tick.C
	}
	return time.Since(begun)
}

// stays asks for rest as long as that.
func (b *bench) stays(d time.Duration, when string) {
	b.t.Helper()
	begun := time.Now()
	tick := time.NewTicker(5 * ms)
	defer tick.Stop()
	for time.Since(begun) < d {
		if s := b.far.Ask(); s.RPM != 0 || s.Enabled {
			b.t.Fatalf("%s: the motor moves: %+v", when, s)
		}
		<-tick.C
	}
}

func (b *bench) atRest() bool { s := b.far.Ask(); return s.RPM == 0 && !s.Enabled }

// start takes back all stops and waits until the motor turns as ordered. Where a loaded machine has held up an answer for too long, it starts over, as
// a person would.
func (b *bench) start() {
	b.t.Helper()
	for range 5 {
		b.until("a link", func() bool { p := b.Report(); return p.Reads > 0 && p.Link == nil && p.Carried == p.Stops })
		b.until("released", func() bool { return b.Unlatch(drivetest.Release(b.Report().Stops)) })
		left := func() bool {
			p := b.Report()
			return b.held() || p.Link != nil && strings.Contains(p.Link.Error(), "left idle")
		}
		b.until("at speed", func() bool { return b.far.Ask().RPM > 895 || left() })
		if !left() {
			return
		}
		b.t.Logf("starting over: %v", b.Report().Link)
		b.stop()
	}
	b.t.Fatal("this machine is too busy for a line in real time")
}

// held reports whether a busy machine has held up the permissions, so that the drive's own watchdog of them has stopped the motor.
func (b *bench) held() bool { p := b.Report(); return p.Latched && p.Why == fault.LoopSilent }

// missed reports whether it has held up an answer for so long that the drive was left idle.
func (b *bench) missed() bool {
	p := b.Report()
	return p.Link != nil && strings.Contains(p.Link.Error(), "it did not answer for")
}

// stop stops and waits for rest.
func (b *bench) stop() {
	b.t.Helper()
	b.Stop(fault.StopPressed)
	b.until("at rest", b.atRest)
}

// howOften is a small number for every day, or what the variable says for a campaign.
func howOften(t testing.TB, few int) int {
	text := os.Getenv("SEQUENCERD_CUTS")
	if text == "" {
		return few
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("SEQUENCERD_CUTS = %q: allowed is a number, 1 or more", text)
	}
	return n
}

// The line is cut at some instant, for some time. The motor's own record is the witness: its quick stop begins within the link-loss time after it was last
// spoken to, and once it has begun nothing moves the motor again although permissions go on coming.
func TestCutAtSomeInstant(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		t.Run(k.drive, func(t *testing.T) {
			t.Parallel()
			b := atWork(t, k.drive, k.file)
			if b == nil {
				return
			}
			seed := uint64(time.Now().UnixNano())
			r := rand.New(rand.NewPCG(seed, 1))
			t.Logf("seed %d", seed)
			var took []time.Duration // from the cut to the quick stop
			var longest float64      // from the last word that the drive heard to the quick stop
			for n := 0; n < howOften(t, 7); n++ {
				b.start()
				<-time.After(time.Duration(r.Int64N(int64(150 * ms))))
				before := b.far.Ask()
				b.line.Cut(true)
				b.until("stopped by itself", func() bool { return b.far.Ask().Halted > before.Now || b.held() })
				s := b.far.Ask()
				if b.held() { // that was no cut
					b.line.Cut(false)
					b.stop()
					n--
					continue
				}
				if loss := s.Halted - s.Heard; loss > linkLoss.Seconds()+0.001 {
					t.Fatalf("cut %d: the quick stop began %.3f s after the drive was last spoken to", n, loss)
				}
				longest = max(longest, s.Halted-s.Heard)
				took = append(took, time.Duration((s.Halted-before.Now)*1e9).Round(ms))
				<-time.After(time.Duration(r.Int64N(int64(150 * ms)))) // the motor may be on its way down, or at rest
				if b.Report().Link == nil {
					t.Fatalf("cut %d: nobody says that the line is cut", n)
				}
				b.line.Cut(false)
				b.until("at rest", b.atRest)
				b.until("a link", func() bool { return b.Report().Link != nil && b.far.Ask().Heard > s.Halted })
				b.stays(150*ms, fmt.Sprintf("cut %d, the line is back, permissions are coming", n))
				b.stop()
			}
			slices.Sort(took)
			t.Logf("%d cuts, none restarted: quick stop p50 %v, p99 %v, at most %v after the cut, %.0f ms after the last word; the link-loss time is %v",
				len(took), took[len(took)/2], took[len(took)*99/100], took[len(took)-1], 1000*longest, linkLoss)
		})
	}
}

// A drive whose link-loss stop leaves no trace would start at the next word: that word must not come.
func TestDriveThatForgetsALostLink(t *testing.T) {
	t.Parallel()
	b := atWork(t, "plain", "oxbow-f.toml", func(c *Config) {
		m, err := ParseMap("forgets.toml", []byte(strings.Replace(c.Map.Text, "value = 2 ", "value = 1 ", 1)))
		if err != nil {
			t.Fatal(err)
		}
		c.Map = m
	})
	if b == nil {
		return
	}
	b.start()
	b.line.Cut(true)
	b.until("stopped by itself", b.atRest)
	b.line.Cut(false)
	b.until("a word from the program", func() bool { s := b.far.Ask(); return s.Heard > s.Halted })
	b.stays(300*ms, "the line is back, permissions are coming")
	b.stop()
	b.start()
	b.stop()
}

// An adapter is pulled out and put in again: that is a fault at once, and afterwards the drive stands until somebody starts it.
func TestAdapterGoesAndComesBack(t *testing.T) {
	t.Parallel()
	b := atWork(t, "plain", "oxbow-f.toml")
	if b == nil {
		return
	}
	b.start()
	b.line.Unplug()
	took := b.until("a fault", func() bool { return b.Report().Link != nil })
	t.Logf("told after %v", took)
	b.until("at rest", b.atRest)
	b.Stop(fault.LinkLost)
	if err := b.line.Plug(); err != nil {
		t.Fatal(err)
	}
	b.until("a link again", func() bool { p := b.Report(); return p.Link == nil && p.Carried == p.Stops })
	b.stays(300*ms, "the adapter is back, permissions are coming")
	b.start()
	b.stop()
}

// A line that goes dead is told within 300 ms, and nothing hangs. The bound here allows for a loaded machine; what it took is logged.
func TestDeadLineIsTold(t *testing.T) {
	t.Parallel()
	b := atWork(t, "velocity", "tarnholm-v.toml")
	if b == nil {
		return
	}
	b.start()
	b.line.Cut(true)
	took := b.within(time.Second, "told", func() bool { return b.Report().Link != nil })
	t.Logf("told %v after the cut", took)
	b.Stop(fault.StopPressed)
	b.line.Cut(false)
	b.until("the stop was carried out", func() bool { p := b.Report(); return p.Carried == p.Stops })
	b.until("at rest", b.atRest)
}

// One bad frame now and then stops no swim: the feedback is never older than the 300 ms that a guard allows, and nothing is left idle.
func TestABadFrameNowAndThenStopsNothing(t *testing.T) {
	t.Parallel()
	b := atWork(t, "velocity", "tarnholm-v.toml")
	if b == nil {
		return
	}
	b.start()
	for _, trouble := range []func(){func() { b.line.Noise(2) }, func() { b.line.Late(60 * ms) }} {
		for range 5 {
			reads, oldest := b.Report().Reads, time.Duration(0)
			trouble()
			b.until("seen", func() bool { return b.Report().Link != nil })
			b.until("over", func() bool {
				p := b.Report()
				oldest = max(oldest, p.Now-p.At)
				return p.Link == nil && p.Reads > reads+5 || b.missed() || b.held()
			})
			t.Logf("the oldest feedback was %v old", oldest)
			if !b.missed() && !b.held() {
				break
			}
			b.stop()
			b.start()
		}
	}
	if s, p := b.far.Ask(), b.Report(); s.RPM < 895 || s.Word != "well" || p.Latched || p.Fault != "" {
		t.Errorf("after a bad frame and a late one: %+v, %+v", s, p)
	}
	b.stop()
}

// A drive that was switched off and on in between, so that it is well again before anybody notices, does not start again by itself.
func TestDriveThatStoppedByItselfStays(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		t.Run(k.drive, func(t *testing.T) {
			t.Parallel()
			b := atWork(t, k.drive, k.file)
			if b == nil {
				return
			}
			b.start()
			b.far.Tell("fresh")
			b.until("told", func() bool { return strings.Contains(b.Report().Fault, "stopped by itself") })
			b.stays(200*ms, "the drive was switched off and on")
			b.stop()
			b.start()
		})
	}
}

// What a start leaves in the drive, by the makers' lists, and that a drive which does not take it is not run.
func TestSetup(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind, file string
		held       map[int]string
		stick      int
		says       string
	}{
		{"velocity", "tarnholm-v.toml", map[int]string{
			0x620: "2", 0x621: "3", 0x622: "800", // down the quick-stop ramp and off; quick stop; ms
			0x630: "0", 0x631: "15000", 0x632: "10", 0x634: "0", 0x635: "15000", 0x636: "10", 0x638: "0", 0x639: "15000", 0x63A: "10", // rpm in tenths of a second
		}, 0x621, "link-loss option (register 0621h) stays at 0: it must be 3"},
		{"plain", "oxbow-f.toml", map[int]string{0x3010: "8", 0x3011: "2", 0x3020: "3"}, 0x3010, "link-loss time (register 3010h) stays at 0: it must be 8"},
		{"split", "siltmark-2.toml", map[int]string{0x100: "80", 0x104: "1"}, 0x104, "stop mode (register 0104h) stays at 0: it must be 1"},
	} {
		t.Run(c.kind, func(t *testing.T) {
			t.Parallel()
			b := atWork(t, c.kind, c.file)
			if b == nil {
				return
			}
			b.start()
			for register, want := range c.held {
				if got := b.far.Tell("get %d", register); got != want {
					t.Errorf("register %04Xh holds %s, want %s", register, got, want)
				}
			}
			b.stop()
			b.far.Tell("set %d 0", c.stick)
			b.far.Tell("stick %d", c.stick)
			b.stop()
			b.until("refused", func() bool { return strings.Contains(b.Report().Fault, c.says) })
			b.until("released", func() bool { return b.Unlatch(drivetest.Release(b.Report().Stops)) })
			b.until("an error of the start", func() bool { p := b.Report(); return p.Link != nil && strings.Contains(p.Link.Error(), c.says) })
			b.stays(200*ms, "a drive without "+c.says)
		})
	}
}

// A drive that is turned off at its own lock says so, instead of starting later by surprise.
func TestDriveThatDoesNotStart(t *testing.T) {
	t.Parallel()
	b := atWork(t, "velocity", "tarnholm-v.toml")
	if b == nil {
		return
	}
	b.far.Tell("stick %d", 0x600)
	b.until("a link", func() bool { p := b.Report(); return p.Link == nil && p.Carried == p.Stops })
	b.until("released", func() bool { return b.Unlatch(drivetest.Release(b.Report().Stops)) })
	b.until("told", func() bool {
		if b.missed() || b.held() {
			b.Stop(fault.StopPressed)
			b.until("stopped", func() bool { p := b.Report(); return p.Carried == p.Stops })
			b.Unlatch(drivetest.Release(b.Report().Stops))
		}
		return strings.Contains(b.Report().Fault, "does not start: switch-on disabled")
	})
	b.stays(100*ms, "a drive that did not start")
}
