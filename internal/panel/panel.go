// Package panel serves the web pages and the HTTP API: it sends commands to the sequencer, and shows its snapshots.
//
// It decides nothing about water. A stop goes to the drive before anything is asked or checked; everything else is what any person could ask for.
package panel

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/task"
)

// Config is what a Panel is made of.
type Config struct {
	Sequencer *sequencer.Sequencer
	Settings  *settings.Settings
	// Lay plans a session for a swimmer by name, "" for the default one, and gives all that a rehearsal of it needs. What the flume cannot give
	// comes back as fault.Problems.
	Lay      func(s *schedule.Session, swimmer string) (rehearse.Input, error)
	Demos    fs.FS                // sessions that come with the program, "first-swim.toml" and others; read only
	Sessions string               // folder of the owner's own sessions; empty: none are kept
	State    string               // folder for the code and the paired devices; empty: none can be had
	Store    *store.Store         // of swims; nil where none are kept
	First    rehearse.Input       // what is laid out when the panel begins; zero for nothing
	Laid     func(run.Plan)       // told of what was laid out, for what must outlive the program; may be nil
	Notices  func() []fault.Fault // what the installation has to say, whatever the water does; may be nil
	Refresh  time.Duration        // between two looks at a swim under way; 0 for 250 ms
	Listen   func(net.Addr)       // called once the panel can be reached; may be nil
	Version  string               // for the installation page
	Course   Course               // the installer's; nil where there is none
}

// Panel is the web server. Everything in it may be used from several goroutines.
type Panel struct {
	cfg     Config
	boot    string // random; a new one tells that the program was started again
	hub     *hub
	library *library
	access  *access
	pages   *pages
	metrics *metrics
	handler http.Handler
	tls     *tls.Config // nil for plain HTTP

	planned atomic.Pointer[curve] // of the profile that was drawn last
	laying  sync.Mutex            // one command at a time that looks before it acts
	laid    atomic.Pointer[laid]

	rehearsing chan struct{} // one place
}

// New makes a panel. It refuses a listen address that other computers can reach while no code is set: see SetCode.
func New(c Config) (*Panel, error) {
	if c.Refresh <= 0 {
		c.Refresh = 250 * time.Millisecond
	}
	p := &Panel{cfg: c, boot: rand.Text(), rehearsing: make(chan struct{}, 1)}
	var err error
	if p.access, err = openAccess(c.State); err != nil {
		return nil, err
	}
	if !loopbackOnly(c.Settings.Listen) && !p.access.hasCode() {
		return nil, fmt.Errorf("the panel is to listen on %s, which other computers can reach, and has no code: set one with \"sequencerd panel-code\", or listen on 127.0.0.1", c.Settings.Listen)
	}
	if p.tls, err = certificate(c.Settings); err != nil {
		return nil, err
	}
	if p.library, err = openLibrary(c.Demos, c.Sessions); err != nil {
		return nil, err
	}
	if p.pages, err = loadPages(); err != nil {
		return nil, err
	}
	p.adopt(c.First)
	p.hub = newHub(p)
	p.metrics = &metrics{panel: p}
	p.handler = p.routes()
	return p, nil
}

// Run serves until ctx is done, then lets the requests under way end.
func (p *Panel) Run(ctx context.Context) error {
	l, err := net.Listen("tcp", p.cfg.Settings.Listen)
	if err != nil {
		return fmt.Errorf("the panel cannot listen on %s: %w", p.cfg.Settings.Listen, err)
	}
	return p.Serve(ctx, l)
}

// How long a client may take. A status stream has a deadline of its own for every event, and no end.
const (
	headersWithin = 5 * time.Second
	bodyWithin    = 15 * time.Second
	idleWithin    = 60 * time.Second
	endsWithin    = 2 * time.Second
	maxHeaders    = 16 << 10
)

// Serve is Run on a listener that is there already; it closes it.
func (p *Panel) Serve(ctx context.Context, l net.Listener) error {
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	srv := &http.Server{
		Handler: p.handler, ReadHeaderTimeout: headersWithin, ReadTimeout: bodyWithin, IdleTimeout: idleWithin, MaxHeaderBytes: maxHeaders,
		TLSConfig: p.tls, BaseContext: func(net.Listener) context.Context { return inner }, // streams end with it
		ConnContext: smallBuffer, ErrorLog: slog.NewLogLogger(slog.Default().Handler(), slog.LevelDebug),
	}
	if p.cfg.Listen != nil {
		p.cfg.Listen(l.Addr())
	}
	return task.Run(ctx, p.halt,
		task.Task{Name: "snapshots for the pages", Run: func(context.Context) error { return p.hub.follow(inner) }},
		task.Task{Name: "pages", Run: func(context.Context) (err error) {
			if p.tls != nil {
				err = srv.ServeTLS(l, "", "")
			} else {
				err = srv.Serve(l)
			}
			if errors.Is(err, http.ErrServerClosed) {
				return nil
			}
			return err
		}},
		task.Task{Name: "end of the pages", Run: func(ctx context.Context) error {
			<-ctx.Done()
			cancel()
			end, done := context.WithTimeout(context.WithoutCancel(ctx), endsWithin)
			defer done()
			if err := srv.Shutdown(end); err != nil {
				srv.Close()
			}
			return p.access.save()
		}},
	)
}

// certificate reads the certificate that the panel is served with; nil for none. A pair that does not fit is told now, not at the first visit.
func certificate(s *settings.Settings) (*tls.Config, error) {
	if s.Certificate == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(s.Certificate, s.Key)
	if err != nil {
		return nil, fmt.Errorf("the panel's certificate %s and its key %s cannot be used: %w; allowed is a pair of PEM files that belong together, or neither", s.Certificate, s.Key, err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}, nil
}

// halt is for a part of the panel that fails: no water moves on without it being looked after.
func (p *Panel) halt(fault.Code) {
	_ = p.cfg.Sequencer.Do(context.Background(), sequencer.Command{What: run.Stop, By: sequencer.Panel})
}

// smallBuffer keeps what waits for a slow reader small, so that a slow one is seen as such.
func smallBuffer(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	if t, ok := c.(*net.TCPConn); ok {
		t.SetWriteBuffer(32 << 10)
	}
	return ctx
}

// loopbackOnly reports whether only this computer can reach an address to listen on.
func loopbackOnly(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// keep writes a file whole or not at all, readable by its owner alone.
func keep(folder *os.Root, name string, text []byte) (err error) {
	temporary := "." + rand.Text() + ".part"
	f, err := folder.OpenFile(temporary, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			folder.Remove(temporary)
		}
	}()
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = folder.Rename(temporary, name)
	}
	return err
}
