// Package alive tells the supervisor and the hardware watchdog that ticks still end on time.
//
// Alive is not permitted: it says that the loop works, in any state. A loop that hangs is noticed by silence, so nothing here runs by itself.
package alive

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Config names the hardware watchdog.
type Config struct {
	Device  string        // "/dev/watchdog"; empty for none
	Timeout time.Duration // whole seconds: unfed for so long, the watchdog resets the computer
}

// Keeper speaks to whichever watchdogs there are. Without any, all of it does nothing. Feed and LoopEnded belong to one goroutine at a time, and Close
// comes after them; the rest may be called by any.
type Keeper struct {
	socket string        // the supervisor's; empty for none
	watch  bool          // the supervisor wants to be told
	limit  time.Duration // within this
	anew   bool          // the supervisor may have another time than that, and is told it with the next feed
	dog    *dog          // nil for none
	every  time.Duration // between two feeds; 0 where nobody has to be fed
	fed    time.Time
	silent bool // the latest feed failed, which the log knows

	mu     sync.Mutex
	status string
}

// Open finds the supervisor by the environment (sd_notify(3): $NOTIFY_SOCKET, $WATCHDOG_USEC, $WATCHDOG_PID), and opens the hardware watchdog.
// That arms it: from here on somebody has to Feed.
func Open(c Config) (*Keeper, error) {
	return open(c, kernel{})
}

func open(c Config, k control) (*Keeper, error) {
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, fmt.Errorf("the supervisor's watchdog time cannot be read: %w", err)
	}
	w := &Keeper{socket: os.Getenv("NOTIFY_SOCKET")}
	w.watch = w.socket != "" && limit > 0
	w.anew = true // of whoever spoke to it before
	if !w.watch {
		limit = 0
	}
	w.limit = limit
	if c.Device != "" {
		if w.dog, err = openDog(c.Device, c.Timeout, k); err != nil {
			return nil, fmt.Errorf("the hardware watchdog %s: %w", c.Device, err)
		}
		if w.dog.hasReset() {
			slog.Warn("this computer was last reset by its hardware watchdog: the program had hung, or had died and was not there again in time", "device", c.Device)
		}
		if limit == 0 || c.Timeout < limit {
			limit = c.Timeout
		}
	}
	w.every = limit / 4 // half is what sd_watchdog_enabled(3) advises; one feed may be lost, and the next be late
	return w, nil
}

// Feed is called at the end of each tick that ended on time, and nowhere else. It feeds at the first, then four times within the shortest of the
// watchdogs' times. It waits for nobody longer than a few milliseconds.
func (w *Keeper) Feed() {
	now := time.Now()
	if w.every == 0 || now.Sub(w.fed) < w.every && !w.fed.IsZero() {
		return
	}
	w.fed = now
	var err error
	if w.watch {
		state := daemon.SdNotifyWatchdog
		if w.anew {
			state = within(w.limit)
		}
		if err = w.say(state); err == nil {
			w.anew = false
		}
	}
	if w.dog != nil {
		if dogErr := w.dog.feed(); dogErr != nil {
			err = dogErr
		}
	}
	if err != nil && !w.silent {
		slog.Error("a watchdog cannot be fed", "error", err)
	}
	w.silent = err != nil
}

// within is a feed that sets the supervisor's time (sd_notify(3): WATCHDOG_USEC).
func within(limit time.Duration) string {
	return fmt.Sprintf("WATCHDOG_USEC=%d\n%s", limit.Microseconds(), daemon.SdNotifyWatchdog)
}

// LoopEnded feeds for the last time for now, and gives the supervisor this much time instead of its own: the loop has ended in good order, and what is left
// to do may take longer than a tick. The next Feed, of another loop, gives it back its own. A hardware watchdog has no other time than its own.
func (w *Keeper) LoopEnded(limit time.Duration) {
	var err error
	if w.watch {
		err = w.say(within(max(limit, w.limit)))
		w.anew = true
	}
	if w.dog != nil {
		err = errors.Join(err, w.dog.feed())
	}
	if err != nil {
		slog.Error("a watchdog cannot be fed", "error", err)
	}
	w.fed = time.Time{}
}

// Ready tells the supervisor that the start is done, and the status.
func (w *Keeper) Ready(status string) { w.with(daemon.SdNotifyReady, status) }

// with tells something together with a status.
func (w *Keeper) with(state, status string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.status = line(status)
	w.tell(state + "\nSTATUS=" + w.status)
}

// Status is what the supervisor shows of the program, on one line; it is told when it changes.
func (w *Keeper) Status(status string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if s := line(status); s != w.status {
		w.status = s
		w.tell("STATUS=" + s)
	}
}

// Reloading tells the supervisor that the configuration is being read again; Ready ends it. The time is the one that systemd asks for beside it
// (sd_notify(3): MONOTONIC_USEC), which tells an answer from a late one.
func (w *Keeper) Reloading() {
	w.tell(daemon.SdNotifyReloading + "\n" + strings.TrimSpace(daemon.SdNotifyMonotonicUsec()))
}

// Stopping tells the supervisor that the end has begun. Ticks go on until the water rests, and must be fed for.
func (w *Keeper) Stopping(status string) { w.with(daemon.SdNotifyStopping, status) }

// Close disarms the hardware watchdog. It is for a clean end alone, with the motor stopped: a program that ends otherwise leaves it armed, so that the
// computer is reset unless the next start feeds it in time.
func (w *Keeper) Close() error {
	if w.dog == nil {
		return nil
	}
	err := w.dog.disarm()
	w.dog = nil
	return err
}

func line(s string) string { return strings.Join(strings.Fields(s), " ") }

func (w *Keeper) tell(state string) {
	if w.socket == "" {
		return
	}
	if err := w.say(state); err != nil {
		slog.Error("the supervisor cannot be told", "what", state, "error", err)
	}
}

// sendTime is how long a message may wait for room in the supervisor's queue: a tick must not.
const sendTime = 5 * time.Millisecond

// say sends one message, as the library's SdNotify does, which however waits for as long as the supervisor's queue is full.
func (w *Keeper) say(state string) error {
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: w.socket, Net: "unixgram"}) // a name that begins with @ is an abstract one
	if err != nil {
		return err
	}
	defer c.Close()
	if err := c.SetWriteDeadline(time.Now().Add(sendTime)); err != nil {
		return err
	}
	_, err = c.Write([]byte(state))
	return err
}
