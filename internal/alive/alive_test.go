package alive

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// supervisor is a fake one: a socket that is named in the environment.
type supervisor struct {
	t *testing.T
	*net.UnixConn
}

func newSupervisor(t *testing.T, name, limit string) *supervisor {
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", limit)
	t.Setenv("WATCHDOG_PID", "")
	return &supervisor{t, c}
}

// heard are the messages that have come.
func (s *supervisor) heard() (all []string) {
	for {
		b := make([]byte, 4096)
		s.SetReadDeadline(time.Now().Add(20 * time.Millisecond)) // a local datagram is there once it was sent
		n, err := s.Read(b)
		if err != nil {
			return all
		}
		all = append(all, string(b[:n]))
	}
}

func opened(t *testing.T, c Config, k control) *Keeper {
	t.Helper()
	w, err := open(c, k)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// What is said, by a path and by an abstract name (sd_notify(3)).
func TestWhatTheSupervisorHears(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "notify"), fmt.Sprintf("@alive-test-%d", os.Getpid())} {
		t.Run(name[:1], func(t *testing.T) {
			s := newSupervisor(t, name, "2000000")
			w := opened(t, Config{}, nil)
			w.Ready("stopped: not reset\nsince the start")
			w.Feed()
			w.Status("ready")
			w.Status("ready")
			w.LoopEnded(10 * time.Second) // a reload: another loop follows
			w.Feed()
			w.Stopping("the water comes to rest")
			w.LoopEnded(time.Second) // never less than the supervisor's own
			if err := w.Close(); err != nil {
				t.Error(err)
			}
			want := []string{"READY=1\nSTATUS=stopped: not reset since the start", "WATCHDOG_USEC=2000000\nWATCHDOG=1", "STATUS=ready",
				"WATCHDOG_USEC=10000000\nWATCHDOG=1", "WATCHDOG_USEC=2000000\nWATCHDOG=1", "STOPPING=1\nSTATUS=the water comes to rest", "WATCHDOG_USEC=2000000\nWATCHDOG=1"}
			if got := s.heard(); strings.Join(got, "|") != strings.Join(want, "|") {
				t.Errorf("heard %q, want %q", got, want)
			}
		})
	}
}

func TestWithoutWatchdogsNothingHappens(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("WATCHDOG_USEC", "2000000")
	w := opened(t, Config{}, nil)
	w.Ready("a")
	w.Status("b")
	w.Feed()
	w.Stopping("c")
	if err := w.Close(); err != nil || w.every != 0 {
		t.Errorf("%v, %v", err, w.every)
	}
}

// A supervisor that wants no feeding, or wants it of another process, gets none.
func TestNotFed(t *testing.T) {
	for what, env := range map[string][2]string{"no watchdog": {"", ""}, "another process": {"2000000", "1"}} {
		t.Run(what, func(t *testing.T) {
			s := newSupervisor(t, filepath.Join(t.TempDir(), "notify"), env[0])
			t.Setenv("WATCHDOG_PID", env[1])
			w := opened(t, Config{}, nil)
			w.Feed()
			w.Ready("up")
			if got := s.heard(); len(got) != 1 || !strings.HasPrefix(got[0], "READY=1") {
				t.Errorf("heard %q", got)
			}
		})
	}
	newSupervisor(t, filepath.Join(t.TempDir(), "notify"), "soon")
	if _, err := open(Config{}, nil); err == nil {
		t.Error("a watchdog time that is no number was taken")
	}
}

// board is the kernel's side of a fake watchdog.
type board struct {
	fed      []time.Time
	has      int // seconds
	boot     int // flags
	unbooted error
	rigid    bool
	unfed    error
	unasked  error
	unheeded error
}

func (b *board) keepalive(int) error { b.fed = append(b.fed, time.Now()); return b.unfed }
func (b *board) setTimeout(_, s int) error {
	if !b.rigid {
		b.has = s
	}
	return b.unheeded
}
func (b *board) timeout(int) (int, error)    { return b.has, b.unasked }
func (b *board) bootStatus(int) (int, error) { return b.boot, b.unbooted }

