//go:build board

package board

import (
	"bytes"
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

// rows are the table's, in its order, each with what it ought to be and from where.
var rows = []struct{ what, goal string }{
	{stopInRegister, "25 ms: one exchange under way, then the stop (DEVELOPERS.md, at 19200 baud)"},
	{stopToRest, "1 s from the highest speed at 1500 rpm/s (configuration)"},
	{coverInRegister, "a debounce of 20 ms, a poll of 10 ms, a tick of 50 ms, and as above"},
	{held, "2 s"},
	{countInAfterPause, "5 s"},
	{betweenBeats, "50 ms"},
	{beatsWhileWatched, "50 ms; a tick that is 150 ms late is a stop"},
	{cautionAfter, "15 s, and a tick"},
	{slowerAfter, "30 s, and a tick"},
	{endAfter, "60 s, and a tick"},
	{cutToFault, "350 ms: feedback older than 300 ms, and a tick; seen in the log"},
	{cutToStop, "500 ms: the link-loss time set in the drive"},
	{garbledToFault, "the same"},
	{garbledToStop, "350 ms, and as a stop"},
	{frozenToBeat, "50 ms: no tick, no heartbeat"},
	{frozenToStop, "the same"},
	{frozenToReset, "8 s (configuration)"},
	{killedToStop, "500 ms: the drive's own, or stop-drive before"},
	{killedToUp, "a second between, and the start"},
	{crashToStop, "500 ms from the last word to the drive"},
	{crashToReset, "8 s"},
	{powerToStop, "the same"},
	{clockToNotice, "a tick of 50 ms; seen in the log"},
	{resetToUp, "–"},
	{upAfterPower, "–"},
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
	if !*update {
		return nil
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
