package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/term"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/tomlplace"
	"flume.example/sequencerd/internal/units"
)

type writeCommand struct {
	File    string `arg:"" help:"Session file to write."`
	Title   string `help:"Title; else made of the file's name."`
	Unit    string `default:"m" enum:"m,yd" help:"What distances count in: m or yd."`
	Replace bool   `help:"Write over a file that is there."`
}

const howToWrite = `One set a line, as in  6 x 100 at 1:50, rest :20  or  Main: 8 x 50 on 1:10 at 1:40  or  400 easy.
pace NAME PACE names a pace, strike takes the last line away, show shows all, done saves, leave saves nothing.
`

// sheet is a session that is being written.
type sheet struct {
	*writeCommand
	l     *loaded // settings, swimmer; the session where it stands
	lines []string
	paces []string
	from  map[string]int // of each line and pace, the line of the input
}

// mostTitle is what a session's title may have, in characters.
const mostTitle = 200

// Validate is called by kong before Run: its errors are usage errors.
func (k *writeCommand) Validate() error {
	if t := k.Title; t != "" && (strings.TrimSpace(t) == "" || utf8.RuneCountInString(t) > mostTitle || strings.ContainsFunc(t, unicode.IsControl)) {
		return fmt.Errorf("--title %.40q: allowed is 1 to %d characters on one line, without control characters", t, mostTitle)
	}
	return nil
}

func (k *writeCommand) Run(c console, line *commandLine) error {
	if _, err := os.Lstat(k.File); err == nil && !k.Replace {
		return fmt.Errorf("%s is there already: choose another name, or say --replace", k.File)
	}
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	w := &sheet{writeCommand: k, l: &loaded{settings: s}}
	talk := term.IsTerminal(int(c.in.Fd())) && isTerminal(c.out)
	if talk {
		fmt.Fprintf(c.out, "%q, counted in %s.\n%s", w.title(), k.Unit, howToWrite)
	}
	in := bufio.NewScanner(c.in)
	in.Buffer(nil, tomlplace.MaxBytes)
	for n := 1; ; n++ {
		if talk {
			fmt.Fprint(c.out, "> ")
		}
		if !in.Scan() {
			break
		}
		switch word := strings.ToLower(strings.TrimSpace(in.Text())); {
		case word == "done":
			return w.save(c, line)
		case word == "leave":
			return errors.New("left; nothing was saved")
		case word == "strike":
			w.strike(c, line, talk)
		case word == "show":
			fmt.Fprint(c.out, w.text())
		case word == "help" || word == "?":
			fmt.Fprint(c.out, howToWrite)
		case talk:
			w.offer(c, line, in.Text())
		default:
			w.add(in.Text(), n)
		}
	}
	if err := in.Err(); err != nil {
		return fmt.Errorf("the input cannot be read: %w", err)
	}
	return w.save(c, line)
}

// title is what was given, else the file's name in words.
func (w *sheet) title() string {
	if w.Title != "" {
		return w.Title
	}
	name := strings.TrimSpace(strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.TrimSuffix(filepath.Base(w.File), filepath.Ext(w.File))))
	if name == "" {
		return "Session"
	}
	letters := []rune(name)
	letters[0] = unicode.ToUpper(letters[0])
	return strings.TrimSpace(string(letters[:min(len(letters), mostTitle)]))
}

// firstLine is where the lines begin in the file.
const firstLine = 5

// text is the session file as it stands.
func (w *sheet) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "format = 1\ntitle = %s\nunit = %q\nlines = \"\"\"\n", strconv.Quote(w.title()), w.Unit)
	for _, l := range w.lines {
		b.WriteString(l + "\n")
	}
	b.WriteString("\"\"\"\n")
	if len(w.paces) > 0 {
		b.WriteString("\n[paces]\n" + strings.Join(w.paces, "\n") + "\n")
	}
	return b.String()
}

// add takes one line of the input: a set, or a pace that gets a name.
func (w *sheet) add(text string, n int) {
	if w.from == nil {
		w.from = map[string]int{}
	}
	text = strings.TrimRightFunc(text, unicode.IsSpace)
	if f := strings.Fields(strings.ReplaceAll(text, "=", " ")); len(f) >= 3 && strings.EqualFold(f[0], "pace") {
		w.paces = append(w.paces, fmt.Sprintf("%s = %s", strings.ToLower(f[1]), strconv.Quote(strings.Trim(strings.Join(f[2:], " "), `"`))))
		w.from[fmt.Sprint("pace ", len(w.paces)-1)] = n
		return
	}
	w.lines = append(w.lines, text)
	w.from[fmt.Sprint("line ", len(w.lines)-1)] = n
}

// foreign is what cannot stand between the quotes of lines = """…""" at all, of line i; nothing where all can.
func (w *sheet) foreign() (ps fault.Problems) {
	for i, l := range w.lines {
		at := strings.IndexFunc(l, func(r rune) bool { return r == '\\' || r == utf8.RuneError || unicode.IsControl(r) && r != '\t' })
		if q := strings.Index(l, `"""`); at < 0 {
			at = q
		}
		if at >= 0 {
			r, _ := utf8.DecodeRuneInString(l[at:])
			ps = append(ps, fault.Problem{File: w.File, Line: firstLine + i, Col: utf8.RuneCountInString(l[:at]) + 1, Text: fmt.Sprintf("%q: this means nothing in a line: leave it out", r)})
		}
	}
	return ps
}

