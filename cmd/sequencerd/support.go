package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/doctor"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
)

// supportCommand packs what somebody needs who helps from afar. What they must not have is never written: no secrets, no names of swimmers.
type supportCommand struct {
	Out string `arg:"" help:"File to write, as in flume.tar.gz; it must not be there yet."`
}

// How much is packed.
const (
	journalLines = 3000
	supportSwims = 50
	journalTime  = 20 * time.Second
)

func (k *supportCommand) Run(ctx context.Context, c console, line *commandLine) (err error) {
	b := gather(ctx, line)
	var packed bytes.Buffer
	if err := b.pack(&packed); err != nil {
		return err
	}
	f, err := os.OpenFile(k.Out, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	_, err = f.Write(packed.Bytes())
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(fmt.Errorf("the file cannot be written: %w", err), os.Remove(k.Out))
	}
	fmt.Fprintf(c.out, "%s has %d files. Without names of swimmers and without secrets, as far as these are known here; look before you give it away:\n", k.Out, len(b.files))
	for _, f := range b.files {
		fmt.Fprintf(c.out, "  %-22s %s\n", f.name, f.what)
	}
	return nil
}

// bundle is what is packed. Everything goes through hide.
type bundle struct {
	files []supportFile
	words *regexp.Regexp // what must not be in it; nil for nothing
}

type supportFile struct {
	name, what string
	text       []byte
}

func (b *bundle) add(name, what string, text string) {
	b.files = append(b.files, supportFile{name, what, []byte(b.hide(text))})
}

func (b *bundle) hide(text string) string {
	if b.words == nil {
		return text
	}
	return b.words.ReplaceAllString(text, "(hidden)")
}

// gather looks at everything once. What cannot be had is said in its place.
func gather(ctx context.Context, line *commandLine) *bundle {
	b := &bundle{}
	checks := checks(line) // also finds the service's own folders
	file, text, err := settings.Find(line.Config)
	var s *settings.Settings
	if err == nil {
		s, err = settings.Parse(file, text, config.Default())
	}
	var swims []store.Swim
	var people []store.Swimmer
	whole := "There is no configuration that can be read, and so no store."
	if s != nil {
		swims, people, whole = storeHealth(s)
	}
	b.words = hidden(s, string(text), swims, people)

	b.add("about.txt", "program, system", about())
	b.add("configuration.toml", "every value in force, and where it is from", shownConfiguration(file, text, err))
	found := doctor.Run(checks)
	for i := range found { // a mistake is told with the words that somebody wrote: here its place has to do
		if f := &found[i]; f.Check == "configuration" && f.Verdict == doctor.Fault {
			f.Saw = "A mistake" + mistakePlace.FindString(f.Saw) + "."
		}
	}
	var told strings.Builder
	_ = doctor.Write(&told, found) // a Builder does not fail
	b.add("doctor.txt", "what sequencerd doctor says", told.String())
	b.add("store.txt", "whether the file with what was swum is whole", whole+"\n")
	b.add("swims.json", "how the latest swims went: times and ends, no names, no sessions", swimHealth(swims))
	b.add("journal.txt", "the latest lines of the log", journal(ctx))
	return b
}

func about() string {
	kernel, _ := os.ReadFile("/proc/version")
	system, _ := os.ReadFile("/etc/os-release")
	return version() + "\n" + string(kernel) + string(system)
}

// shownConfiguration is as config show has it, without names. What is wrong in one that has mistakes is told by its place alone: the words of a mistake
// repeat what somebody wrote.
func shownConfiguration(file string, text []byte, err error) string {
	if err == nil {
		var shown string
		if shown, err = settings.Show(file, text, config.Default(), settings.SecretsAndNames); err == nil {
			return shown
		}
	}
	var ps fault.Problems
	if !errors.As(err, &ps) {
		return "# It cannot be read.\n"
	}
	var b strings.Builder
	b.WriteString("# It has mistakes, at:\n")
	for _, p := range ps {
		fmt.Fprintf(&b, "# %s:%d:%d\n", p.File, p.Line, p.Col)
	}
	return b.String()
}

func storeHealth(s *settings.Settings) (swims []store.Swim, people []store.Swimmer, whole string) {
	dir, err := storeFolder(s)
	var st *store.Store
	if err == nil {
		st, err = store.Open(dir)
	}
	if errors.Is(err, store.ErrNone) {
		return nil, nil, "Nothing was swum here yet."
	}
	if err != nil {
		return nil, nil, fmt.Sprintf("It cannot be opened: %v", err)
	}
	defer st.Close()
	whole = "The file is whole."
	if err := st.Check(); err != nil {
		whole = fmt.Sprintf("The file is damaged: %v", err)
	}
	if swims, err = st.List(store.Which{}); err != nil {
		whole += fmt.Sprintf("\nSwims cannot be listed: %v", err)
	}
	if people, err = st.Swimmers(); err != nil {
		whole += fmt.Sprintf("\nSwimmers cannot be listed: %v", err)
	}
	return swims, people, whole
}

