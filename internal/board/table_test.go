//go:build board

package board

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// What is measured, by the words of the table.
const (
	upAfterPower      = "power on to a daemon that ticks, stopped"
	stopInRegister    = "stop pressed, or its wire off, to the stop in the drive's register"
	stopToRest        = "stop pressed to the motor at rest"
	coverInRegister   = "cover opened to the stop in the drive's register"
	betweenBeats      = "between two changes of the heartbeat"
	beatsWhileWatched = "the same, with four pages that watch and one loaded each second"
	countInAfterPause = "count-in after a pause"
	held              = "button held to the water coming down"
	cautionAfter      = "nobody seen to the caution"
	slowerAfter       = "nobody seen to slower water"
	endAfter          = "nobody seen to the soft stop"
	cutToFault        = "line cut to the fault"
	cutToStop         = "line cut to the drive's own quick stop"
	garbledToFault    = "line garbled to the fault"
	garbledToStop     = "answers garbled to the stop in the drive's register"
	frozenToStop      = "daemon frozen to the drive's own quick stop"
	frozenToBeat      = "daemon frozen to the last change of the heartbeat"
	frozenToReset     = "daemon frozen to the reset by the hardware watchdog"
	resetToUp         = "reset to a daemon that ticks, stopped"
	killedToStop      = "daemon killed to the stop in the drive's register"
	killedToUp        = "daemon killed to the next one, stopped"
	crashToStop       = "kernel crashed to the drive's own quick stop"
	crashToReset      = "kernel crashed to the reset by the hardware watchdog"
	powerToStop       = "power cut to the drive's own quick stop"
	clockToNotice     = "clock set in mid-swim, by 56 years, to the notice"
)

// rows are the table's, in its order, each with what it ought to be and from where, and a limit: what takes longer is a failure also on a busy machine. That
// of a stop is less than the link-loss time of the drive, which might else have stopped by itself.
var rows = []struct {
	what, goal string
	limit      time.Duration
}{
	{stopInRegister, "25 ms: one exchange under way, then the stop (DEVELOPERS.md, at 19200 baud)", 300 * time.Millisecond},
	{stopToRest, "1 s from the highest speed at 1500 rpm/s (configuration)", 1500 * time.Millisecond},
	{coverInRegister, "a debounce of 20 ms, a poll of 10 ms, a tick of 50 ms, and as above", 400 * time.Millisecond},
	{held, "2 s", 2500 * time.Millisecond},
	{countInAfterPause, "5 s", 6 * time.Second},
	{betweenBeats, "50 ms", 200 * time.Millisecond},
	{beatsWhileWatched, "50 ms; a tick that is 150 ms late is a stop", 200 * time.Millisecond},
	{cautionAfter, "15 s, and a tick", 16 * time.Second},
	{slowerAfter, "30 s, and a tick", 31 * time.Second},
	{endAfter, "60 s, and a tick", 61 * time.Second},
	{cutToFault, "350 ms: feedback older than 300 ms, and a tick; seen in the log", 600 * time.Millisecond},
	{cutToStop, "500 ms: the link-loss time set in the drive", 600 * time.Millisecond},
	{garbledToFault, "the same", 600 * time.Millisecond},
	{garbledToStop, "350 ms, and as a stop", 600 * time.Millisecond},
	{frozenToBeat, "50 ms: no tick, no heartbeat", 200 * time.Millisecond},
	{frozenToStop, "the same", 700 * time.Millisecond},
	{frozenToReset, "8 s (configuration)", 9 * time.Second},
	{killedToStop, "500 ms: the drive's own, or stop-drive before", 700 * time.Millisecond},
	{killedToUp, "a second between, and the start", 10 * time.Second},
	{crashToStop, "500 ms from the last word to the drive", 700 * time.Millisecond},
	{crashToReset, "8 s", 9 * time.Second},
	{powerToStop, "the same", 700 * time.Millisecond},
	{clockToNotice, "a tick of 50 ms; seen in the log", time.Second},
	{resetToUp, "–", 60 * time.Second},
	{upAfterPower, "–", 60 * time.Second},
}

var figures struct {
	sync.Mutex
	took     map[string][]time.Duration
	resident []int // KiB
}

func measured(what string, d time.Duration) {
	figures.Lock()
	defer figures.Unlock()
	if figures.took == nil {
		figures.took = map[string][]time.Duration{}
	}
	figures.took[what] = append(figures.took[what], d)
}

func noteResident(kib int) {
	figures.Lock()
	defer figures.Unlock()
	figures.resident = append(figures.resident, kib)
}

// beyond are the rows that are over their limit.
func beyond() (all []error) {
	figures.Lock()
	defer figures.Unlock()
	for _, r := range rows {
		if took := figures.took[r.what]; len(took) > 0 && slices.Max(took) > r.limit {
			all = append(all, fmt.Errorf("%s: %v, no more than %v is allowed", r.what, slices.Max(took), r.limit))
		}
	}
	return all
}

// table is what was measured.
func table() string {
	figures.Lock()
	defer figures.Unlock()
	var b strings.Builder
	b.WriteString("| what | n | p50 | p99 | most | ought to be |\n|---|---|---|---|---|---|\n")
	for _, r := range rows {
		took := figures.took[r.what]
		if len(took) == 0 {
			continue
		}
		slices.Sort(took)
		at := func(share float64) string {
			d := took[min(len(took)-1, int(share*float64(len(took))))]
			if d >= time.Second {
				return fmt.Sprintf("%.2f s", d.Seconds())
			}
			return fmt.Sprintf("%.1f ms", d.Seconds()*1000)
		}
		fmt.Fprintf(&b, "| %s | %d | %s | %s | %s | %s |\n", r.what, len(took), at(.5), at(.99), at(1), r.goal)
	}
	if n := len(figures.resident); n > 0 {
		fmt.Fprintf(&b, "| resident memory of the daemon, at the end | %d | | | %.1f MiB | 20 MiB (DEVELOPERS.md) |\n", n, float64(slices.Max(figures.resident))/1024)
	}
	return b.String()
}

var update = flag.Bool("update", false, "write the table into docs/board.md")

const begin, end = "<!-- measured: written by make board-test UPDATE=yes -->\n", "<!-- /measured -->\n"

// keepTable prints the table, and writes it where that was asked.
func keepTable() error {
	measured := table()
	fmt.Print("\n", measured, "\n")
	if err := errors.Join(beyond()...); err != nil || !*update {
		return err
	}
	path := filepath.Join("..", "..", "docs", "board.md")
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	before, rest, ok := bytes.Cut(text, []byte(begin))
	_, after, ok2 := bytes.Cut(rest, []byte(end))
	if !ok || !ok2 {
		return fmt.Errorf("%s has no place for the table", path)
	}
	return os.WriteFile(path, slices.Concat(before, []byte(begin+measured+end), after), 0o644)
}
