package main

import (
	"io"
	"net/http"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/store"
)

// found waits for what is in brackets in an expression, wherever in all that was written.
func (p *process) found(what *regexp.Regexp) string {
	late := time.After(patience)
	for {
		p.mu.Lock()
		m, more := what.FindStringSubmatch(p.written.String()), p.more
		p.mu.Unlock()
		if m != nil {
			return m[1]
		}
		select {
		case <-more:
		case <-late:
			p.t.Fatalf("did not say %s; it said %s", what, p.output())
		}
	}
}

// A daemon whose store somebody else records into swims on, and the deck says from the first that nothing is kept.
func TestTheDeckSaysThatSwimsAreNotKept(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	taken, err := store.OpenToRecord(filepath.Join(dir, "store"))
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	try(t, func(t *trial) {
		p, _ := daemon(t, dir, "")
		at := p.found(regexp.MustCompile(`the deck panel is on" address=(\S+)`))
		reply, err := http.Get(at + "/api/v1/status")
		if err != nil {
			t.Fatalf("%v", err)
		}
		defer reply.Body.Close()
		text, err := io.ReadAll(reply.Body)
		if err != nil || !strings.Contains(string(text), `"code":"store-busy"`) {
			t.Errorf("the status says %s, %v", text, err)
		}
		p.signal(syscall.SIGTERM)
		p.ends(exitOK)
	})
}

// A disk that fails under way is among the notices, and no longer once there is nothing to say.
func TestADiskThatFailsIsANotice(t *testing.T) {
	c := place(t)
	good(t, "swimmers", "--config", c, "add", "Nell Brook")
	f := newPretend(t, c)
	h := &house{settings: f.cfg, reload: newReload(c), rec: f.rec}
	if all := h.notices(); len(all) != 0 {
		t.Errorf("a disk that works: %v", all)
	}
	if err := f.rec.store.Close(); err != nil {
		t.Fatal(err)
	}
	f.do(sequencer.Command{What: run.LayOut, Plan: f.plan("format = 1\ntitle = \"T\"\nunit = \"m\"\n[[step]]\ntime = \"0:30\"\npace = \"2:00\"\n", "Nell Brook")})
	f.do(sequencer.Command{What: run.Reset})
	f.do(sequencer.Command{What: run.Start})
	for range 20 * 120 {
		f.tick()
	}
	f.end() // the logbook writes what is left
	if all := h.notices(); len(all) != 1 || all[0].Code != fault.StoreFailing {
		t.Errorf("a store that was closed under its hands: %v", all)
	}
}

// A certificate that does not belong to its key ends serve at once, with both files named and exit 1.
func TestServeEndsAtAWrongCertificate(t *testing.T) {
	t.Parallel()
	c := file(t, "c.toml", "[store]\npath = "+strconv.Quote(t.TempDir())+"\n[panel]\nlisten = \"127.0.0.1:0\"\ncertificate = \"/nowhere/flume.crt\"\nkey = \"/nowhere/flume.key\"\n")
	try(t, func(t *trial) {
		p := start(t, "serve", "--config", c)
		p.ends(exitRefused)
		if out := p.output(); !strings.Contains(out, "/nowhere/flume.crt") || !strings.Contains(out, "allowed is a pair of PEM files") {
			t.Errorf("it says %s", out)
		}
	})
}
