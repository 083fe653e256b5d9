package home

import (
	"fmt"
	"net"
	"strings"

	"golang.org/x/net/dns/dnsmessage"
)

// Times for which others may keep what we say, in seconds [RFC 6762, section 10]; and for who asks as of a plain DNS server [section 6.7].
const (
	ttl       = 120
	ttlLegacy = 10
)

const (
	cacheFlush = 1 << 15 // in a class: this record is ours alone [section 10.2]; in a question's: answer me alone [section 5.4]
	typeNSEC   = dnsmessage.Type(47)
)

// zone is what we know: our host, and the panel as a service on it [RFC 6763].
type zone struct {
	host     string // "otterford-mill.local."
	kind     string // "_http._tcp.local."
	instance string // "Otterford Mill._http._tcp.local."
	port     uint16
	https    bool
}

// enumeration lists the kinds of service [RFC 6763, section 9].
const enumeration = "_services._dns-sd._udp.local."

func newZone(label, flume string, port uint16, https bool) *zone {
	z := &zone{port: port, https: https, kind: "_http._tcp.local."}
	if https {
		z.kind = "_https._tcp.local."
	}
	z.rename(label)
	words := strings.ReplaceAll(flume, ".", " ")
	for len(words) > 63 { // bytes of a label
		r := []rune(words)
		words = string(r[:len(r)-1])
	}
	z.instance = words + "." + z.kind
	return z
}

func (z *zone) rename(label string) { z.host = label + ".local." }

// url is where a browser finds the panel.
func (z *zone) url() string {
	scheme := "http"
	if z.https {
		scheme = "https"
	}
	return fmt.Sprintf("%s://%s:%d/", scheme, strings.TrimSuffix(z.host, "."), z.port)
}

// records are all that there is about a name, of a type or all types; flush is cacheFlush or 0.
func (z *zone) records(name string, want dnsmessage.Type, ip net.IP, seconds uint32, flush dnsmessage.Class) (out []dnsmessage.Resource) {
	add := func(t dnsmessage.Type, flush dnsmessage.Class, body dnsmessage.ResourceBody) {
		n, err := dnsmessage.NewName(name)
		if err == nil && (want == t || want == dnsmessage.TypeALL) {
			out = append(out, dnsmessage.Resource{Header: dnsmessage.ResourceHeader{Name: n, Type: t, Class: dnsmessage.ClassINET | flush, TTL: seconds}, Body: body})
		}
	}
	pointer := func(to string) {
		if n, err := dnsmessage.NewName(to); err == nil {
			add(dnsmessage.TypePTR, 0, &dnsmessage.PTRResource{PTR: n}) // shared with others: no flush
		}
	}
	switch {
	case strings.EqualFold(name, z.host):
		add(dnsmessage.TypeA, flush, &dnsmessage.AResource{A: [4]byte(ip.To4())})
		if want == dnsmessage.TypeAAAA { // there is none, said at once [RFC 6762, section 6.1]: the name itself, then type 1 alone in the first window
			add(dnsmessage.TypeAAAA, flush, nil)
			out[0].Header.Type = typeNSEC
			out[0].Body = &dnsmessage.UnknownResource{Type: typeNSEC, Data: append(wire(z.host), 0, 1, 0x40)}
		}
	case strings.EqualFold(name, z.instance):
		if n, err := dnsmessage.NewName(z.host); err == nil {
			add(dnsmessage.TypeSRV, flush, &dnsmessage.SRVResource{Port: z.port, Target: n})
		}
		add(dnsmessage.TypeTXT, flush, &dnsmessage.TXTResource{TXT: []string{"path=/"}})
	case strings.EqualFold(name, z.kind):
		pointer(z.instance)
	case strings.EqualFold(name, enumeration):
		pointer(z.kind)
	}
	return out
}

// wire is a name as it is sent, not compressed.
func wire(name string) (b []byte) {
	for label := range strings.SplitSeq(strings.TrimSuffix(name, "."), ".") {
		b = append(append(b, byte(len(label))), label...)
	}
	return append(b, 0)
}

