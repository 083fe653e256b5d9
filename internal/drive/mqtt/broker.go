package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"regexp"
	"strings"
)

// Broker is how to reach one, and where on it the node is.
type Broker struct {
	URL          string // mqtt://HOST or mqtts://HOST (with TLS), with :PORT where it is not 1883 or 8883
	Topic        string // below it the node has /command, /stop and /state
	ClientID     string // a broker throws out whoever has the same, so each program needs its own
	User         string // empty for none
	PasswordFile string // its first line is the password; empty for none

	CAFile            string // PEM, the authorities that the broker's certificate may come from; empty: those of this computer
	CertFile, KeyFile string // PEM, the client's own certificate and its key; empty for none
}

// stopSuffix ends the client id of a program that only stops.
const stopSuffix = "-stop"

// lentSuffix ends that of one to which the owner lends its node; it is as long.
const lentSuffix = "-lent"

// maxClientID leaves room for that, and for the random part of an owner's id.
const maxClientID = maxID - len(stopSuffix) - len(".00000000")

var (
	clientID = regexp.MustCompile(fmt.Sprintf(`^[A-Za-z0-9_.][A-Za-z0-9_.-]{0,%d}$`, maxClientID-1))
	topic    = regexp.MustCompile(`^[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*$`)
)

// CheckURL, CheckTopic and CheckClientID say what is allowed where a value is not.
func CheckURL(text string) error {
	_, err := address(text)
	return err
}

// CheckTopic is for Broker.Topic.
func CheckTopic(text string) error {
	if !topic.MatchString(text) || len(text) > 200 {
		return errors.New(`allowed are words of letters, digits, "_", "." and "-" with "/" between them, up to 200 characters, as in "flume/drive"`)
	}
	return nil
}

// CheckClientID is for Broker.ClientID.
func CheckClientID(text string) error {
	if !clientID.MatchString(text) {
		return fmt.Errorf(`allowed are 1 to %d letters, digits, "_", "." and "-", the first no "-"`, maxClientID)
	}
	return nil
}

// address is the broker's, with its port.
func address(text string) (*url.URL, error) {
	wrong := errors.New(`allowed is "mqtt://HOST", or "mqtts://HOST" with TLS, with ":PORT" where it is not 1883 or 8883`)
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" || u.User != nil || u.Opaque != "" || strings.TrimSuffix(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
		return nil, wrong
	}
	port := map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme]
	if port == "" {
		return nil, wrong
	}
	if p := u.Port(); p != "" {
		port = p
	}
	if _, err := net.LookupPort("tcp", port); err != nil || port == "0" {
		return nil, wrong
	}
	full := &url.URL{Scheme: u.Scheme, Host: net.JoinHostPort(u.Hostname(), port)}
	if _, err := url.Parse(full.String()); err != nil { // colons that are no IPv6 address
		return nil, wrong
	}
	return full, nil
}

// Link names the node, for its lock: broker and topic.
func (b Broker) Link() string {
	u, err := address(b.URL)
	if err != nil {
		return b.URL + "/" + b.Topic
	}
	return u.String() + "/" + b.Topic
}

// credentials are what is read from the files of a Broker.
type credentials struct {
	password string
	tls      *tls.Config
}

func (b Broker) check() error {
	named := func(what, value string, err error) error {
		if err != nil {
			err = fmt.Errorf("%s %q: %w", what, value, err)
		}
		return err
	}
	return errors.Join(named("broker", b.URL, CheckURL(b.URL)), named("topic", b.Topic, CheckTopic(b.Topic)), named("client id", b.ClientID, CheckClientID(b.ClientID)))
}

// credentials reads the files.
func (b Broker) credentials() (c credentials, err error) {
	if b.PasswordFile != "" {
		if b.User == "" {
			return c, errors.New("a password without a user: give both, or none")
		}
		text, err := os.ReadFile(b.PasswordFile)
		if err != nil {
			return c, fmt.Errorf("cannot read the broker's password: %w", err)
		}
		line, _, _ := strings.Cut(string(text), "\n")
		c.password = strings.TrimSuffix(line, "\r")
	}
	if u, err := address(b.URL); err != nil || u.Scheme != "mqtts" {
		if b.CAFile+b.CertFile+b.KeyFile != "" {
			return c, fmt.Errorf("certificates are given, but the broker is %q: with TLS it is mqtts://…", b.URL)
		}
		return c, nil
	}
	c.tls = &tls.Config{MinVersion: tls.VersionTLS12}
	if b.CAFile != "" {
		text, err := os.ReadFile(b.CAFile)
		if err != nil {
			return c, fmt.Errorf("cannot read the broker's authorities: %w", err)
		}
		c.tls.RootCAs = x509.NewCertPool()
		if !c.tls.RootCAs.AppendCertsFromPEM(text) {
			return c, fmt.Errorf("no certificate in %s: allowed is a file in PEM form", b.CAFile)
		}
	}
	if b.CertFile != "" || b.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return c, fmt.Errorf("cannot use the client's certificate %q with the key %q: %w", b.CertFile, b.KeyFile, err)
		}
		c.tls.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}
