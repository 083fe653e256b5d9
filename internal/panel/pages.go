package panel

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"

	"flume.example/sequencerd/internal/cue"
	"flume.example/sequencerd/internal/fault"
)

//go:embed web
var web embed.FS

// pages are the templates, the files that a page uses, and the words in both.
type pages struct {
	words     map[string]string
	templates map[string]func() (*template.Template, error) // read when a page is first asked for: most flumes are looked at by the deck alone
	files     map[string]file
}

// file is one that a browser loads and keeps until it has changed.
type file struct {
	text      []byte
	kind, tag string
}

// kinds are what files are sent as; the system's own table may know none of them.
var kinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

func loadPages() (*pages, error) {
	g := &pages{templates: map[string]func() (*template.Template, error){}, files: map[string]file{}}
	text, err := web.ReadFile("web/words.json")
	if err == nil {
		err = json.Unmarshal(text, &g.words)
	}
	if err != nil {
		return nil, fmt.Errorf("the panel's words cannot be read: %w", err)
	}
	names, _ := fs.Glob(web, "web/pages/*.html")
	for _, name := range names {
		g.templates[strings.TrimSuffix(path.Base(name), ".html")] = sync.OnceValues(func() (*template.Template, error) {
			return template.New("").Funcs(template.FuncMap{"say": g.say}).ParseFS(web, "web/pages/layout.html", name)
		})
	}
	names, _ = fs.Glob(web, "web/static/*")
	for _, name := range names {
		if text, err = web.ReadFile(name); err != nil {
			return nil, err
		}
		g.add(path.Base(name), text)
	}
	words, err := json.Marshal(g.words)
	if err != nil {
		return nil, err
	}
	g.add("words.js", fmt.Appendf(nil, "export const words = %s;\n", words))
	g.add("cues.js", rhythms())
	return g, nil
}

// rhythms is the module that makes a page sound as the beeper at the wall does: on and off times in ms.
func rhythms() []byte {
	all := map[string][]int64{}
	for c := cue.Faster; c <= cue.Stop; c++ {
		for _, d := range c.Rhythm().OnOff {
			all[c.String()] = append(all[c.String()], d.Milliseconds())
		}
	}
	text, _ := json.Marshal(all) // lists of whole numbers
	return fmt.Appendf(nil, "export const rhythms = %s;\n", text)
}

func (g *pages) add(name string, text []byte) {
	g.files[name] = file{text, kinds[path.Ext(name)], fmt.Sprintf(`"%x"`, sha256.Sum256(text))[:18] + `"`}
}

// say is the words for a key, with values put in: say "deck.of" "n" 3 "of" 5.
func (g *pages) say(key string, values ...any) (string, error) {
	text, ok := g.words[key]
	if !ok {
		return "", fmt.Errorf("no words for %q", key)
	}
	for i := 0; i+1 < len(values); i += 2 {
		text = strings.ReplaceAll(text, fmt.Sprintf("{%v}", values[i]), fmt.Sprint(values[i+1]))
	}
	return text, nil
}

// frame data that every page has.
type page struct {
	Page, Title, Flume string
	Paired, Simulated  bool
	Nav                []navigation

	Own, Demos    []entry
	People        []person
	Laid, Swimmer string
	Writable      bool
	Name, Heading string // of the session in the editor
	Text          string
	Demo          bool
	Swimmers      []person
	Sheets        []sheet
	Devices       []listed
	Problems      []fault.Fault
	Of            *swimmerView
	Swims         []swimRow
	Blocks        []blockRow
	Course        bool // there is an installer's course
}

type navigation struct {
	Href, Text string
	Here       bool
}

// person is a swimmer as a page shows them.
type person struct {
	Name, Threshold, Cap string
	Default              bool
	Stored               bool // has a page of their own
}

