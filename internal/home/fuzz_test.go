package home

import (
	"log/slog"
	"net"
	"strings"
	"testing"

	"golang.org/x/net/dns/dnsmessage"
)

// FuzzPacket: whatever packet comes over the network, an answer says what we know and nothing else, each record once, in no more than a packet holds, and to
// whom it is for; and only an answer of somebody else's takes our name away.
func FuzzPacket(f *testing.F) {
	z := newZone("otterford-mill", "Otterford Mill", 8080, false)
	ip := net.IPv4(192, 0, 2, 7)
	question := func(name string, t dnsmessage.Type, c dnsmessage.Class, times int) []byte {
		m := dnsmessage.Message{Header: dnsmessage.Header{ID: 7}}
		for range times {
			m.Questions = append(m.Questions, dnsmessage.Question{Name: dnsmessage.MustNewName(name), Type: t, Class: c})
		}
		return pack(m)
	}
	for _, name := range []string{z.host, z.kind, z.instance, enumeration, "somebody-else.local."} {
		f.Add(question(name, dnsmessage.TypeALL, dnsmessage.ClassINET, 1), false)
		f.Add(question(name, dnsmessage.TypeAAAA, dnsmessage.ClassINET|cacheFlush, 2), true)
	}
	f.Add(question(z.kind, dnsmessage.TypePTR, dnsmessage.ClassANY, 700), false) // one name is written once and pointed to
	f.Add(z.all(ttl)(ip), false)
	f.Add(z.all(0)(ip), false)
	f.Add(z.probe()(ip), false)
	f.Fuzz(func(t *testing.T, packet []byte, legacy bool) {
		var asked dnsmessage.Message
		readable := asked.Unpack(packet) == nil
		if z.claims(packet) && !(readable && asked.Response) {
			t.Error("what is no answer takes our name away")
		}
		text, alone := z.answer(packet, ip, legacy)
		if text == nil {
			return
		}
		var m dnsmessage.Message
		switch err := m.Unpack(text); {
		case err != nil || !readable || asked.Response:
			t.Fatalf("answered (%v), readable %v, an answer itself %v", err, readable, asked.Response)
		case !m.Response || !m.Authoritative || len(m.Answers) == 0 || legacy && !alone:
			t.Errorf("%+v, for one alone: %v", m, alone)
		case legacy && (m.ID != asked.ID || len(m.Questions) == 0):
			t.Errorf("who asks as of a plain server gets back %d with %d questions", m.ID, len(m.Questions))
		case !legacy && (m.ID != 0 || len(m.Questions) > 0):
			t.Errorf("everybody gets number %d with %d questions", m.ID, len(m.Questions)) // [RFC 6762, sections 6 and 18.1]
		}
		if len(text) > maxPacket {
			t.Errorf("%d bytes to a packet of %d", len(text), len(packet))
		}
		said := map[string]bool{}
		for _, r := range append(m.Answers, m.Additionals...) {
			ours := false
			for _, name := range []string{z.host, z.kind, z.instance, enumeration} {
				ours = ours || strings.EqualFold(r.Header.Name.String(), name)
			}
			key := strings.ToLower(r.Header.Name.String()) + r.Header.Type.String() + r.Body.GoString()
			if !ours || said[key] || r.Header.TTL > ttl || legacy && r.Header.TTL > ttlLegacy {
				t.Errorf("in %d bytes to a packet of %d: ours %v, said before %v: %+v", len(text), len(packet), ours, said[key], r)
			}
			said[key] = true
		}
	})
}

// FuzzAsked: of all that can be published to us, one topic stops the water, unless the broker had kept it; nothing does more.
func FuzzAsked(f *testing.F) {
	old := slog.Default()
	slog.SetDefault(slog.New(slog.DiscardHandler))
	f.Cleanup(func() { slog.SetDefault(old) })
	const base = "homie/5/otterford-mill/"
	f.Add(base+stopSet, false)
	f.Add(base+stopSet, true)
	f.Add(base+"flume/state/set", false)
	f.Add(base+base+stopSet, false)
	f.Add("", false)
	f.Fuzz(func(t *testing.T, topic string, retained bool) {
		stops := 0
		h := New(Config{Stop: func() { stops++ }})
		h.asked(base, topic, retained)
		if want := topic == base+stopSet && !retained; stops > 1 || want != (stops == 1) {
			t.Errorf("%q, retained %v: %d stops", topic, retained, stops)
		}
	})
}
