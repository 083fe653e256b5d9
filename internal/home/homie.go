package home

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/task"
)

// Times of the connection to a broker.
const (
	connectTime = 5 * time.Second
	farewell    = 500 * time.Millisecond
	retryAfter  = 10 * time.Second
	refresh     = time.Second // what has changed is told so often at most
)

// tell keeps home automation up to date until ctx is done.
func (h *Home) tell(ctx context.Context) error {
	again := time.NewTicker(retryAfter)
	defer again.Stop()
	for said := ""; ; {
		err := h.connected(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err.Error() != said {
			said = err.Error()
			slog.Warn("home automation is not told, and is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-again.C:
		}
	}
}

// device is our id at the broker.
func (h *Home) device() string {
	if d := h.cfg.Settings.Homie.Device; d != "" {
		return d
	}
	return h.label()
}

// connected is the life of one connection: a new one is a new client, so that nothing that was meant for a broker that was away comes to it later.
func (h *Home) connected(ctx context.Context) error {
	o, err := h.options()
	if err != nil {
		return err
	}
	base := "homie/5/" + h.device() + "/"
	lost := make(chan error, 1)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	o.SetWill(base+"$state", "lost", 1, true)
	c := paho.NewClient(o)
	if err := within(ctx, c.Connect()); err != nil {
		c.Disconnect(0)
		return fmt.Errorf("cannot connect to the broker: %w", err)
	}
	d := &device{base: base, client: c, names: h.cfg.Settings.Homie.Names, sent: map[string]string{}}
	defer func() {
		d.put("$state", "disconnected")
		c.Disconnect(uint(farewell.Milliseconds()))
	}()
	d.put("$state", "init")
	if err := within(ctx, c.Subscribe(base+"+/+/set", 0, func(_ paho.Client, m paho.Message) {
		task.Catch("listener to home automation", h.failed.Put, func() { h.asked(base, m.Topic(), m.Retained()) })
	})); err != nil {
		return fmt.Errorf("cannot subscribe at the broker: %w", err)
	}
	snap, changed := h.cfg.Snapshot()
	d.put("$description", d.description(h.cfg.Flume, time.Now().Unix()))
	for _, code := range fault.Codes() { // what a former life of ours may have left there
		d.clear("$alert/" + string(code))
	}
	d.values(&snap)
	d.put("$state", "ready")
	slog.Info("home automation is told", "device", strings.TrimSuffix(base, "/"))
	tick := time.NewTicker(refresh)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-lost:
			return fmt.Errorf("the connection to the broker was lost: %w", err)
		case <-tick.C:
		case <-changed:
		}
		snap, changed = h.cfg.Snapshot()
		d.values(&snap)
	}
}

func (h *Home) options() (*paho.ClientOptions, error) {
	s := h.cfg.Settings.Homie
	u, err := url.Parse(s.Broker)
	if err != nil {
		return nil, err
	}
	if u.Port() == "" {
		u.Host += map[string]string{"mqtt": ":1883", "mqtts": ":8883"}[u.Scheme]
	}
	o := paho.NewClientOptions().AddBroker(u.String()).SetClientID("sequencerd-" + h.device()).SetCleanSession(true).SetAutoReconnect(false).
		SetConnectRetry(false).SetProtocolVersion(4).SetConnectTimeout(connectTime).SetWriteTimeout(connectTime).SetKeepAlive(20 * time.Second)
	if s.User != "" {
		o.SetUsername(s.User)
	}
	if s.PasswordFile != "" {
		text, err := os.ReadFile(s.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read the broker's password: %w", err)
		}
		line, _, _ := strings.Cut(string(text), "\n")
		o.SetPassword(strings.TrimSuffix(line, "\r"))
	}
	if u.Scheme == "mqtts" {
		t := &tls.Config{MinVersion: tls.VersionTLS12}
		if s.CAFile != "" {
			text, err := os.ReadFile(s.CAFile)
			if err != nil {
				return nil, fmt.Errorf("cannot read the broker's authorities: %w", err)
			}
			if t.RootCAs = x509.NewCertPool(); !t.RootCAs.AppendCertsFromPEM(text) {
				return nil, fmt.Errorf("no certificate in %s: allowed is a file in PEM form", s.CAFile)
			}
		}
		o.SetTLSConfig(t)
	}
	return o, nil
}

// asked takes what somebody wants to be set. A stop is a stop, whatever word it is asked with. One that the broker has kept is none: it was asked in
// another hour, and would stop every swim from then on; the convention has no retained sets.
func (h *Home) asked(base, topic string, retained bool) {
	what := strings.TrimPrefix(topic, base)
	switch {
	case retained:
		slog.Warn("a set that the broker has kept counts for nothing: have it published without retain", "topic", topic)
	case what == stopSet:
		slog.Info("home automation asks for a stop")
		h.cfg.Stop()
	default:
		slog.Debug("home automation may stop the water, and set nothing", "topic", topic)
	}
}

// within waits for the broker's answer.
func within(ctx context.Context, t paho.Token) error {
	over := time.NewTimer(connectTime)
	defer over.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-over.C:
		return errors.New("no answer")
	case <-ctx.Done():
		return ctx.Err()
	}
}