// pageRoutes are the pages and what they load.
func (p *Panel) pageRoutes(open, paired func(string, http.HandlerFunc)) {
	open("GET /{$}", p.deckPage)
	open("GET /pair", p.simplePage("pair", "pair.title"))
	open("GET /problems", p.problemsPage)
	open("GET /static/{name}", p.static)
	paired("GET /sessions", p.sessionsPage)
	paired("GET /sessions/{name}", p.editorPage)
	paired("GET /swimmers", p.swimmersPage)
	paired("GET /swimmers/{name}", p.swimmerPage)
	paired("GET /swims", p.swimsPage)
	paired("GET /swims/{id}", p.swimPage)
	paired("GET /api/v1/swims/{id}/curve", p.swimCurve)
	paired("GET /installation", p.installationPage)
	p.courseRoutes(paired)
}

func (p *Panel) static(w http.ResponseWriter, r *http.Request) {
	f, ok := p.pages.files[r.PathValue("name")]
	if !ok {
		refuse(w, fault.Of(fault.NoSuchPage))
		return
	}
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", f.tag)
	if r.Header.Get("If-None-Match") == f.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.Write(f.text)
}

// page has what is the same everywhere.
func (p *Panel) page(r *http.Request, name, title string) *page {
	g := &page{Page: name, Flume: p.cfg.Settings.Flume.Name, Paired: p.mayAll(r)}
	g.Title, _ = p.pages.say(title)
	snap, _ := p.cfg.Sequencer.Snapshot()
	g.Simulated = snap.Simulated
	links := []string{"deck"}
	if g.Paired {
		links = append(links, "sessions", "swimmers", "swims", "installation")
	}
	for _, l := range links {
		text, _ := p.pages.say("nav." + l)
		href := "/" + l
		if l == "deck" {
			href = "/"
		}
		g.Nav = append(g.Nav, navigation{href, text, l == name || l == "sessions" && name == "editor" || l == "swims" && name == "swim" || l == "swimmers" && name == "swimmer" || l == "installation" && name == "course"})
	}
	return g
}

// render writes a page whole or says that it could not.
func (p *Panel) render(w http.ResponseWriter, g *page) {
	var b bytes.Buffer
	t, err := p.pages.templates[g.Page]()
	if err == nil {
		err = t.ExecuteTemplate(&b, g.Page+".html", g)
	}
	if err != nil {
		slog.Error("a page cannot be written", "page", g.Page, "error", err)
		refuse(w, fault.Of(fault.LoopBusy))
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
}

func (p *Panel) simplePage(name, title string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { p.render(w, p.page(r, name, title)) }
}

func (p *Panel) deckPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "deck", "nav.deck")
	if g.Paired {
		g.Own, g.Demos = p.split()
		g.People = p.people()
		g.Laid = "first-swim"
		if l := p.laid.Load(); l != nil {
			g.Laid, g.Swimmer = l.name, l.input.Plan.Swimmer
		} else {
			g.Swimmer = p.cfg.Settings.Swimmer
		}
	}
	p.render(w, g)
}

// split is the list of sessions in its two parts.
func (p *Panel) split() (own, demos []entry) {
	all := p.library.list()
	i := slices.IndexFunc(all, func(e entry) bool { return e.Demo })
	if i < 0 {
		i = len(all)
	}
	return all[:i], all[i:]
}

func (p *Panel) sessionsPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "sessions", "sessions.title")
	g.Own, g.Demos = p.split()
	g.Writable = p.library.own != nil
	p.render(w, g)
}

// newSession is what the editor begins with.
const newSession = `format = 1
title = "New session"
unit = "m"
lines = """
Warm-up: 2:00 at 2:20
Main: 4 x 50 at 2:00, rest :20
Cool-down: 1:00 at 2:30
"""
`

func (p *Panel) editorPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "editor", "editor.title")
	g.People, g.Swimmer = p.people(), r.URL.Query().Get("swimmer")
	if r.PathValue("name") == "+new" {
		g.Heading, _ = p.pages.say("editor.new")
		g.Text = newSession
		p.render(w, g)
		return
	}
	name, err := sessionName(r.PathValue("name"))
	var text []byte
	if err == nil {
		text, g.Demo, err = p.library.read(name)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	g.Name, g.Heading, g.Text = name, name, string(text)
	p.render(w, g)
}

func (p *Panel) problemsPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "problems", "problems.title")
	codes := fault.Codes()
	slices.Sort(codes)
	for _, c := range codes {
		g.Problems = append(g.Problems, fault.Of(c))
	}
	p.render(w, g)
}
