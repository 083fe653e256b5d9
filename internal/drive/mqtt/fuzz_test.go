package mqtt

import (
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// FuzzBroker: a broker's address, topic, client id and password are refused by name, or mean one node, whichever way they are written.
func FuzzBroker(f *testing.F) {
	f.Add("mqtt://127.0.0.1", "flume/drive", "flume", []byte("hunter2\r\nmore"))
	f.Add("mqtts://[2001:db8::7]:8884/", "a", "A_.-", []byte(""))
	f.Add("mqtt://h:0", "flume", "a", []byte("\n"))
	f.Add("mqtt://h:1", "flume/#", "-", []byte("\r"))
	f.Add("mqtt://a:b@h", "/", "", []byte{0xff})
	f.Add("mqtt://[fe80::1%25eth0]:65536", "a//b", "x y", []byte("x"))
	f.Add("mqtt://::", "flume", "a", []byte("x"))
	f.Fuzz(func(t *testing.T, broker, topic, id string, password []byte) {
		b := Broker{URL: broker, Topic: topic, ClientID: id, User: "flume", PasswordFile: filepath.Join(t.TempDir(), "password")}
		if err := b.check(); err != nil {
			for _, one := range strings.Split(err.Error(), "\n") {
				if !strings.Contains(one, "allowed ") || !strings.Contains(one, `"`) {
					t.Errorf("%q does not say what is allowed in place of what", one)
				}
			}
			return
		}
		u, err := url.Parse(strings.TrimSuffix(b.Link(), "/"+topic))
		if err != nil {
			t.Fatalf("%q is %q: %v", broker, b.Link(), err)
		}
		if n, err := strconv.Atoi(u.Port()); err != nil || n < 1 || n > 65535 || u.Hostname() == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts" {
			t.Errorf("%q is %q", broker, b.Link())
		}
		same := b
		same.URL = u.String()
		if err := same.check(); err != nil || same.Link() != b.Link() {
			t.Errorf("%q is %q, and that is %q (%v)", broker, b.Link(), same.Link(), err)
		}
		if strings.ContainsAny(topic, "+#\x00 ") || strings.Contains("/"+topic+"/", "//") || len(id)+len(stopSuffix) > maxID {
			t.Errorf("topic %q, client id %q", topic, id)
		}
		if err := os.WriteFile(b.PasswordFile, password, 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := b.credentials()
		if err != nil || strings.Contains(c.password, "\n") || !strings.HasPrefix(string(password), c.password) || (c.tls != nil) != (u.Scheme == "mqtts") {
			t.Errorf("out of % x the password is %q (%v)", password, c.password, err)
		}
	})
}
