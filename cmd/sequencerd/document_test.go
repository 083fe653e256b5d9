package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
)

// document is a text for people with what it shows to be typed.
type document struct {
	name     string
	steps    []step
	builds   [][]string // lines of make and go that are named in a sentence
	problems []string
}

// step is a file that is shown, or a line to type with what it writes.
type step struct {
	at    int    // line in the document
	file  string // its name, with text for its content
	line  string // else what is typed
	text  string
	shown bool // something is shown of what the line writes: text
	code  int
}

var (
	mention  = regexp.MustCompile("`(?:sudo (?:-u \\w+ )?)?sequencerd ([^`]*)`")
	building = regexp.MustCompile("`(?:[A-Z_]+=\\w+ )?((?:make|go test) [^`]*)`")
	fileName = regexp.MustCompile(`\bfile=(\S+)`)
	typedRaw = regexp.MustCompile(`^\s*(\$ |sudo |sequencerd |go |make |apt |systemctl |SEQUENCERD_\w+=)`)
)

// read takes a document apart.
func read(name, text string) document {
	d := document{name: name}
	language, info, indent, inside := "", "", "", false
	var block []string
	begin := 0
	prose := ""
	for i, line := range strings.Split(text, "\n") {
		bare := strings.TrimLeft(line, " ")
		fence, isFence := strings.CutPrefix(bare, "```")
		switch {
		case isFence && !inside:
			inside, info, block, begin, indent = true, fence, nil, i+2, line[:len(line)-len(bare)]
			language, _, _ = strings.Cut(fence, " ")
			prose += "\n"
		case isFence:
			inside = false
			d.fence(language, info, begin, block)
		case inside:
			block = append(block, strings.TrimPrefix(line, indent))
		case strings.HasPrefix(line, "    ") && typedRaw.MatchString(line):
			d.wrong(i+1, "put it into a fence sh or console, so that it is run: %s", strings.TrimSpace(line))
		default:
			prose += line + "\n"
		}
	}
	for _, m := range mention.FindAllStringSubmatch(prose, -1) {
		if err := named(strings.Fields(m[1])); err != nil {
			d.problems = append(d.problems, fmt.Sprintf("%s: `sequencerd %s`: %v", name, m[1], err))
		}
	}
	for _, m := range building.FindAllStringSubmatch(prose, -1) {
		d.builds = append(d.builds, strings.Fields(m[1]))
	}
	return d
}

func (d *document) wrong(at int, format string, args ...any) {
	d.problems = append(d.problems, fmt.Sprintf("%s:%d: ", d.name, at)+fmt.Sprintf(format, args...))
}

// fence takes what stands between two fences.
func (d *document) fence(language, info string, at int, block []string) {
	if m := fileName.FindStringSubmatch(info); m != nil {
		d.steps = append(d.steps, step{at: at, file: m[1], text: strings.Join(block, "\n") + "\n"})
		return
	}
	typed := language == "sh"
	if !typed && language != "console" {
		for i, line := range block {
			if typedRaw.MatchString(line) {
				d.wrong(at+i, "a line to type stands in a fence that is not sh or console: %s", line)
			}
		}
		return
	}
	var last *step
	for i := 0; i < len(block); i++ {
		line, isTyped := strings.CutPrefix(block[i], "$ ")
		isTyped = isTyped || typed
		for ; isTyped && strings.HasSuffix(line, `\`) && i+1 < len(block); i++ {
			line = strings.TrimSuffix(line, `\`) + strings.TrimSpace(block[i+1])
		}
		switch {
		case isTyped && line == "echo $?" && last != nil && i+1 < len(block):
			i++
			if _, err := fmt.Sscan(block[i], &last.code); err != nil {
				d.wrong(at+i, "%q is no exit code", block[i])
			}
		case isTyped && strings.TrimSpace(line) != "" && !strings.HasPrefix(line, "#"):
			d.steps = append(d.steps, step{at: at + i, line: line})
			last = &d.steps[len(d.steps)-1]
		case isTyped:
		case last == nil:
			d.wrong(at+i, "nothing was typed that could write this")
		default:
			last.shown = true
			last.text += block[i] + "\n"
		}
	}
}

// words takes a line apart as a shell does: quotes, and what stands behind #. Nothing else of a shell is known.
func words(line string) (all []string, err error) {
	var word strings.Builder
	quote, in := rune(0), false
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote != 0:
			word.WriteRune(r)
		case r == '\'' || r == '"':
			quote, in = r, true
		case r == '#' && !in:
			return all, nil
		case r == ' ' || r == '\t':
			if in {
				all = append(all, word.String())
			}
			word.Reset()
			in = false
		case strings.ContainsRune("$`;*?\\", r):
			return nil, fmt.Errorf("%q is the shell's, and not understood here", r)
		default:
			word.WriteRune(r)
			in = true
		}
	}
	if quote != 0 {
		return nil, fmt.Errorf("a quote is not closed")
	}
	if in {
		all = append(all, word.String())
	}
	return all, nil
}

// script is a document as testscript has it.
type script struct {
	tree     string
	port     int             // of the document's broker
	used     map[string]bool // of what is listed: what is not run, and what asks
	commands strings.Builder
	files    strings.Builder
	ran      int
	inTree   [][]string // lines of go, for the source
	missing  string     // from where it needs what is not on this machine; the rest is left out
}

