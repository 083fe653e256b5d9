//go:build board

package board

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/store"
)

// powerIsCut in mid-swim. At the next start what was swum is there, the place is offered and not started; taken up, the swim goes on where it was.
func powerIsCut(p *place) {
	p.swimForAWhile()
	was := p.status()
	before := p.drive.Ask()
	begun := time.Now()
	p.cut()
	p.must(until("the drive stops by itself", 2*time.Second, func() bool { return p.drive.Ask().Halted > before.Halted }))
	measured(powerToStop, span(moment(begun), p.drive.Ask().Halted))
	p.still(3*time.Second, time.Second)
	p.clock = "" // somebody has put a battery in
	p.on()
	p.still(0, 2*time.Second)
	offered := interrupted(p, begun)
	if offered > was.Block || offered < was.Block-1 || was.Block == 0 {
		p.must(fmt.Errorf("the power was cut in block %d, and block %d is offered", was.Block, offered))
	}
	p.try()
	p.swim()
	if s := p.status(); s.Block < offered || s.Block > offered+1 {
		p.must(fmt.Errorf("block %d was offered, and block %d is swum", offered, s.Block))
	}
	end := time.Now()
	p.tell("end")
	p.awaits(end, 40*time.Second, "board: the end")
	p.cut()
	stored(p)
}

// stored looks at the disk as it was left: a whole file system, a whole store, and all swims of the board.
func stored(p *place) {
	if out, err := exec.Command("e2fsck", "-fn", p.disk()).CombinedOutput(); err != nil {
		p.must(fmt.Errorf("the file system is not whole: %w\n%s", err, out))
	}
	dir := filepath.Join(p.dir, "copy")
	p.must(os.Mkdir(dir, 0o700))
	if out, err := exec.Command("debugfs", "-R", "rdump /sequencerd "+dir, p.disk()).CombinedOutput(); err != nil {
		p.must(fmt.Errorf("debugfs: %w\n%s", err, out))
	}
	s, err := store.Open(filepath.Join(dir, "sequencerd"))
	p.must(err)
	defer s.Close()
	p.must(s.Check())
	swims, err := s.List(store.Which{})
	p.must(err)
	died := 0
	for _, w := range swims {
		if w.Outcome == store.Lost && w.Code == fault.ProgramDied {
			died++
		}
	}
	if died != 4 { // killed, frozen, crashed, cut
		p.t.Errorf("%d swims were lost with the program, want 4: %+v", died, swims)
	}
	// The first one began in 1970, before the clock was set.
	if age := time.Since(swims[0].Began); age < 0 || age > time.Hour {
		p.t.Errorf("the swim in which the clock was set began %v, says its label", swims[0].Began)
	}
}
