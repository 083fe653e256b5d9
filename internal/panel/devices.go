package panel

import (
	"encoding/json"
	"mime"
	"net/http"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// remembered is how long a browser keeps its token without being used; browsers allow no longer than 400 days.
const remembered = 365 * 24 * time.Hour

// pair takes the code, and answers with the device's token, as a cookie for a browser and in the text for other clients.
func (p *Panel) pair(w http.ResponseWriter, r *http.Request) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		refuse(w, fault.Of(fault.WrongType))
		return
	}
	text, err := body(w, r, mostBody)
	if err != nil {
		refuse(w, err)
		return
	}
	var ask struct{ Code, Device string }
	if err := json.Unmarshal(text, &ask); err != nil {
		refuse(w, unclear(plainly(err)))
		return
	}
	token, err := p.access.pair(address(r), ask.Code, ask.Device)
	if err != nil {
		refuse(w, err)
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: cookie, Value: token, Path: "/", MaxAge: int(remembered.Seconds()), HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	answer(w, http.StatusOK, struct {
		Token string `json:"token"`
	}{token})
}

// listed is a paired device as it is shown.
type listed struct {
	ID     string    `json:"id"`
	Name   string    `json:"name"`
	Paired time.Time `json:"paired"`
	Seen   time.Time `json:"seen"`
	This   bool      `json:"this"`
}

func (p *Panel) listDevices(w http.ResponseWriter, r *http.Request) {
	me := p.deviceOf(r)
	out := []listed{}
	for _, d := range p.access.devices() {
		out = append(out, listed{d.ID, d.Name, d.Paired, d.Seen, d.ID == me})
	}
	answer(w, http.StatusOK, struct {
		Devices []listed `json:"devices"`
	}{out})
}

func (p *Panel) revokeDevice(w http.ResponseWriter, r *http.Request) {
	if err := p.access.revoke(r.PathValue("id")); err != nil {
		refuse(w, fault.Of(fault.NotKept))
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