func (s *script) text() string { return s.commands.String() + "interrupt\n" + s.files.String() }

// write turns a document into a script, and says what no rule covers.
func (s *script) write(d document) (problems []string) {
	for n, st := range d.steps {
		if st.file != "" && s.missing == "" {
			fmt.Fprintf(&s.files, "-- %d --\n%s", n, s.here(st.text))
			fmt.Fprintf(&s.commands, "file %d %s\n", n, quoted(s.here(st.file)))
		}
		if st.file != "" {
			continue
		}
		if err := s.typed(n, d.name, st); err != nil {
			problems = append(problems, fmt.Sprintf("%s:%d: %s: %v", d.name, st.at, st.line, err))
		}
	}
	for _, words := range d.builds {
		check := checkMake
		if words[0] == "go" {
			check = checkGo
		}
		if err := check(s.tree, words[1:]); err != nil && !strings.Contains(strings.Join(words, " "), "./PACKAGE") {
			problems = append(problems, fmt.Sprintf("%s: `%s`: %v", d.name, strings.Join(words, " "), err))
		}
	}
	return problems
}

// typed is one line.
func (s *script) typed(n int, name string, st step) error {
	args, err := words(st.line)
	if err != nil {
		return err
	}
	if args[0] == "sudo" {
		args = args[1:]
		if args[0] == "-u" {
			args = args[2:]
		}
	}
	if args[len(args)-1] == "&" {
		args = args[:len(args)-1]
	}
	plain := strings.Join(args, " ")
	if len(args) > 2 && args[0] == "go" && args[1] == "run" && args[2] == "./cmd/sequencerd" {
		args = append([]string{"sequencerd"}, args[3:]...)
	}
	if err := s.known(args, st); err != nil {
		return err
	}
	if notRun[plain] != "" {
		s.used[plain] = true
		return nil
	}
	if ranElsewhere[args[0]] != "" || s.missing != "" {
		return nil
	}
	if _, err := exec.LookPath(args[0]); err != nil && args[0] != "sequencerd" {
		if os.Getenv("CI") == "true" {
			return fmt.Errorf("%s is not here", args[0])
		}
		s.missing = fmt.Sprintf("%s from line %d on: %s is not here", name, st.at, args[0])
		return nil
	}
	if args[0] == "go" {
		s.inTree = append(s.inTree, args)
		return nil
	}
	s.ran++
	fmt.Fprintf(&s.commands, "\n# %s:%d\n", name, st.at)
	out := ""
	if i := slices.Index(args, ">"); i > 0 && i+2 == len(args) {
		out, args = args[i+1], args[:i]
	}
	if i := slices.IndexFunc(args, func(a string) bool { _, is := lasting[a]; return is }); i >= 0 {
		shown := st.text
		if !st.shown {
			shown = fmt.Sprintf("…\n…%s…\n…\n", lasting[args[i]])
		}
		fmt.Fprintf(&s.files, "-- %d --\n%s", n, shown)
		s.command(fmt.Sprintf("lasts %d", n), args)
		return nil
	}
	shown := "-"
	if st.shown {
		shown = fmt.Sprint(n)
		fmt.Fprintf(&s.files, "-- %d --\n%s", n, st.text)
	}
	if ask, is := asks[plain]; is {
		s.used[plain] = true
		s.command(fmt.Sprintf("asked %d %s %s %s", st.code, shown, quoted(ask.question), quoted(ask.answer)), args)
		return nil
	}
	s.command(fmt.Sprintf("ends %d %s", st.code, shown), args)
	if out != "" {
		s.command("into", []string{out})
	}
	return nil
}

// known checks what can be said of a line before anything is run: there is such a command, target, package or test.
func (s *script) known(args []string, st step) error {
	switch args[0] {
	case "sequencerd":
		if i := slices.Index(args, ">"); i > 0 {
			args = args[:i]
		}
		if err := parses(args[1:]); err != nil && st.code != exitUsage {
			return err
		}
	case "make":
		return checkMake(s.tree, args[1:])
	case "go":
		return checkGo(s.tree, args[1:])
	case "mosquitto", "sqlite3":
	default:
		if ranElsewhere[args[0]] == "" {
			return fmt.Errorf("no rule says what to do with %s: see the lists in documents_test.go", args[0])
		}
	}
	return nil
}

// command is a line of the script, its words as they have to be here.
func (s *script) command(do string, args []string) {
	s.commands.WriteString(do)
	for _, a := range args {
		s.commands.WriteString(" " + quoted(s.here(a)))
	}
	s.commands.WriteByte('\n')
}

// quoted is a word that testscript takes as it is. Where it has $WORK in front, that is not quoted.
func quoted(word string) string {
	quote := func(w string) string { return "'" + strings.ReplaceAll(w, "'", "''") + "'" }
	parts := strings.Split(word, work)
	for i := range parts {
		parts[i] = quote(parts[i])
	}
	return strings.Join(parts, "$WORK")
}

// work stands for the test's own folder until the script runs.
const work = "\x01"

// here is a text with the folders of elsewhere below the test's own, and the broker on the test's port.
func (s *script) here(text string) string {
	text = standardPort.ReplaceAllStringFunc(text, func(at string) string {
		if at == "1883" {
			return fmt.Sprint(s.port)
		}
		return fmt.Sprintf("%s:%d", at, s.port)
	})
	return elsewhere.ReplaceAllString(text, "${1}"+work+"${2}")
}
