package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// module is one that is linked into the program, with the terms it comes with.
type module struct {
	path, version, dir string
	files              []string // terms and notices, below dir
	terms              []string // licences that were recognised, by their SPDX names
}

// licences are the terms that the program may be linked under, and phrases that only they have, in small letters, single spaces.
var licences = []struct {
	spdx    string
	phrases []string
}{
	{"Apache-2.0", []string{"apache license version 2.0, january 2004"}},
	{"MIT", []string{"permission is hereby granted, free of charge, to any person obtaining a copy of this software and associated documentation files"}},
	{"BSD-3-Clause", []string{"redistributions of source code must retain", "redistributions in binary form must reproduce", "may be used to endorse or promote products"}},
	{"BSD-2-Clause", []string{"redistributions of source code must retain", "redistributions in binary form must reproduce"}},
	{"ISC", []string{"permission to use, copy, modify, and/or distribute this software for any purpose with or without fee"}},
	{"ISC", []string{"permission to use, copy, modify, and distribute this software for any purpose with or without fee"}},
	{"MPL-2.0", []string{"mozilla public license version 2.0"}},
	{"EPL-2.0 OR BSD-3-Clause", []string{"eclipse public license v2.0 and eclipse distribution license v1.0"}},
	{"CC-BY-4.0", []string{"creative commons attribution 4.0 international"}},
	{"CC-BY-4.0", []string{"creativecommons.org/licenses/by/4.0"}},
	{"OFL-1.1", []string{"sil open font license"}},
	{"FTL", []string{"freetype license"}},
	{"FTL", []string{"freetype project license"}},
	{"blessing", []string{"dedicated to the public domain"}},
	{"CC0-1.0", []string{"cc0 1.0 universal"}},
	{"Unlicense", []string{"this is free and unencumbered software released into the public domain"}},
}

var (
	isTerms  = regexp.MustCompile(`(?i)^(.*-)?(licen[cs]es?|copying|unlicense)([-.].*)?$`)
	isNotice = regexp.MustCompile(`(?i)^(notice|patents|authors|copyright)(\..*)?$`)
)

// chosen are the terms taken where a choice is offered: what is not chosen is not copied.
var chosen = map[string]string{"github.com/golang/freetype": "licenses/ftl.txt", "github.com/eclipse/paho.mqtt.golang": "edl-v10"}

// parts are the folders in which modules keep the terms of what they took from others: copied as they are.
var parts = []string{"licenses", "LICENSES", "THIRD_PARTY_LICENSES"}

// unlinked are terms of things in a module that no program links.
var unlinked = map[string]string{"modernc.org/memory": "LICENSE-LOGO"} // of a picture

// linked lists the modules of the build for a machine, by path, Go's own library last. All whose terms are not known are told.
func (s *source) linked(m machine) ([]*module, error) {
	text, err := s.goTool(m, "list", "-deps", "-f", "{{if .Module}}{{if not .Module.Main}}{{.Module.Path}}\t{{.Module.Version}}\t{{.Module.Dir}}\t{{.Dir}}{{end}}{{end}}", "./cmd/sequencerd")
	if err != nil {
		return nil, err
	}
	var all []*module
	var wrong []error
	for line := range strings.Lines(string(text)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if len(f) != 4 {
			continue
		}
		i := slices.IndexFunc(all, func(m *module) bool { return m.path == f[0] })
		if i < 0 {
			i = len(all)
			all = append(all, &module{path: f[0], version: f[1], dir: f[2]})
			wrong = append(wrong, all[i].look(f[2]))
		}
		for d := f[3]; d != f[2] && strings.HasPrefix(d, f[2]); d = filepath.Dir(d) { // a package may have terms of its own
			wrong = append(wrong, all[i].look(d))
		}
	}
	slices.SortFunc(all, func(a, b *module) int { return strings.Compare(a.path, b.path) })
	goroot, err := s.goTool(m, "env", "GOROOT", "GOVERSION")
	if err != nil {
		return nil, err
	}
	f := strings.Fields(string(goroot))
	if len(f) != 2 {
		return nil, fmt.Errorf("go env: %q", goroot)
	}
	std := &module{path: "Go's standard library and runtime", version: f[1], dir: f[0]}
	wrong = append(wrong, std.look(f[0]))
	all = append(all, std)
	for _, m := range all {
		if len(m.terms) == 0 {
			wrong = append(wrong, fmt.Errorf("%s %s: no licence in %s: it may not be passed on", m.path, m.version, m.dir))
		}
	}
	return all, errors.Join(wrong...)
}

