package settings

import (
	"strings"
	"time"

	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/tomlplace"
)

// mqtt reads the link to a drive node. What its files hold is seen when the link is opened.
func (s *Settings) mqtt(t *tomlplace.Table) {
	c := &s.Drive.MQTT
	checked(t, "broker", mqtt.CheckURL, &c.URL)
	checked(t, "topic", mqtt.CheckTopic, &c.Topic)
	checked(t, "client_id", mqtt.CheckClientID, &c.ClientID)
	oneLine(t, "user", &c.User)
	oneLine(t, "password_file", &c.PasswordFile)
	oneLine(t, "ca_file", &c.CAFile)
	oneLine(t, "certificate_file", &c.CertFile)
	oneLine(t, "key_file", &c.KeyFile)
	duration(t, "time_to_live", 300*time.Millisecond, time.Second, &c.TimeToLive)
	duration(t, "link_loss", 100*time.Millisecond, 10*time.Second, &c.LinkLoss)
	t.Rest()
}

// checked reads text that somebody else knows how to check; the error says what is allowed.
func checked(t *tomlplace.Table, key string, check func(string) error, into *string) {
	text, ok := t.String(key)
	if !ok {
		return
	}
	if err := check(text); err != nil {
		wrong(t, key, err.Error())
		return
	}
	*into = text
}

// oneLine reads text without control characters, which may be empty.
func oneLine(t *tomlplace.Table, key string, into *string) {
	text, ok := t.String(key)
	switch {
	case !ok:
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' }):
		wrong(t, key, `allowed is text on one line, or "" for none`)
	default:
		*into = text
	}
}
