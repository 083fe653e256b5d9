//go:build board

package board

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"
)

// pagesAreWatched: four pages that follow the swim, and one that is loaded anew each second, with the tick on the same one core. The heartbeat, which each
// tick changes, is seen from outside.
func pagesAreWatched(p *place) {
	ctx, cancel := context.WithCancel(p.t.Context())
	defer cancel()
	var pages sync.WaitGroup
	load := func(path string) (bytes int64) {
		r, err := http.NewRequestWithContext(ctx, "GET", "http://"+p.panel+path, nil)
		if err != nil {
			p.t.Error(err)
			return 0
		}
		r.Host = "127.0.0.1:8080"
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			if ctx.Err() == nil {
				p.t.Error(err)
			}
			return 0
		}
		defer answer.Body.Close()
		if answer.StatusCode != http.StatusOK {
			p.t.Errorf("%s: %s", path, answer.Status)
		}
		bytes, _ = io.Copy(io.Discard, answer.Body)
		return bytes
	}
	var heard [4]int64
	for i := range heard {
		pages.Go(func() { heard[i] = load("/api/v1/events") })
	}
	loads := 0
	pages.Go(func() {
		again := time.NewTicker(time.Second)
		defer again.Stop()
		for ctx.Err() == nil {
			if load("/") > 0 {
				loads++
			}
			select {
			case <-again.C:
			case <-ctx.Done():
			}
		}
	})
	p.wait(time.Second)
	begun := time.Now()
	p.wait(10 * time.Second)
	beats := p.pins.changes(heartbeatPin, begun)
	cancel()
	pages.Wait()
	for i := 1; i < len(beats); i++ {
		measured(beatsWhileWatched, beats[i].at.Sub(beats[i-1].at))
	}
	if n := len(beats); n < 190 || n > 205 || p.state() != "running" {
		p.must(fmt.Errorf("the heartbeat changed %d times in 10 s, want 200, and it is %s", n, p.state()))
	}
	if loads < 8 || min(heard[0], heard[1], heard[2], heard[3]) < 5000 {
		p.must(fmt.Errorf("the page came %d times, the streams had %v bytes", loads, heard))
	}
}