// parse reads the session as it stands; who swims it, and what it comes to, where that can be told, is in l.
func (w *sheet) parse(line *commandLine) error {
	if ps := w.foreign(); len(ps) > 0 {
		return ps
	}
	session, err := schedule.Parse(w.File, []byte(w.text()))
	if err != nil {
		return err
	}
	w.l.session = session
	return w.l.who(line, session.Unit)
}

// offer takes a line from somebody who sits there: it is kept where it can be read, and said back.
func (w *sheet) offer(c console, line *commandLine, text string) {
	lines, paces := len(w.lines), len(w.paces)
	w.add(text, 0)
	err := w.parse(line)
	if err != nil && len(w.lines) > lines { // a heading alone, or a comment, is no session yet
		w.lines = append(w.lines, "rest open")
		if w.parse(line) == nil {
			w.lines = w.lines[:lines+1]
			return
		}
	}
	var ps fault.Problems
	switch {
	case errors.As(err, &ps):
		w.lines, w.paces = w.lines[:lines], w.paces[:paces]
		for _, p := range ps {
			if p.Line == firstLine+lines {
				fmt.Fprintf(c.out, "  %s^\n", strings.Repeat(" ", max(p.Col-1, 0)))
			}
			fmt.Fprintf(c.out, "  %s\n", p.Text)
		}
		fmt.Fprintln(c.out, "  The line was not taken; write it again.")
	case err != nil:
		w.lines, w.paces = w.lines[:lines], w.paces[:paces]
		fmt.Fprintf(c.out, "  %v\n", err)
	default:
		explained := w.l.session.Explain(w.l.threshold)
		if len(w.lines) > lines && len(explained) > 0 && explained[len(explained)-1].Line == firstLine+lines {
			w.say(c.out, explained, len(explained)-1)
			w.draw(c.out)
		}
	}
}

// strike takes the last line away.
func (w *sheet) strike(c console, line *commandLine, talk bool) {
	if len(w.lines) == 0 {
		fmt.Fprintln(c.out, "  There is no line to strike.")
		return
	}
	last := w.lines[len(w.lines)-1]
	w.lines = w.lines[:len(w.lines)-1]
	fmt.Fprintf(c.out, "  struck: %s\n", last)
	if talk && w.parse(line) == nil {
		w.draw(c.out)
	}
}

// say puts lines from i on into words, each with what all up to it ask.
func (w *sheet) say(out io.Writer, explained []schedule.Explained, i int) {
	var sum schedule.Ask
	known := true
	for n, e := range explained {
		sum.Time += e.Asked.Time
		sum.Distance = units.Metres(sum.Distance.Metres() + e.Asked.Distance.Metres())
		if known = known && e.Known; n < i {
			continue
		}
		fmt.Fprintf(out, "  %s\n", e.Words)
		if known {
			fmt.Fprintf(out, "    asks %s; so far %s\n", w.l.figures(e.Asked), w.l.figures(sum))
		} else {
			fmt.Fprintln(out, "    what all this asks depends on the swimmer's threshold: --swimmer NAME, or --threshold 1:35")
		}
	}
}

// draw draws the curve, or says what this flume cannot give.
func (w *sheet) draw(out io.Writer) {
	if w.l.session.NeedsThreshold() && w.l.threshold.IsZero() {
		return
	}
	if err := w.l.lay(); err != nil {
		fmt.Fprintf(out, "  On this flume: %v\n", err)
		return
	}
	fmt.Fprint(out, rehearse.Sketch(w.l.plan.Profile, w.l.session.Unit, 64, 6))
}

// save writes the file, whole or not at all.
func (w *sheet) save(c console, line *commandLine) error {
	if len(w.lines) == 0 {
		return errors.New("there are no lines; nothing was saved")
	}
	if err := w.parse(line); err != nil {
		return w.atInput(err)
	}
	if !term.IsTerminal(int(c.in.Fd())) {
		w.say(c.out, w.l.session.Explain(w.l.threshold), 0)
		w.draw(c.out)
	}
	if err := writeWhole(w.File, w.text(), w.Replace); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s is saved.\n", w.File)
	return nil
}

// atInput tells problems at the lines of the input, where they came from there.
func (w *sheet) atInput(err error) error {
	var ps fault.Problems
	if !errors.As(err, &ps) {
		return err
	}
	for i := range ps {
		p := &ps[i]
		n := w.from[fmt.Sprint("line ", p.Line-firstLine)]
		if pace := p.Line - firstLine - len(w.lines) - 3; pace >= 0 {
			n, p.Col = w.from[fmt.Sprint("pace ", pace)], 1
		}
		if n > 0 {
			p.File, p.Line = "standard input", n
		}
	}
	return ps
}

// writeWhole writes a file that is there with all its text, or not. Without replace it never takes the place of another.
func writeWhole(name, text string, replace bool) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".writing-*")
	if err != nil {
		return fmt.Errorf("%s cannot be saved: %w", name, err)
	}
	defer os.Remove(f.Name()) // of the second name, where it has got its own
	_, err = f.WriteString(text)
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	switch {
	case err != nil:
	case replace:
		err = os.Rename(f.Name(), name)
	default:
		if err = os.Link(f.Name(), name); errors.Is(err, os.ErrExist) {
			return fmt.Errorf("%s is there already: choose another name, or say --replace", name)
		}
	}
	if err != nil {
		return fmt.Errorf("%s cannot be saved: %w", name, err)
	}
	return nil
}
