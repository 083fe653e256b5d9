package panel

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
)

// routes is everything that has an address. What is open to anybody says so; all else asks for a paired device.
func (p *Panel) routes() http.Handler {
	mux := http.NewServeMux()
	open := func(pattern string, h http.HandlerFunc) { mux.HandleFunc(pattern, h) }
	paired := func(pattern string, h http.HandlerFunc) { mux.Handle(pattern, p.needsPairing(h)) }

	open("GET /api/v1/status", p.status)
	open("GET /api/v1/events", p.events)
	open("GET /api/v1/plan", p.plan)
	open("POST /api/v1/pair", p.pair)
	paired("POST /api/v1/{command}", p.command)
	paired("GET /api/v1/sessions", p.sessions)
	paired("GET /api/v1/sessions/{name}", p.session)
	paired("PUT /api/v1/sessions/{name}", p.putSession)
	paired("DELETE /api/v1/sessions/{name}", p.deleteSession)
	paired("POST /api/v1/sessions/{name}/rehearse", p.rehearseNamed)
	paired("POST /api/v1/rehearse", p.rehearse)
	paired("POST /api/v1/scale", p.scale)
	paired("GET /api/v1/swimmers", p.exportSwimmers)
	paired("POST /api/v1/swimmers", p.importSwimmers)
	paired("GET /api/v1/swimmers/{name}", p.exportSwimmer)
	paired("DELETE /api/v1/swimmers/{name}", p.forgetSwimmer)
	paired("PUT /api/v1/swimmers/{name}", p.putSwimmer)
	paired("POST /api/v1/swimmers/{name}/swims", p.postTimed)
	paired("DELETE /api/v1/swimmers/{name}/swims/{number}", p.deleteTimed)
	paired("POST /api/v1/swimmers/{name}/threshold", p.postThreshold)
	paired("POST /api/v1/swimmers/{name}/hold-on", p.postHoldOn)
	paired("GET /api/v1/devices", p.listDevices)
	paired("DELETE /api/v1/devices/{id}", p.revokeDevice)

	paired("GET /metrics", p.metrics.ServeHTTP)
	open("GET /healthz", p.healthy)
	open("GET /readyz", p.ready)
	p.pageRoutes(open, paired)

	limited := p.limit(p.sameSite(plain(mux)))
	return p.headers(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/api/v1/stop" && r.Method == http.MethodPost {
			// Before every check: whoever can reach the flume may stop it, however often and from wherever.
			p.stop(w, r)
			return
		}
		limited.ServeHTTP(w, r)
	}))
}

// plain gives the mux's own refusals the form of all others.
func plain(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		for _, m := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
			other := r.Clone(r.Context())
			other.Method = m
			_, pattern := mux.Handler(other)
			if pattern == "POST /api/v1/{command}" {
				if _, ok := run.ParseCommand(path.Base(r.URL.Path)); !ok {
					pattern = ""
				}
			}
			if pattern != "" {
				w.Header().Add("Allow", m)
			}
		}
		if w.Header().Get("Allow") != "" {
			refuse(w, fault.Of(fault.WrongMethod))
			return
		}
		refuse(w, fault.Of(fault.NoSuchPage))
	})
}

// policy lets a page use what comes from here and nothing else: no script or style in the page itself.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// headers sets what a browser has to hold to, on every answer.
func (p *Panel) headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		next.ServeHTTP(w, r)
	})
}

// sameSite refuses requests that a page of another site has made the browser send, and names that are not this computer's: such a name was
// pointed here by somebody else.
func (p *Panel) sameSite(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { refuse(w, fault.Of(fault.OtherSite)) }))
	guarded := guard.Handler(next)
	own := map[string]bool{"localhost": true}
	if name, err := os.Hostname(); err == nil {
		name = strings.ToLower(name)
		own[name], own[name+".local"] = true, true
	}
	if p.tls != nil { // the certificate's names are names of our own
		for _, name := range p.tls.Certificates[0].Leaf.DNSNames {
			own[strings.ToLower(name)] = true
		}
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := strings.ToLower(r.Host)
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		host = strings.TrimSuffix(strings.Trim(host, "[]"), ".")
		if _, err := netip.ParseAddr(host); err != nil && !own[host] {
			refuse(w, fault.Of(fault.OtherSite))
			return
		}
		guarded.ServeHTTP(w, r)
	})
}

// limit holds each address to a rate that no person and no page of ours reaches.
func (p *Panel) limit(next http.Handler) http.Handler {
	rate := &limiter{burst: 400, every: 10 * time.Millisecond}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !rate.allow(address(r)) {
			p.metrics.refused.Add(1)
			refuse(w, fault.Of(fault.TooMany))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// address is the client's, without the port; in IPv6 its network, of which one client has as many addresses as it likes.
func address(r *http.Request) string {
	a, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	ip := a.Addr().Unmap().WithZone("")
	if ip.Is6() && !ip.IsLoopback() {
		if net, err := ip.Prefix(64); err == nil {
			return net.String()
		}
	}
	return ip.String()
}

// local reports whether a request comes from this computer itself, and not through something on it that passes on requests of others.
func local(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	a, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && a.Addr().Unmap().IsLoopback()
}

const cookie = "flume-device"

type deviceKey struct{}

// deviceOf is the ID of the device that a request comes from; empty for one that is not paired.
func (p *Panel) deviceOf(r *http.Request) string {
	if t, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		return p.access.known(t)
	}
	if c, err := r.Cookie(cookie); err == nil {
		return p.access.known(c.Value)
	}
	return ""
}

// mayAll reports whether a request may do everything: it comes from a paired device, or, while no code is set, from this computer.
func (p *Panel) mayAll(r *http.Request) bool {
	if !p.access.hasCode() {
		return local(r)
	}
	return p.deviceOf(r) != ""
}

func (p *Panel) needsPairing(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p.mayAll(r) {
			next(w, r.WithContext(context.WithValue(r.Context(), deviceKey{}, p.deviceOf(r))))
			return
		}
		if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(r.URL.Path, "/api/") {
			http.Redirect(w, r, "/pair", http.StatusSeeOther)
			return
		}
		refuse(w, fault.Of(fault.CodeNeeded))
	})
}

func (p *Panel) healthy(w http.ResponseWriter, r *http.Request) { fmt.Fprintln(w, "alive") }

// ready: the loop ticks, which its snapshots show. The drive may be away; that is for the status to tell.
func (p *Panel) ready(w http.ResponseWriter, r *http.Request) {
	if snap, _ := p.cfg.Sequencer.Snapshot(); snap.Seq == 0 {
		http.Error(w, "the control loop has not ticked yet", http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintln(w, "ready")
}
