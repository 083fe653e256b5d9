package panel

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/settings"
)

// selfMade writes a certificate for this computer and a name of its own, and its key.
func selfMade(t testing.TB) (certificate, key string) {
	t.Helper()
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "the flume"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"flume.otterford.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	text, err := x509.CreateCertificate(rand.Reader, form, form, secret.Public(), secret)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(secret)
	if err != nil {
		t.Fatal(err)
	}
	pemFile := func(name, kind string, text []byte) string {
		return keepFile(t, name, string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: text})))
	}
	return pemFile("flume.crt", "CERTIFICATE", text), pemFile("flume.key", "PRIVATE KEY", private)
}

// With a certificate everything goes over TLS: pages, events, the cookie; a client that does not trust it gets nothing, and neither does one without TLS.
func TestHTTPS(t *testing.T) {
	certificate, key := selfMade(t)
	r := newRig(t, options{code: code, certificate: certificate, key: key})
	text, err := os.ReadFile(certificate)
	if err != nil {
		t.Fatal(err)
	}
	trust := x509.NewCertPool()
	trust.AppendCertsFromPEM(text)
	r.transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trust}, ForceAttemptHTTP2: true}
	plain := r.base
	r.base = strings.Replace(r.base, "http:", "https:", 1)
	if st := r.status(); st.State != "stopped" {
		t.Errorf("over TLS it is %s", st.State)
	}
	if c := r.must(r.send("POST", "/api/v1/pair", `{"code":"`+code+`"}`)).header.Get("Set-Cookie"); !strings.Contains(c, "Secure") {
		t.Errorf("the cookie may go out without TLS: %s", c)
	}
	if a := r.send("GET", "/", "", "Host: flume.otterford.example"); a.code != 200 {
		t.Errorf("by the name in the certificate: %d", a.code)
	}
	if a := r.send("GET", "/", "", "Host: evil.example"); a.code != 403 {
		t.Errorf("by another name: %d", a.code)
	}
	req, err := http.NewRequest("GET", r.base+"/api/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	reply, err := (&http.Client{Transport: r.transport}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer reply.Body.Close()
	lines, seen := bufio.NewScanner(reply.Body), 0
	for seen < 3 && lines.Scan() {
		if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
			if !json.Valid([]byte(data)) {
				t.Errorf("an event: %s", data)
			}
			seen++
		}
	}
	if seen < 3 || reply.ProtoMajor != 2 {
		t.Errorf("%d events over HTTP/%d: %v", seen, reply.ProtoMajor, lines.Err())
	}
	if _, err := http.Get(r.base); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("a client that does not trust the certificate: %v", err)
	}
	if a, err := http.Get(plain); err != nil || a.StatusCode != 400 {
		t.Errorf("a client without TLS: %v, %v", a, err)
	}
	old := tls.Config{RootCAs: trust, MaxVersion: tls.VersionTLS11}
	if c, err := tls.Dial("tcp", strings.TrimPrefix(plain, "http://"), &old); err == nil {
		c.Close()
		t.Error("TLS 1.1 is spoken: RFC 8996 deprecates it")
	}
}

// A pair that does not fit ends the start, and says which files and what is allowed.
func TestWrongCertificate(t *testing.T) {
	certificate, key := selfMade(t)
	_, other := selfMade(t)
	for says, pair := range map[string][2]string{
		"the key of another":        {certificate, other},
		"no key there":              {certificate, filepath.Join(t.TempDir(), "none.key")},
		"no certificate there":      {filepath.Join(t.TempDir(), "none.crt"), key},
		"no PEM":                    {keepFile(t, "x.crt", "certificate"), key},
		"the two taken for another": {key, certificate},
	} {
		s, err := settings.Parse("", nil, config.Default())
		if err != nil {
			t.Fatal(err)
		}
		s.Certificate, s.Key = pair[0], pair[1]
		_, err = New(Config{Sequencer: sequencer.New(sequencer.Config{}, 1), Settings: s, Demos: config.Sessions})
		if err == nil || !strings.Contains(err.Error(), pair[0]) || !strings.Contains(err.Error(), pair[1]) || !strings.Contains(err.Error(), "allowed is a pair of PEM files") {
			t.Errorf("%s: %v", says, err)
		}
	}
}