// look reads the terms in one folder of the module. A file named like a licence that is none we know is an error.
func (m *module) look(dir string) error {
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		return err
	}
	choice := chosen[m.path]
	switch {
	case dir != m.dir:
	case choice != "":
		names = append(names, filepath.Join(dir, choice))
	default:
		for _, p := range parts {
			more, err := filepath.Glob(filepath.Join(dir, p, "*"))
			if err != nil {
				return err
			}
			for _, name := range more {
				m.add(name)
			}
		}
	}
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return err
		}
		base := filepath.Base(name)
		terms := isTerms.MatchString(base) || name == filepath.Join(m.dir, choice)
		if info.IsDir() || filepath.Ext(base) == ".go" || base == unlinked[m.path] || !terms && !isNotice.MatchString(base) {
			continue
		}
		if !m.add(name) || !terms {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		spdx := recognise(text)
		if spdx == "" {
			return fmt.Errorf("%s %s: %s is no licence that is known here: read it, and add it to deploy/deb/licences.go, or do without the module", m.path, m.version, name)
		}
		if !slices.Contains(m.terms, spdx) {
			m.terms = append(m.terms, spdx)
		}
	}
	return nil
}

// add adds a file once.
func (m *module) add(name string) bool {
	rel, err := filepath.Rel(m.dir, name)
	if err != nil || slices.Contains(m.files, rel) {
		return false
	}
	m.files = append(m.files, rel)
	return true
}

var ornaments = strings.NewReplacer("*", " ", "//", " ", "#", " ")

// recognise gives a licence's SPDX name, empty where it is none of those that are known.
func recognise(text []byte) string {
	plain := strings.Join(strings.Fields(ornaments.Replace(strings.ToLower(string(text)))), " ")
	for _, l := range licences {
		if !slices.ContainsFunc(l.phrases, func(p string) bool { return !strings.Contains(plain, p) }) {
			return l.spdx
		}
	}
	return ""
}

// apache is the text of that licence, which every Debian has and no package repeats (Debian Policy 12.5).
var apache = regexp.MustCompile(`(?is)[^\n]*apache license\s+version 2\.0, january 2004.*?(end of terms and conditions|$)`)

// copyright is what the package owes to whoever wrote what is in it: each module with its terms, a text that many have once.
func (s *source) copyright(m machine) ([]byte, error) {
	modules, err := s.linked(m)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	b.WriteString("The flume sequencer, sequencerd.\n\nCopyright: its developers.\n\n")
	own, err := os.ReadFile(filepath.Join(s.root, "LICENSE"))
	switch {
	case err == nil:
		b.Write(bytes.TrimSpace(own))
		b.WriteString("\n")
	case errors.Is(err, os.ErrNotExist):
		b.WriteString("Its developers have not put it under a licence yet: all rights are theirs.\n")
	default:
		return nil, err
	}
	b.WriteString("\nThe program has the following linked in, without changes. The terms of each are below, by their numbers.\n\n")
	var texts []string
	for _, m := range modules {
		var numbers []string
		slices.Sort(m.files)
		for _, f := range m.files {
			raw, err := os.ReadFile(filepath.Join(m.dir, f))
			if err != nil {
				return nil, err
			}
			text := strings.ReplaceAll(strings.ToValidUTF8(string(raw), "?"), "\r\n", "\n")
			text = apache.ReplaceAllString(text, "Apache License, Version 2.0: on Debian systems in /usr/share/common-licenses/Apache-2.0")
			text = strings.Trim(text, "\n")
			i := slices.Index(texts, text)
			if i < 0 {
				i = len(texts)
				texts = append(texts, text)
			}
			numbers = append(numbers, fmt.Sprintf("%s [%d]", f, i+1))
		}
		fmt.Fprintf(&b, "%s %s\n    %s\n    %s\n", m.path, m.version, strings.Join(m.terms, ", "), strings.Join(numbers, ", "))
	}
	for i, text := range texts {
		fmt.Fprintf(&b, "\n%s\n[%d]\n\n%s\n", strings.Repeat("-", 72), i+1, text)
	}
	return b.Bytes(), nil
}
