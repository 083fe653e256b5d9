package panel

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"mime"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
)

// Course is the installer's course as pages go through it. All of it may be called from several goroutines. Errors are faults, or the disk's.
type Course interface {
	// State is what there is to show, as JSON; nil where it is still what has that mark. attends says that whoever asks looks after the motor: they could start it.
	State(mark string, attends bool) any
	Begin(part string) error
	Answer(question, text string) error
	Leave() error
	// Report writes the record down, and gives its name without an end; Record is one that was written, by its name with .html or .json.
	Report() (name string, err error)
	Record(name string) ([]byte, error)
}

// mostAnswer is the longest answer to a question of the course, in characters: fifty times of floats, and a few for a slip.
const mostAnswer = 1000

// courseRoutes are those of the course; where there is none they are not there.
func (p *Panel) courseRoutes(paired func(string, http.HandlerFunc)) {
	if p.cfg.Course == nil {
		return
	}
	paired("GET /installation/course", p.simplePage("course", "course.title"))
	paired("GET /installation/records/{name}", p.courseRecord)
	paired("GET /api/v1/installation", p.courseState)
	paired("POST /api/v1/installation/{what}", p.courseDo)
}

func (p *Panel) courseState(w http.ResponseWriter, r *http.Request) {
	st := p.cfg.Course.State(r.URL.Query().Get("mark"), p.mayStart(r) == nil)
	if st == nil {
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(http.StatusNoContent)
		return
	}
	answer(w, http.StatusOK, st)
}

// courseDo begins a part, answers, leaves, writes the record. What can make the motor turn is taken only from where a start is; leaving and writing turn nothing.
func (p *Panel) courseDo(w http.ResponseWriter, r *http.Request) {
	var ask struct {
		Part, Question, Answer string
		At                     *int64 `json:"at_ms"` // of the status that the person saw
	}
	what := r.PathValue("what")
	err := readCourse(w, r, &ask)
	if err == nil && (what == "begin" || what == "answer") && p.mayStart(r) != nil {
		err = fault.Of(fault.CourseNotHere)
	}
	if err == nil && (what == "begin" || what == "answer") {
		err = p.lately(ask.At)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	name := ""
	switch what {
	case "begin":
		err = p.cfg.Course.Begin(ask.Part)
	case "answer":
		if utf8.RuneCountInString(ask.Answer) > mostAnswer {
			err = unclear("an answer has 1000 characters at most")
		} else {
			err = p.cfg.Course.Answer(ask.Question, printable(ask.Answer))
		}
	case "leave":
		err = p.cfg.Course.Leave()
	case "record":
		name, err = p.cfg.Course.Report()
	default:
		err = fault.Of(fault.NoSuchPage)
	}
	var f fault.Fault
	if err != nil && !errors.As(err, &f) {
		slog.Error("the record of the course cannot be written", "error", err)
		err = fault.Of(fault.NotKept)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	answer(w, http.StatusOK, struct {
		Taken bool   `json:"taken"`
		Name  string `json:"name,omitempty"`
	}{true, name})
}

// seenWithin is how old what an installer saw may be when they press, as for every command.
const seenWithin = 3 * time.Second

// lately refuses what comes late, as from a phone that was out of reach for a while: whoever pressed may stand at the motor by now.
func (p *Panel) lately(at *int64) error {
	if at == nil {
		return unclear(`what is begun or answered says what was seen, as in {"at_ms": 10000}, from the status`)
	}
	snap, _ := p.cfg.Sequencer.Snapshot()
	if now := snap.At.Milliseconds(); *at < 0 || *at > now || now-*at > seenWithin.Milliseconds() {
		return fault.Of(fault.Stale)
	}
	return nil
}

// readCourse reads one JSON object, or nothing.
func readCourse(w http.ResponseWriter, r *http.Request, into any) error {
	text, err := body(w, r, mostBody)
	if err != nil || len(bytes.TrimSpace(text)) == 0 {
		return err
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return fault.Of(fault.WrongType)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return unclear(plainly(err))
	}
	if _, err := d.Token(); err != io.EOF {
		return unclear("there is something after the JSON object")
	}
	return nil
}

// printable takes out what is no text.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == utf8.RuneError {
			return ' '
		}
		return r
	}, s)
}

// recordPolicy is that of a record: a file that is whole by itself, with its style in it, and that loads and runs nothing.
const recordPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

func (p *Panel) courseRecord(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	text, err := p.cfg.Course.Record(name)
	if errors.Is(err, fs.ErrNotExist) {
		refuse(w, fault.Of(fault.NoSuchPage))
		return
	} else if err != nil {
		refuse(w, err)
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "no-store")
	if strings.HasSuffix(name, ".json") {
		h.Set("Content-Type", "application/json")
	} else {
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", recordPolicy)
	}
	w.Write(text)
}
