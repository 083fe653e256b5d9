package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"

	"github.com/alecthomas/kong"
)

// manCommand writes the manual: sequencerd.1, and a page for each command that has something of its own to say.
type manCommand struct {
	Dir string `arg:"" type:"existingdir" help:"Folder for the pages."`
}

func (m *manCommand) Run(k *kong.Kong) error {
	app := k.Model.Node
	if err := m.write(app, manMain(app)); err != nil {
		return err
	}
	for _, n := range shown(app.Children) {
		if err := m.write(n, manPage(n)); err != nil {
			return err
		}
	}
	return nil
}

func (m *manCommand) write(n *kong.Node, text string) error {
	if err := os.WriteFile(filepath.Join(m.Dir, pageName(n)+".1"), []byte(text), 0o644); err != nil {
		return fmt.Errorf("a manual page cannot be written: %w", err)
	}
	return nil
}

// pageName is "sequencerd-rehearse" for sequencerd rehearse.
func pageName(n *kong.Node) string { return strings.ReplaceAll(n.FullPath(), " ", "-") }

func shown(nodes []*kong.Node) (out []*kong.Node) {
	for _, n := range nodes {
		if !n.Hidden {
			out = append(out, n)
		}
	}
	return out
}

// manMain is the page of the program as a whole.
func manMain(app *kong.Node) string {
	p := newPage(app, "swims training sessions in a flume")
	p.section("SYNOPSIS")
	p.line(".B sequencerd")
	p.line(roff("[flags] COMMAND …"))
	p.section("DESCRIPTION")
	p.paragraphs(app.Help)
	p.section("COMMANDS")
	for _, n := range shown(app.Children) {
		p.entry(`\fB`+roff(n.Name)+`\fR`, n.Help+" See "+pageName(n)+"(1).")
	}
	p.section("OPTIONS")
	p.flags(app.Flags)
	p.section("EXIT STATUS")
	for _, e := range exits {
		p.entry(fmt.Sprint(e.code), e.means)
	}
	p.section("FILES")
	for _, f := range []struct{ path, is string }{
		{"/etc/sequencerd/sequencerd.toml", "The configuration, each key with its unit and range."},
		{"/var/lib/sequencerd", "Where the service keeps swims, swimmers, sessions and paired devices."},
		{"/usr/share/sequencerd", "Demo sessions and maps of drives."},
		{"/usr/share/doc/sequencerd", "Cautions, wiring, and how to write sessions."},
	} {
		p.entry(`\fI`+roff(f.path)+`\fR`, f.is)
	}
	p.section("CAUTIONS")
	p.paragraphs("It is not a safety device. Before anybody swims in water that it moves, read SAFETY.md in /usr/share/doc/sequencerd.")
	return p.String()
}

// exits are the exit codes as a person reads them.
var exits = []struct {
	code  int
	means string
}{
	{exitOK, "All is well; a swim has finished."},
	{exitRefused, "Refused: a mistake in a file, or a drive that somebody else holds."},
	{exitUsage, "The command line was not understood."},
	{exitByPerson, "Stopped by a person."},
	{exitByGuard, "Stopped by the guard."},
	{exitUncertain, "The drive could not be seen at rest."},
}

// manPage is the page of one command, with the commands below it.
func manPage(n *kong.Node) string {
	p := newPage(n, lowerFirst(strings.TrimSuffix(n.Help, ".")))
	p.section("SYNOPSIS")
	leaves := n.Leaves(true)
	if len(leaves) == 0 {
		p.synopsis(n)
	}
	for _, l := range leaves {
		p.synopsis(l)
	}
	p.section("DESCRIPTION")
	p.paragraphs(n.Help)
	p.paragraphs(n.Detail)
	p.own(n)
	for _, l := range leaves {
		p.section(strings.ToUpper(strings.TrimPrefix(l.FullPath(), n.FullPath()+" ")))
		p.paragraphs(l.Help)
		p.paragraphs(l.Detail)
		p.own(l)
	}
	p.section("SEE ALSO")
	p.line(".BR sequencerd (1),")
	p.line("also for the flags that all commands have, the exit status, and the cautions")
	return p.String()
}

// page is a manual page in the macros of man(7).
type page struct{ strings.Builder }

func newPage(n *kong.Node, what string) *page {
	p := &page{}
	p.line(fmt.Sprintf(`.TH %s 1 "" "%s" "Flume sequencer"`, strings.ToUpper(roff(pageName(n))), roff(strings.TrimSuffix(version(), " "+runtime.Version()))))
	p.line(".nh") // a name that is broken at the end of a line cannot be searched for
	p.section("NAME")
	p.line(roff(pageName(n)) + ` \- ` + roff(what))
	return p
}

func (p *page) line(s string) {
	if s != "" {
		p.WriteString(s + "\n")
	}
}

func (p *page) section(name string) { p.line(`.SH "` + roff(name) + `"`) }

func (p *page) synopsis(n *kong.Node) {
	p.line(".PP")
	p.line(`.B ` + roff(n.FullPath()))
	p.line(roff(strings.TrimSpace(strings.TrimPrefix(n.Summary(), n.Path()))))
}

func (p *page) entry(term, text string) {
	p.line(".TP")
	p.line(term)
	p.line(roff(text))
}

func (p *page) paragraphs(text string) {
	for s := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		if s != "" {
			p.line(".PP")
			p.line(roff(strings.Join(strings.Fields(s), " ")))
		}
	}
}

// own are a command's own arguments and flags.
func (p *page) own(n *kong.Node) {
	for _, a := range n.Positional {
		p.entry(`\fI`+roff(strings.ToUpper(a.Name))+`\fR`, a.Help)
	}
	p.flags(n.Flags)
}

func (p *page) flags(flags []*kong.Flag) {
	for _, f := range flags {
		if !f.Hidden {
			p.entry(`\fB`+roff(strings.TrimSpace(flagText(f)))+`\fR`, f.Help)
		}
	}
}

// flagText is a flag as one types it.
func flagText(f *kong.Flag) string {
	s := "--" + f.Name
	if f.Short != 0 {
		s = "-" + string(f.Short) + ", " + s
	}
	if !f.IsBool() {
		s += "=" + f.FormatPlaceHolder()
	}
	return s
}

// controls are what roff would take for a command, at the begin of a line.
var controls = regexp.MustCompile(`(?m)^([.'])`)

// roff is text as roff takes it: no character of it is a command, and a hyphen is one that can be typed.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, `-`, `\-`, `…`, `...`, `"`, `\(dq`).Replace(s)
	return controls.ReplaceAllString(s, `\&$1`)
}

func lowerFirst(s string) string {
	if len(s) > 1 && s[1] >= 'a' && s[1] <= 'z' || len(s) > 1 && s[1] == ' ' {
		return strings.ToLower(s[:1]) + s[1:]
	}
	return s
}
