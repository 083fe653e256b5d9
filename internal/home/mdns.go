package home

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"syscall"
	"time"

	"golang.org/x/net/ipv4"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/task"
)

// Multicast DNS [RFC 6762, section 3], over IPv4.
var (
	group = &net.UDPAddr{IP: net.IPv4(224, 0, 0, 251), Port: 5353}

	lookEvery  = 10 * time.Second       // for networks that have come or gone
	probeEvery = 250 * time.Millisecond // three times before a name is ours [section 8.1]
)

const maxPacket = 9000 // bytes [section 17]

// heard is a packet.
type heard struct {
	text  []byte
	from  *net.UDPAddr
	iface int
}

// answer answers to the panel's name until ctx is done. Where the panel is for this computer alone, there is nothing to answer.
func (h *Home) answer(ctx context.Context) error {
	var at *net.TCPAddr
	select {
	case a := <-h.cfg.Panel:
		at, _ = a.(*net.TCPAddr)
	case <-ctx.Done():
		return nil
	}
	if at == nil || at.IP.IsLoopback() {
		return nil
	}
	again := time.NewTicker(lookEvery)
	defer again.Stop()
	for said := false; ; said = true {
		r, err := openResponder(at, h.label(), newZone(h.label(), h.cfg.Flume, uint16(at.Port), h.cfg.HTTPS))
		if err == nil {
			return r.run(ctx, h.cfg.Stop)
		}
		if !said {
			slog.Warn("the panel's name is not told on the network, and is tried again", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-again.C:
		}
	}
}

// responder speaks for one zone on all networks that the panel can be reached by.
type responder struct {
	conn   net.PacketConn
	p      *ipv4.PacketConn
	at     *net.TCPAddr
	base   string // the label before any number
	number int    // of names that were somebody else's already
	zone   *zone
	nets   map[int]net.IP // by index of the interface
	told   map[string]time.Time
}

func openResponder(at *net.TCPAddr, label string, z *zone) (*responder, error) {
	l := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) (err error) {
		// Others on this computer may answer to names of theirs [section 15.1].
		ctrl := c.Control(func(fd uintptr) { err = syscall.SetsockoptInt(int(fd), syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1) })
		return errors.Join(ctrl, err)
	}}
	conn, err := l.ListenPacket(context.Background(), "udp4", group.String())
	if err != nil {
		return nil, fmt.Errorf("cannot listen for multicast DNS: %w", err)
	}
	r := &responder{conn: conn, p: ipv4.NewPacketConn(conn), at: at, base: label, zone: z, nets: map[int]net.IP{}, told: map[string]time.Time{}}
	err = errors.Join(r.p.SetControlMessage(ipv4.FlagInterface, true), r.p.SetMulticastTTL(255), r.p.SetMulticastLoopback(true)) // [section 11]
	if err != nil {
		conn.Close()
		return nil, fmt.Errorf("cannot set up multicast DNS: %w", err)
	}
	return r, nil
}

// run reads in one goroutine, and does all the rest in another.
func (r *responder) run(ctx context.Context, stop func()) error {
	packets := make(chan heard)
	return task.Run(ctx, func(fault.Code) { stop() },
		task.Task{Name: "listener for names", Run: func(ctx context.Context) error { return r.read(ctx, packets) }},
		task.Task{Name: "answers to names", Run: func(ctx context.Context) error {
			defer r.conn.Close() // ends the reader
			return r.serve(ctx, packets)
		}})
}

func (r *responder) read(ctx context.Context, packets chan<- heard) error {
	for {
		b := make([]byte, maxPacket)
		n, cm, from, err := r.p.ReadFrom(b)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			slog.Warn("multicast DNS cannot be heard", "error", err)
			select { // a network that went; no reason to spin
			case <-ctx.Done():
				return nil
			case <-time.After(lookEvery):
				continue
			}
		}
		who, ok := from.(*net.UDPAddr)
		if !ok || cm == nil {
			continue
		}
		select {
		case packets <- heard{b[:n], who, cm.IfIndex}:
		case <-ctx.Done():
			return nil
		}
	}
}