func device(t *testing.T) string {
	path := filepath.Join(t.TempDir(), "watchdog")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func written(t *testing.T, path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestTheHardwareWatchdog(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	path, b := device(t), &board{has: 60}
	w := opened(t, Config{Device: path, Timeout: 15 * time.Second}, b)
	if b.has != 15 || len(b.fed) != 0 {
		t.Errorf("its time is %d s, it was fed %d times by nobody", b.has, len(b.fed))
	}
	w.Feed()
	if len(b.fed) != 1 || written(t, path) != "" {
		t.Errorf("fed %d times, and %q was written", len(b.fed), written(t, path))
	}
	if err := errors.Join(w.Close(), w.Close()); err != nil || written(t, path) != "V" {
		t.Errorf("at a clean end %q was written (%v)", written(t, path), err)
	}
}

// One that waits for longer than was asked is refused, and disarmed: it would reset the computer although nobody uses it.
func TestAHardwareWatchdogThatCannotBeHad(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	no := errors.New("inappropriate ioctl")
	for _, c := range []struct {
		b    board
		want string // after its name; empty where it is fine
	}{
		{board{has: 60, rigid: true}, "it takes 1m0s where 15s was asked: configure what it takes"},
		{board{has: 60, rigid: true, unheeded: no}, "it does not take 15s (inappropriate ioctl); it has 1m0s"},
		{board{unasked: no}, "its time cannot be read: inappropriate ioctl"},
		{board{has: 15, rigid: true, unheeded: no}, ""},
	} {
		path := device(t)
		_, err := open(Config{Device: path, Timeout: 15 * time.Second}, &c.b)
		if c.want == "" {
			if err != nil || written(t, path) != "" {
				t.Errorf("%+v: %v, written %q", c.b, err, written(t, path))
			}
			continue
		}
		if err == nil || err.Error() != "the hardware watchdog "+path+": "+c.want || written(t, path) != "V" {
			t.Errorf("%+v: %v, written %q", c.b, err, written(t, path))
		}
	}
	_, err := Open(Config{Device: "/nowhere/watchdog", Timeout: 15 * time.Second})
	if want := "the hardware watchdog /nowhere/watchdog: cannot be opened: no such file or directory"; err == nil || err.Error() != want {
		t.Errorf("got %v", err)
	}
	path := device(t) // a file is no watchdog, says the kernel
	if _, err := Open(Config{Device: path, Timeout: 15 * time.Second}); err == nil || !strings.Contains(err.Error(), "its time cannot be read") {
		t.Errorf("got %v", err)
	}
}

// Feeding keeps to the shortest time, four times within it, whatever the rate of the ticks; without ticks there is none, for ever.
func TestHowOftenItIsFed(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	path := device(t)
	synctest.Test(t, func(t *testing.T) {
		b := &board{}
		w := opened(t, Config{Device: path, Timeout: 2 * time.Second}, b)
		begin := time.Now()
		tick := time.NewTicker(50 * time.Millisecond)
		for range 200 {
			<-tick.C
			w.Feed()
		}
		if len(b.fed) != 20 || b.fed[0].Sub(begin) != 50*time.Millisecond {
			t.Errorf("fed %d times in 10 s, first after %v", len(b.fed), b.fed[0].Sub(begin))
		}
		for i := 1; i < len(b.fed); i++ {
			if gap := b.fed[i].Sub(b.fed[i-1]); gap != 500*time.Millisecond {
				t.Errorf("%v between two feeds", gap)
			}
		}
		tick.Stop()
		<-time.After(time.Hour)
		synctest.Wait()
		if len(b.fed) != 20 {
			t.Error("it was fed without a tick")
		}
	})
}

func TestTheShortestTimeCounts(t *testing.T) {
	newSupervisor(t, filepath.Join(t.TempDir(), "notify"), "2000000")
	for timeout, want := range map[time.Duration]time.Duration{15 * time.Second: 500 * time.Millisecond, time.Second: 250 * time.Millisecond} {
		if w := opened(t, Config{Device: device(t), Timeout: timeout}, &board{}); w.every != want {
			t.Errorf("beside a supervisor with 2 s, %v is fed every %v, want %v", timeout, w.every, want)
		}
	}
}

// A supervisor that does not read holds up no tick, is logged once, and takes nothing from the hardware watchdog.
func TestASupervisorThatHangs(t *testing.T) {
	var log strings.Builder
	old := slog.Default()
	slog.SetDefault(slog.New(slog.NewTextHandler(&log, nil)))
	t.Cleanup(func() { slog.SetDefault(old) })
	s := newSupervisor(t, filepath.Join(t.TempDir(), "notify"), "2000000")
	b := &board{}
	w := opened(t, Config{Device: device(t), Timeout: 2 * time.Second}, b)
	feed := func() { w.fed = time.Time{}; w.Feed() }
	for !w.silent { // until its queue is full; without the deadline this never ends
		feed()
	}
	n := len(b.fed)
	feed()
	feed()
	if len(b.fed) != n+2 || strings.Count(log.String(), "cannot be fed") != 1 {
		t.Errorf("the hardware watchdog was fed %d times of 2; the log:\n%s", len(b.fed)-n, log.String())
	}
	s.heard()
	feed()
	if w.silent {
		t.Error("still silent, although the supervisor reads again")
	}
}

// A computer that was reset by its watchdog says so at the next start; one that was switched on, or whose watchdog does not know, does not.
func TestItIsToldThatTheHardwareWatchdogHasActed(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	old := slog.Default()
	t.Cleanup(func() { slog.SetDefault(old) })
	for _, c := range []struct {
		b    board
		told bool
	}{
		{board{boot: 0x20}, true},        // WDIOF_CARDRESET, Documentation/watchdog/watchdog-api.rst
		{board{boot: 0x20 | 0x01}, true}, // and overheated
		{board{boot: 0x01}, false},
		{board{}, false},
		{board{boot: 0x20, unbooted: errors.New("inappropriate ioctl")}, false},
	} {
		var log strings.Builder
		slog.SetDefault(slog.New(slog.NewTextHandler(&log, nil)))
		opened(t, Config{Device: device(t), Timeout: 15 * time.Second}, &c.b)
		if told := strings.Contains(log.String(), "reset by its hardware watchdog"); told != c.told {
			t.Errorf("status %#x (%v): told is %v", c.b.boot, c.b.unbooted, told)
		}
	}
}
