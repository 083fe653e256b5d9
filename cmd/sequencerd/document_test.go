package main

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// document is a text for people with what it shows to be typed.
type document struct {
	name     string
	steps    []step
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
	used     map[string]bool // of what is not run
	commands strings.Builder
	files    strings.Builder
	ran      int
}

func (s *script) text() string { return s.commands.String() + "interrupt\n" + s.files.String() }

// write turns a document into a script, and says what no rule covers.
func (s *script) write(d document) (problems []string) {
	for n, st := range d.steps {
		if st.file != "" {
			fmt.Fprintf(&s.files, "-- %d --\n%s", n, here(st.text))
			fmt.Fprintf(&s.commands, "file %d %s\n", n, quoted(here(st.file)))
			continue
		}
		if err := s.typed(n, d.name, st); err != nil {
			problems = append(problems, fmt.Sprintf("%s:%d: %s: %v", d.name, st.at, st.line, err))
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
	plain := strings.Join(args, " ")
	if args[0] == "sudo" {
		args = args[1:]
		if args[0] == "-u" {
			args = args[2:]
		}
		plain = strings.Join(args, " ")
	}
	for strings.Contains(args[0], "=") {
		args = args[1:]
	}
	background := args[len(args)-1] == "&"
	if background {
		args = args[:len(args)-1]
		plain = strings.TrimSuffix(plain, " &")
	}
	if len(args) > 2 && args[0] == "go" && args[1] == "run" && args[2] == "./cmd/sequencerd" {
		args = append([]string{"sequencerd"}, args[3:]...)
	}
	check, isOther := others[args[0]]
	switch {
	case isOther && check == nil:
		return nil
	case isOther:
		return check(s.tree, args[1:])
	case args[0] != "sequencerd":
		return fmt.Errorf("no rule says what to do with %s: see the lists in documents_test.go", args[0])
	}
	out := ""
	if i := slices.Index(args, ">"); i > 0 && i+2 == len(args) {
		out, args = args[i+1], args[:i]
	}
	if err := parses(args[1:]); err != nil && st.code != exitUsage {
		return err
	}
	if notRun[plain] != "" {
		s.used[plain] = true
		return nil
	}
	s.ran++
	fmt.Fprintf(&s.commands, "\n# %s:%d\n", name, st.at)
	line := ""
	for _, a := range args {
		line += " " + quoted(here(a))
	}
	if slices.ContainsFunc(args, func(a string) bool { return lasting[a] }) {
		fmt.Fprintf(&s.files, "-- %d --\n%s", n, st.text)
		fmt.Fprintf(&s.commands, "lasts %d%s\n", n, line)
		return nil
	}
	shown := "-"
	if st.shown {
		shown = fmt.Sprint(n)
		fmt.Fprintf(&s.files, "-- %d --\n%s", n, st.text)
	}
	fmt.Fprintf(&s.commands, "ends %d %s%s\n", st.code, shown, line)
	if out != "" {
		fmt.Fprintf(&s.commands, "into %s\n", quoted(here(out)))
	}
	return nil
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

// here is a text with the folders of elsewhere below the test's own.
func here(text string) string { return elsewhere.ReplaceAllString(text, "${1}"+work+"${2}") }
