package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
)

// authority signs certificates for one test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func issue(t testing.TB, m *mosquitto, name string, by *authority) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	parent, signer := c, key
	if by == nil {
		c.IsCA, c.BasicConstraintsValid, c.KeyUsage, c.ExtKeyUsage = true, true, x509.KeyUsageCertSign, nil
	} else {
		parent, signer = by.cert, by.key
		c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	m.write(t, name+".crt", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	m.write(t, name+".key", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})))
	return &authority{c, key}
}

// TestTLS: a broker that wants a client's certificate too; who it is, and who we are, is checked.
func TestTLS(t *testing.T) {
	t.Parallel()
	if !have(t, "mosquitto", "mosquitto_passwd") {
		return
	}
	m := &mosquitto{dir: t.TempDir(), host: "127.0.0.1", port: freePort(t)}
	ca := issue(t, m, "authority", nil)
	issue(t, m, "broker", ca)
	issue(t, m, "client", ca)
	issue(t, m, "stranger", nil)
	m.configure(t, fmt.Sprintf("listener %d 127.0.0.1\ncafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n",
		m.port, m.file("authority.crt"), m.file("broker.crt"), m.file("broker.key")))
	m.start(t)
	secure := func(user string) Broker {
		b := m.as(user, 0)
		b.URL = fmt.Sprintf("mqtts://127.0.0.1:%d", m.port)
		b.CAFile, b.CertFile, b.KeyFile = m.file("authority.crt"), m.file("client.crt"), m.file("client.key")
		return b
	}
	p := newPool(t, secure("node"))
	s := swimming(t, secure("flume"), p)
	s.end()
	until(t, "at rest after the end", time.Second, p.rests)

	for what, change := range map[string]func(*Broker){
		"another authority":      func(b *Broker) { b.CAFile = m.file("stranger.crt") },
		"this computer's own":    func(b *Broker) { b.CAFile = "" },
		"no certificate of ours": func(b *Broker) { b.CertFile, b.KeyFile = "", "" },
		"no TLS at all":          func(b *Broker) { *b = m.as("flume", 0) },
		"another name":           func(b *Broker) { b.URL = fmt.Sprintf("mqtts://localhost:%d", m.port) },
	} {
		b := secure("flume")
		change(&b)
		d := open(t, b)
		if _, err := d.Read(drive.Round{Until: 100 * ms}); err == nil {
			t.Errorf("%s: the broker was read all the same", what)
		} else {
			t.Logf("%s: %v", what, err)
		}
	}
}

// TestOpenRefuses: settings that cannot be right are refused at once, with the value and what is allowed.
func TestOpenRefuses(t *testing.T) {
	good := Broker{URL: "mqtt://broker.example", Topic: "pool/drive", ClientID: "flume"}
	for says, change := range map[string]func(*Config){
		`broker "": allowed is "mqtt://HOST"`:                 func(c *Config) { c.URL = "" },
		`broker "http://broker": allowed is`:                  func(c *Config) { c.URL = "http://broker" },
		`broker "mqtt://a:b@broker": allowed is`:              func(c *Config) { c.URL = "mqtt://a:b@broker" },
		`broker "mqtt://broker:0": allowed is`:                func(c *Config) { c.URL = "mqtt://broker:0" },
		`broker "mqtt://broker:70000": allowed is`:            func(c *Config) { c.URL = "mqtt://broker:70000" },
		`broker "mqtt://broker/x": allowed is`:                func(c *Config) { c.URL = "mqtt://broker/x" },
		`topic "pool/#": allowed are`:                         func(c *Config) { c.Topic = "pool/#" },
		`topic "/pool": allowed are`:                          func(c *Config) { c.Topic = "/pool" },
		`client id "a b": allowed are`:                        func(c *Config) { c.ClientID = "a b" },
		`time to live 10s: allowed is`:                        func(c *Config) { c.TimeToLive = 10 * time.Second },
		`cannot read the broker's password`:                   func(c *Config) { c.User, c.PasswordFile = "x", "/nowhere" },
		`a password without a user`:                           func(c *Config) { c.PasswordFile = "/nowhere" },
		`certificates are given, but the broker is`:           func(c *Config) { c.CAFile = "/nowhere" },
		`cannot read the broker's authorities`:                func(c *Config) { c.URL, c.CAFile = "mqtts://broker", "/nowhere" },
		`cannot use the client's certificate "/a" with the k`: func(c *Config) { c.URL, c.CertFile, c.KeyFile = "mqtts://broker", "/a", "/b" },
		`no certificate in /dev/null`:                         func(c *Config) { c.URL, c.CAFile = "mqtts://broker", "/dev/null" },
	} {
		c := Config{Broker: good}
		change(&c)
		if _, err := Open(c); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("got %v, want %s", err, says)
		}
	}
	if got := good.Link(); got != "mqtt://broker.example:1883/pool/drive" {
		t.Errorf("the lock is named after %s", got)
	}
}
