// Package home is the daemon on the local network: it answers to a name, so that a phone finds the panel, and tells its status to home automation.
//
// It sees snapshots, and moves nothing. The one thing that it hands on is a stop.
package home

import (
	"context"
	"net"
	"strings"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
)

// Config is what a Home is made of.
type Config struct {
	Flume    string // what it is called in words
	Settings settings.Home
	Snapshot func() (sequencer.Snapshot, <-chan struct{})
	Stop     func()          // carried out for whoever asks over the broker; may be called by any goroutine, and must not wait for the water
	Panel    <-chan net.Addr // where the panel listens, once it does
	HTTPS    bool            // the panel speaks TLS
}

// Home is the daemon on the network.
type Home struct {
	cfg    Config
	failed *task.Failures // of what a library calls
}

// New makes a home. Nothing is sent before Run.
func New(c Config) *Home { return &Home{cfg: c, failed: task.NewFailures()} }

// Run answers and tells until ctx is done, then says goodbye. A network or a broker that is away is no error: it is tried again, and the log says so once.
func (h *Home) Run(ctx context.Context) error {
	tasks := []task.Task{{Name: "what a library called", Run: func(ctx context.Context) error {
		select {
		case err := <-h.failed.C:
			return err
		case <-ctx.Done():
			return nil
		}
	}}}
	if h.cfg.Settings.MDNS {
		tasks = append(tasks, task.Task{Name: "name on the network", Run: h.answer})
	}
	if h.cfg.Settings.Homie.Broker != "" {
		tasks = append(tasks, task.Task{Name: "home automation", Run: h.tell})
	}
	return task.Run(ctx, func(fault.Code) { h.cfg.Stop() }, tasks...)
}

// label is the name of the host: as configured, else made of the flume's. 1 to 63 letters, digits and hyphens [RFC 1123, section 2.1].
func (h *Home) label() string {
	if n := h.cfg.Settings.Name; n != "" {
		return strings.ToLower(n)
	}
	return Label(h.cfg.Flume)
}

// Label makes a host name of words: "Otterford Mill" is "otterford-mill", and words without a letter or digit are "flume".
func Label(words string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(words) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	s := strings.Trim(b.String()[:min(b.Len(), 50)], "-")
	if s == "" {
		return "flume"
	}
	return s
}