// serve probes for the name, says that it is there, answers, and says goodbye. A name that somebody else has gets a number, and begins anew [section 9].
func (r *responder) serve(ctx context.Context, packets <-chan heard) error {
	look, step := time.NewTicker(lookEvery), time.NewTicker(probeEvery)
	defer look.Stop()
	defer step.Stop()
	r.look()
	for steps := 0; ; {
		select {
		case <-ctx.Done():
			if steps >= 3 {
				r.tell(r.zone.all(0)) // a time of 0 is goodbye [section 10.1]
			}
			return nil
		case <-look.C:
			if r.look() && steps >= 3 {
				steps = 3 // is told to the new network
			}
		case <-step.C:
			switch steps++; {
			case steps <= 3:
				r.tell(r.zone.probe())
			case steps == 4, steps == 8: // twice, a second apart [section 8.3]
				r.tell(r.zone.all(ttl))
			}
			if steps == 4 {
				slog.Info("the panel is found by name", "address", r.zone.url())
			}
		case p := <-packets:
			if r.rival(p) {
				r.number++
				was := r.zone.host
				r.zone.rename(fmt.Sprintf("%s-%d", r.base, r.number+1))
				slog.Warn("somebody else on the network has this name", "name", was, "takes", r.zone.host)
				steps = 0
			} else if steps >= 4 {
				r.reply(p)
			}
		}
	}
}

// look joins the networks that are there, and reports whether one is new.
func (r *responder) look() (anew bool) {
	ifaces, err := net.Interfaces()
	if err != nil {
		return false
	}
	now := map[int]net.IP{}
	for _, i := range ifaces {
		if i.Flags&net.FlagUp == 0 || i.Flags&net.FlagMulticast == 0 || i.Flags&net.FlagLoopback != 0 {
			continue
		}
		addrs, _ := i.Addrs()
		for _, a := range addrs {
			n, ok := a.(*net.IPNet)
			if !ok || n.IP.To4() == nil || !r.at.IP.IsUnspecified() && !r.at.IP.Equal(n.IP) {
				continue
			}
			now[i.Index] = n.IP.To4()
			break
		}
		if now[i.Index] == nil || now[i.Index].Equal(r.nets[i.Index]) {
			continue
		}
		if err := r.p.JoinGroup(&i, group); err != nil && !errors.Is(err, syscall.EADDRINUSE) {
			slog.Warn("multicast DNS does not reach a network", "interface", i.Name, "error", err)
			delete(now, i.Index)
			continue
		}
		anew = true
	}
	r.nets = now
	return anew
}

// tell sends to everybody on every network.
func (r *responder) tell(m func(ip net.IP) []byte) {
	for index, ip := range r.nets {
		if text := m(ip); text != nil {
			r.send(text, index, group)
		}
	}
}

func (r *responder) send(text []byte, iface int, to *net.UDPAddr) {
	if _, err := r.p.WriteTo(text, &ipv4.ControlMessage{IfIndex: iface}, to); err != nil {
		slog.Debug("multicast DNS cannot be sent", "error", err)
	}
}

// reply answers a question, to everybody or to who asked.
func (r *responder) reply(p heard) {
	ip, ok := r.nets[p.iface]
	if !ok {
		return
	}
	text, alone := r.zone.answer(p.text, ip, p.from.Port != group.Port)
	switch key := fmt.Sprint(p.iface, string(text)); {
	case text == nil:
	case alone:
		r.send(text, p.iface, p.from)
	case time.Since(r.told[key]) >= time.Second: // the same is said to all once a second at most [section 6]
		if len(r.told) > 100 {
			clear(r.told)
		}
		r.told[key] = time.Now()
		r.send(text, p.iface, group)
	}
}

// rival reports whether a packet says that our name is somebody else's.
func (r *responder) rival(p heard) bool {
	for _, ip := range r.nets {
		if ip.Equal(p.from.IP) {
			return false // ourselves
		}
	}
	return p.from.Port == group.Port && r.zone.claims(p.text)
}
