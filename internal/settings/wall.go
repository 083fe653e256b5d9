package settings

import (
	"errors"
	"path/filepath"
	"time"

	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/wall"
)

// What the buttons are wired to, and whose the resistors are.
const (
	toSupply, toGround = "to supply", "to ground"
	internal, external = "internal", "external"
)

func (s *Settings) wall(t *tomlplace.Table) {
	c := &s.Wall
	for _, p := range wall.Pins() {
		switch text, ok := t.String(p.Key()); {
		case !ok:
		case text == "":
			delete(c.Pins, p)
		default:
			if c.Pins == nil {
				c.Pins = map[wall.Pin]string{}
			}
			c.Pins[p] = text
		}
	}
	duration(t, "debounce", 5*time.Millisecond, 200*time.Millisecond, &c.Debounce)
	choice(t, "buttons", toSupply, toGround, &c.ButtonsToGround)
	choice(t, "pulls", internal, external, &c.ExternalPulls)
	if simulated, ok := t.Bool("simulated"); ok {
		c.Simulated = simulated
	}
	if path, ok := t.String("socket"); ok {
		if path != "" && !filepath.IsAbs(path) {
			wrong(t, "socket", "allowed is a path from the root, as in \"/run/sequencerd/wall\", or \"\" for none")
		} else {
			c.Socket = path
		}
	}
	if c.Socket != "" && !c.Simulated {
		t.Problem("socket", "socket without simulated = true: only a simulated wall can be pressed through a socket")
	}
	var pin *wall.PinError
	if errors.As(c.Check(), &pin) {
		switch {
		case t.Has(pin.Key) && pin.Pin != "":
			wrong(t, pin.Key, pin.Text)
		default:
			t.Problem(pin.Key, "%s: %s", pin.Key, pin.Text)
		}
	}
	t.Rest()
}

// choice reads one of two words; the second one is true.
func choice(t *tomlplace.Table, key, no, yes string, into *bool) {
	switch text, ok := t.String(key); {
	case !ok:
	case text != no && text != yes:
		wrong(t, key, "allowed is "+words([]string{no, yes}))
	default:
		*into = text == yes
	}
}