// all says everything, for so many seconds.
func (z *zone) all(seconds uint32) func(net.IP) []byte {
	return func(ip net.IP) []byte {
		m := dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}}
		for _, name := range []string{z.kind, z.instance, z.host} {
			m.Answers = append(m.Answers, z.records(name, dnsmessage.TypeALL, ip, seconds, cacheFlush)...)
		}
		return pack(m)
	}
}

// probe asks whether the name of the host is somebody's, and says for what it is wanted [RFC 6762, section 8.1].
func (z *zone) probe() func(net.IP) []byte {
	return func(ip net.IP) []byte {
		n, err := dnsmessage.NewName(z.host)
		if err != nil {
			return nil
		}
		return pack(dnsmessage.Message{
			Questions:   []dnsmessage.Question{{Name: n, Type: dnsmessage.TypeALL, Class: dnsmessage.ClassINET | cacheFlush}},
			Authorities: z.records(z.host, dnsmessage.TypeALL, ip, ttl, 0),
		})
	}
}

func pack(m dnsmessage.Message) []byte {
	b, err := m.Pack()
	if err != nil {
		return nil
	}
	return b
}

// answer is the answer to a packet, nil for none, and whether it is for who asked alone. legacy is one who asks as of a plain DNS server, from a port of
// their own: they get their question back, with short times and without flush [RFC 6762, section 6.7].
func (z *zone) answer(packet []byte, ip net.IP, legacy bool) (text []byte, alone bool) {
	var m dnsmessage.Message
	if err := m.Unpack(packet); err != nil || m.Response || m.OpCode != 0 || m.RCode != 0 {
		return nil, false
	}
	reply := dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}}
	seconds, flush := uint32(ttl), dnsmessage.Class(cacheFlush)
	if alone = legacy; legacy {
		seconds, flush = ttlLegacy, 0
		reply.ID, reply.Questions = m.ID, m.Questions
	}
	everybodyAlone := true
	for _, q := range m.Questions {
		if c := q.Class &^ cacheFlush; c != dnsmessage.ClassINET && c != dnsmessage.ClassANY {
			continue
		}
		found := z.records(q.Name.String(), q.Type, ip, seconds, flush)
		if len(found) > 0 && q.Class&cacheFlush == 0 {
			everybodyAlone = false
		}
		reply.Answers = append(reply.Answers, news(found, reply.Answers)...) // a packet has room for hundreds of the same question
	}
	reply.Answers = news(reply.Answers, m.Answers)
	if len(reply.Answers) == 0 {
		return nil, false
	}
	also := func(name string, want dnsmessage.Type) {
		found := news(z.records(name, want, ip, seconds, flush), reply.Answers)
		reply.Additionals = append(reply.Additionals, news(found, reply.Additionals)...)
	}
	for _, a := range reply.Answers { // what will be asked next [RFC 6763, section 12]
		switch a.Header.Type {
		case dnsmessage.TypePTR:
			if strings.EqualFold(a.Header.Name.String(), z.kind) {
				also(z.instance, dnsmessage.TypeALL)
				also(z.host, dnsmessage.TypeA)
			}
		case dnsmessage.TypeSRV:
			also(z.host, dnsmessage.TypeA)
		}
	}
	return pack(reply), legacy || everybodyAlone
}

// news leaves out what is known already, to who asks, for at least half of its time [RFC 6762, section 7.1].
func news(ours, known []dnsmessage.Resource) (out []dnsmessage.Resource) {
	for _, o := range ours {
		has := false
		for _, k := range known {
			has = has || k.Header.Type == o.Header.Type && strings.EqualFold(k.Header.Name.String(), o.Header.Name.String()) &&
				k.Header.TTL >= o.Header.TTL/2 && o.Body != nil && k.Body != nil && k.Body.GoString() == o.Body.GoString()
		}
		if !has {
			out = append(out, o)
		}
	}
	return out
}

// claims reports whether a packet from somebody else says that our host's name is theirs.
func (z *zone) claims(packet []byte) bool {
	var m dnsmessage.Message
	if err := m.Unpack(packet); err != nil || !m.Response {
		return false
	}
	for _, a := range append(m.Answers, m.Additionals...) {
		if strings.EqualFold(a.Header.Name.String(), z.host) && a.Header.TTL > 0 &&
			(a.Header.Type == dnsmessage.TypeA || a.Header.Type == dnsmessage.TypeAAAA) {
			return true
		}
	}
	return false
}
