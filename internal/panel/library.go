package panel

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
)

// library is all sessions: the owner's own in a folder, and those that come with the program.
type library struct {
	demos fs.FS
	own   *os.Root // nil where none are kept; nothing outside of it can be reached through it

	writing sync.Mutex
}

// entry is one session in the list.
type entry struct {
	Name   string `json:"name"`
	Title  string `json:"title"`
	Author string `json:"author"`
	Notes  string `json:"notes"`
	Unit   string `json:"unit"`
	Demo   bool   `json:"demo"`
	Needs  bool   `json:"needs_threshold"`
	Wrong  bool   `json:"wrong"` // it has mistakes, and cannot be laid out
}

const (
	suffix     = ".toml"
	mostLetter = 60
	mostText   = 1 << 20 // bytes of a session
)

func openLibrary(demos fs.FS, folder string) (*library, error) {
	l := &library{demos: demos}
	if folder == "" {
		return l, nil
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("the folder for sessions cannot be made: %w", err)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, fmt.Errorf("the folder for sessions cannot be opened: %w", err)
	}
	l.own = root
	return l, nil
}

// sessionName checks a name from outside, and takes a ".toml" off it. What is left holds no dot and no slash, so that no path can be made of it.
func sessionName(s string) (string, error) {
	s = strings.TrimSuffix(s, suffix)
	bad := s == "" || utf8.RuneCountInString(s) > mostLetter || len(s) > 200 || strings.TrimSpace(s) != s || !utf8.ValidString(s) ||
		strings.ContainsFunc(s, func(r rune) bool {
			return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune(" -_", r)
		})
	if bad {
		return "", fault.Of(fault.SessionName)
	}
	return s, nil
}

// read is a session's text, and whether it is one that comes with the program.
func (l *library) read(name string) (text []byte, demo bool, err error) {
	if l.own != nil {
		text, err := readAll(l.own.FS(), name+suffix)
		if err == nil || !errors.Is(err, fs.ErrNotExist) {
			return text, false, err
		}
	}
	text, err = readAll(l.demos, name+suffix)
	if errors.Is(err, fs.ErrNotExist) {
		err = fault.Of(fault.NoSuchSession)
	}
	return text, true, err
}

func readAll(from fs.FS, name string) ([]byte, error) {
	f, err := from.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	return io.ReadAll(io.LimitReader(f, mostText+1))
}

// mine checks that a name can be written: there is a folder, and no demo is called so.
func (l *library) mine(name string) error {
	if l.own == nil {
		return fault.Of(fault.NoFolder)
	}
	if _, err := fs.Stat(l.demos, name+suffix); err == nil {
		return fault.Of(fault.DemoSession)
	}
	return nil
}

// write keeps a session's text; created tells that there was none of that name.
func (l *library) write(name string, text []byte) (created bool, err error) {
	if err := l.mine(name); err != nil {
		return false, err
	}
	l.writing.Lock()
	defer l.writing.Unlock()
	_, err = l.own.Stat(name + suffix)
	created = errors.Is(err, fs.ErrNotExist)
	if err := keep(l.own, name+suffix, text); err != nil {
		slog.Error("a session cannot be kept", "name", name, "error", err)
		return false, fault.Of(fault.NotKept)
	}
	return created, nil
}

func (l *library) remove(name string) error {
	if err := l.mine(name); err != nil {
		return err
	}
	l.writing.Lock()
	defer l.writing.Unlock()
	err := l.own.Remove(name + suffix)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fault.Of(fault.NoSuchSession)
	case err != nil:
		slog.Error("a session cannot be deleted", "name", name, "error", err)
		return fault.Of(fault.NotKept)
	}
	return nil
}

// list has the owner's sessions first, each part by title.
func (l *library) list() []entry {
	var own []entry
	if l.own != nil {
		own = entries(l.own.FS(), false)
	}
	return append(own, slices.DeleteFunc(entries(l.demos, true), func(d entry) bool {
		return slices.ContainsFunc(own, func(o entry) bool { return o.Name == d.Name }) // as one kept before the demo came
	})...)
}

func entries(from fs.FS, demo bool) []entry {
	out := []entry{}
	names, _ := fs.Glob(from, "*"+suffix)
	for _, file := range names {
		name, err := sessionName(file)
		if err != nil {
			continue
		}
		text, err := readAll(from, file)
		if err != nil {
			continue
		}
		e := entry{Name: name, Title: name, Demo: demo}
		if s, err := schedule.Parse(file, text); err != nil {
			e.Wrong = true
		} else {
			e.Title, e.Author, e.Notes, e.Unit, e.Needs = s.Title, s.Author, s.Notes, s.Unit.String(), s.NeedsThreshold()
		}
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b entry) int { return strings.Compare(strings.ToLower(a.Title), strings.ToLower(b.Title)) })
	return out
}
