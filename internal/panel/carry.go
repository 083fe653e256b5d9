package panel

import (
	"log/slog"
	"mime"
	"net/http"
	"strings"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/store"
)

// Swimmers as files: out, in, and away for good.

// exportSwimmers gives everybody as a file that another flume takes in.
func (p *Panel) exportSwimmers(w http.ResponseWriter, r *http.Request) {
	if p.cfg.Store == nil {
		refuse(w, fault.Of(fault.NoFolder))
		return
	}
	p.export(w, "", "swimmers")
}

// exportSwimmer gives somebody as such a file.
func (p *Panel) exportSwimmer(w http.ResponseWriter, r *http.Request) {
	if k := p.look(w, r); k != nil {
		p.export(w, k.Name, k.Name)
	}
}

func (p *Panel) export(w http.ResponseWriter, name, file string) {
	all, err := roster.Export(p.cfg.Store, name, roster.Simulated(p.cfg.Settings))
	if err != nil {
		refuse(w, kept(err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": file + ".json"}))
	if err := store.WriteSwimmers(w, all); err != nil {
		slog.Debug("somebody went away while swimmers were sent", "error", err)
	}
}

// importSwimmers takes in what was exported: all of them or none.
func (p *Panel) importSwimmers(w http.ResponseWriter, r *http.Request) {
	if p.cfg.Store == nil {
		refuse(w, fault.Of(fault.NoFolder))
		return
	}
	text, err := body(w, r, mostText)
	var all []store.Swimmer
	if err == nil {
		if all, err = roster.ReadExported(text); err == nil {
			err = p.cfg.Store.AddSwimmers(all)
		}
		if err != nil {
			err = kept(err)
		}
	}
	if err != nil {
		refuse(w, err)
		return
	}
	names := make([]string, len(all))
	for i := range all {
		names[i] = all[i].Name
	}
	answer(w, http.StatusOK, map[string][]string{"swimmers": names})
}

// forgetSwimmer forgets somebody for good; with "swims" in the query everything that they swam too, else that stays as nobody's. Who is laid out is not
// forgotten: the next swim would bring the name back.
func (p *Panel) forgetSwimmer(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	p.laying.Lock()
	defer p.laying.Unlock()
	if snap, _ := p.cfg.Sequencer.Snapshot(); strings.EqualFold(snap.Swimmer, k.Name) {
		refuse(w, fault.Of(fault.SwimmerLaidOut))
		return
	}
	err := p.cfg.Store.ForgetSwimmer(k.Name, r.URL.Query().Has("swims"))
	if err != nil {
		err = kept(err)
	}
	p.changed(w, err)
}