// swimHealth is what of a swim concerns the machine.
func swimHealth(swims []store.Swim) string {
	type health struct {
		Number    int64     `json:"swim"`
		Began     time.Time `json:"began"`
		Simulated bool      `json:"simulated"`
		Outcome   string    `json:"outcome"`
		Code      string    `json:"code,omitzero"`
		Seconds   float64   `json:"swum_s"`
		Metres    float64   `json:"swum_m"`
		Blocks    int       `json:"blocks"`
		Left      int       `json:"left_in_block"`
		Missed    int       `json:"events_missed,omitzero"`
	}
	slices.SortFunc(swims, func(a, b store.Swim) int { return int(b.ID - a.ID) })
	all := []health{}
	for _, w := range swims[:min(len(swims), supportSwims)] {
		all = append(all, health{w.ID, w.Began, w.Simulated, fmt.Sprint(w.Outcome), string(w.Code), w.Swum.Time.Seconds(), w.Swum.Distance.Metres(), w.Blocks, w.At.Block, w.Missed})
	}
	text, err := json.MarshalIndent(all, "", " ")
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// journal is what the service wrote last, where this user may read it.
func journal(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, journalTime)
	defer cancel()
	c := exec.CommandContext(ctx, "journalctl", "-u", "sequencerd", "-n", fmt.Sprint(journalLines), "--no-pager", "-o", "short-iso")
	c.WaitDelay = time.Second
	text, err := c.Output()
	if err != nil {
		return fmt.Sprintf("The journal cannot be read: %v. As root, or in the group systemd-journal, it can.\n", err)
	}
	return sessionTitle.ReplaceAllString(string(text), `session=(hidden)`)
}

// sessionTitle is where the log has a session's title: people call sessions by people.
var sessionTitle = regexp.MustCompile(`session=("(?:[^"\\]|\\.)*"|\S*)`)

// hidden are the words that may stand nowhere: the names of people, each of their parts, the titles of swims, and whatever the files of passwords hold.
func hidden(s *settings.Settings, configuration string, swims []store.Swim, people []store.Swimmer) *regexp.Regexp {
	words := map[string]bool{}
	name := func(n string) {
		words[n] = true
		for _, part := range strings.FieldsFunc(n, func(r rune) bool { return r == ' ' || r == '-' || r == '.' }) {
			words[part] = true
		}
	}
	for _, p := range people {
		name(p.Name)
	}
	for _, w := range swims {
		name(w.Swimmer)
		words[w.Title] = true
	}
	if s == nil { // whom a configuration with mistakes names; the flume too, since who is who cannot be told there
		for _, m := range personName.FindAllStringSubmatch(configuration, -1) {
			name(m[1])
		}
	} else {
		for _, p := range s.People {
			name(p.Name)
		}
		for _, path := range []string{s.Drive.MQTT.PasswordFile, s.Home.Homie.PasswordFile} {
			if text, err := os.ReadFile(path); err == nil {
				line, _, _ := strings.Cut(string(text), "\n")
				words[strings.TrimSpace(line)] = true
			}
		}
	}
	var list []string
	for w := range words {
		if utf8.RuneCountInString(w) >= 3 { // shorter ones would hide half of every word
			list = append(list, regexp.QuoteMeta(w))
		}
	}
	if len(list) == 0 {
		return nil
	}
	slices.SortFunc(list, func(a, b string) int { return len(b) - len(a) }) // the whole name before its parts
	return regexp.MustCompile(`(?i)` + strings.Join(list, "|"))
}

// mistakePlace is line and column in what is said of a mistake.
var mistakePlace = regexp.MustCompile(`:\d+:\d+`)

// personName is where a configuration names people.
var personName = regexp.MustCompile(`(?m)\bname\s*=\s*["']([^"']+)["']`)

// pack writes the files as a tar, compressed. The names in it have no owner and the same time, that of the packing.
func (b *bundle) pack(out io.Writer) error {
	z := gzip.NewWriter(out)
	t := tar.NewWriter(z)
	for _, f := range b.files {
		h := &tar.Header{Name: filepath.Join("sequencerd-support", f.name), Mode: 0o600, Size: int64(len(f.text)), ModTime: time.Now().Truncate(time.Second)}
		if err := t.WriteHeader(h); err != nil {
			return err
		}
		if _, err := t.Write(f.text); err != nil {
			return err
		}
	}
	return errors.Join(t.Close(), z.Close())
}
