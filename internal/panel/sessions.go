package panel

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/schedule"
)

// sessions lists all sessions.
func (p *Panel) sessions(w http.ResponseWriter, r *http.Request) {
	answer(w, http.StatusOK, struct {
		Sessions []entry `json:"sessions"`
		Writable bool    `json:"writable"`
	}{p.library.list(), p.library.own != nil})
}

// session gives a session's text as it stands in its file.
func (p *Panel) session(w http.ResponseWriter, r *http.Request) {
	name, err := sessionName(r.PathValue("name"))
	if err != nil {
		refuse(w, err)
		return
	}
	text, demo, err := p.library.read(name)
	if err != nil {
		refuse(w, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/toml")
	h.Set("Cache-Control", "no-store")
	h.Set("Session-Demo", fmt.Sprint(demo))
	if r.URL.Query().Has("download") {
		h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name + suffix}))
	}
	w.Write(text)
}

// putSession keeps a session that has no mistakes. What only this flume or this swimmer cannot do is no mistake of the text.
func (p *Panel) putSession(w http.ResponseWriter, r *http.Request) {
	name, err := sessionName(r.PathValue("name"))
	if err == nil {
		err = p.library.mine(name)
	}
	var text []byte
	if err == nil {
		text, err = sessionText(w, r)
	}
	if err == nil {
		_, err = schedule.Parse(name+suffix, text)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	created, err := p.library.write(name, text)
	if err != nil {
		refuse(w, err)
		return
	}
	if created {
		w.Header().Set("Location", "/api/v1/sessions/"+name)
		w.WriteHeader(http.StatusCreated)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (p *Panel) deleteSession(w http.ResponseWriter, r *http.Request) {
	name, err := sessionName(r.PathValue("name"))
	if err == nil {
		err = p.library.remove(name)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// textKinds are what a plain file may be called on its way here; the last is what a command-line client says where it is not told.
var textKinds = []string{"application/toml", "text/plain", "application/octet-stream", "application/x-www-form-urlencoded"}

// sessionText reads a session from a request: TOML or plain text.
func sessionText(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	if t := r.Header.Get("Content-Type"); t != "" {
		kind, _, err := mime.ParseMediaType(t)
		if err != nil || !slices.Contains(textKinds, kind) {
			return nil, fault.Of(fault.WrongType)
		}
	}
	text, err := body(w, r, mostText)
	if err == nil && !utf8.Valid(text) {
		return nil, fault.Problems{{File: "session", Line: 1, Col: 1, Text: "this is not text in UTF-8"}}
	}
	return text, err
}

// rehearsed is a rehearsal with its curve, for a page.
type rehearsed struct {
	*rehearse.Result
	Curve     *curve      `json:"curve"`
	Swum      bool        `json:"was_simulated"`
	Explained []explained `json:"explained"`
	AsLines   string      `json:"as_lines,omitempty"` // a session in steps, written as lines; empty where lines cannot say it

	Asks  *roster.Asks `json:"asks"` // of the swimmer
	Asked []string     `json:"asks_in_words"`
}

// asks is what a planned session asks of its swimmer.
func (p *Panel) asks(l *laid) *roster.Asks {
	in := &l.input
	_, k, err := roster.Find(p.cfg.Settings, p.cfg.Store, in.Plan.Swimmer)
	if err != nil {
		slog.Warn("what is known of a swimmer cannot be read", "swimmer", in.Plan.Swimmer, "error", err)
	}
	return roster.AskedOf(l.session, in.Plan.Blocks, in.Threshold, k, false, time.Now())
}

// explained is what one line of a session comes to.
type explained struct {
	Line  int    `json:"line"`
	Words string `json:"words"`
}

// explain puts a session into plain words, and writes steps as lines where that can be done.
func explain(l *laid, out *rehearsed) {
	s := l.session
	var lines []string
	can := true
	for _, e := range s.Explain(l.input.Threshold) {
		out.Explained = append(out.Explained, explained{e.Line, e.Words})
		lines = append(lines, e.Short)
		can = can && e.Text == "" && e.Short != ""
	}
	if !can {
		return
	}
	head := fmt.Sprintf("format = 1\ntitle = %s\nunit = %q\n", tomlText(s.Title), s.Unit)
	for _, k := range [][2]string{{"author", s.Author}, {"notes", s.Notes}} {
		if k[1] != "" {
			head += k[0] + " = " + tomlText(k[1]) + "\n"
		}
	}
	text := head + "lines = \"\"\"\n" + strings.Join(lines, "\n") + "\n\"\"\"\n"
	if _, err := schedule.Parse("as lines", []byte(text)); err == nil {
		out.AsLines = text
	}
}

// tomlText is text in quotes: JSON's escapes are TOML's too, for text without characters that JSON need not escape and TOML must.
func tomlText(s string) string {
	text, _ := json.Marshal(s)
	return strings.ReplaceAll(string(text), "\x7f", `\u007f`)
}

// longestRehearsal is what is simulated while somebody waits.
const longestRehearsal = 4 * time.Hour

// rehearse plans the session in the body for the swimmer in the query, without keeping it. With "simulate" in the query it is swum in the simulated
// flume too.
func (p *Panel) rehearse(w http.ResponseWriter, r *http.Request) {
	text, err := sessionText(w, r)
	if err != nil {
		refuse(w, err)
		return
	}
	p.rehearseText(w, r, "session", text)
}

// rehearseNamed is rehearse for a session of the list.
func (p *Panel) rehearseNamed(w http.ResponseWriter, r *http.Request) {
	name, err := sessionName(r.PathValue("name"))
	var text []byte
	if err == nil {
		text, _, err = p.library.read(name)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	p.rehearseText(w, r, name+suffix, text)
}

func (p *Panel) rehearseText(w http.ResponseWriter, r *http.Request, file string, text []byte) {
	l, err := p.planFor(file, file, text, r.URL.Query().Get("swimmer"))
	if err != nil {
		refuse(w, err)
		return
	}
	plan := l.input.Plan
	out := rehearsed{Curve: curveOf(plan.Profile, plan.Title, plan.Unit)}
	if total, _ := plan.Profile.Total(); r.URL.Query().Has("simulate") && total <= longestRehearsal {
		select { // one at a time: the control loop needs its processor
		case p.rehearsing <- struct{}{}:
			defer func() { <-p.rehearsing }()
		case <-r.Context().Done():
			return
		}
		out.Result, err = rehearse.Rehearse(l.input)
		out.Swum = true
	} else {
		out.Result = rehearse.Describe(l.input)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	explain(l, &out)
	out.Asks = p.asks(l)
	out.Asked = append([]string{}, out.Asks.Sentences()...)
	answer(w, http.StatusOK, out)
}
