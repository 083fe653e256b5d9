package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
)

// swimsCommand is everything about swims that were swum. Where they are kept, the configuration says, or --store.
type swimsCommand struct {
	Store string `placeholder:"FOLDER" help:"Folder with the swims; else [store] path in the configuration, else where serve keeps them."`

	List   swimsList   `cmd:"" default:"withargs" help:"List swims, the newest last; with --swimmer those of one person."`
	Show   swimsShow   `cmd:"" help:"Show a swim: asked beside swum, block by block."`
	Trends swimsTrends `cmd:"" help:"Sum up weeks: time and distance, by kind and against the threshold; with --swimmer of one person."`
	Export swimsExport `cmd:"" help:"Write swims as CSV or JSON."`
	Delete swimsDelete `cmd:"" help:"Forget a swim for good."`
}

// folder is where the swims are.
func (s *swimsCommand) folder(line *commandLine) (string, error) {
	if s.Store != "" {
		return s.Store, nil
	}
	cfg, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return "", err
	}
	return storeFolder(cfg)
}

// open opens the store; there may be none yet.
func (s *swimsCommand) open(line *commandLine) (*store.Store, error) {
	dir, err := s.folder(line)
	if err != nil {
		return nil, err
	}
	st, err := store.Open(dir)
	if errors.Is(err, store.ErrNone) {
		return nil, fmt.Errorf("%w yet: swim one with sequencerd run --record FILE, or name the folder with --store", err)
	}
	return st, err
}

type swimsList struct {
	Last int `default:"20" help:"How many; 0 for all."`
}

func (s *swimsList) Run(c console, line *commandLine) error {
	st, err := line.Swims.open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	swims, err := st.List(store.Which{Swimmer: line.Swimmer, Last: s.Last})
	if err != nil {
		return err
	}
	return listSwims(c.out, swims)
}

// chosen is the swim with that number, or the latest one.
func chosen(st *store.Store, line *commandLine, id int64) (*store.Record, error) {
	if id == 0 {
		last, err := st.List(store.Which{Swimmer: line.Swimmer, Last: 1})
		if err != nil {
			return nil, err
		}
		if len(last) == 0 {
			return nil, errors.New("there is no swim yet")
		}
		id = last[0].ID
	}
	return st.Record(id)
}

type swimsShow struct {
	Swim int64  `arg:"" optional:"" help:"Number of the swim; else the latest."`
	Plot string `placeholder:"OUT" help:"Draw the curve, asked and swum, to a .svg or .png file."`
}

func (s *swimsShow) Validate() error {
	if s.Plot != "" {
		_, err := rehearse.PlotFormat(s.Plot)
		return err
	}
	return nil
}

func (s *swimsShow) Run(c console, line *commandLine) error {
	st, err := line.Swims.open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	r, err := chosen(st, line, s.Swim)
	if err != nil {
		return err
	}
	if s.Plot != "" {
		if len(r.Samples) == 0 {
			return fmt.Errorf("swim %d has no samples left to draw", r.ID)
		}
		if err := plotTo(s.Plot, swumCurve(r).Write); err != nil {
			return err
		}
	}
	return showSwim(c.out, r)
}

type swimsTrends struct{}

func (s *swimsTrends) Run(c console, line *commandLine) error {
	st, err := line.Swims.open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	weeks, undated, err := st.Trends(line.Swimmer)
	if err != nil {
		return err
	}
	return showTrends(c.out, line.Swimmer, weeks, undated)
}

type swimsExport struct {
	Swims   []int64 `arg:"" optional:"" name:"swim" help:"Numbers of swims; else all, with --swimmer those of one person."`
	CSV     bool    `name:"csv" xor:"form" required:"" help:"A row for each block (RFC 4180)."`
	JSON    bool    `name:"json" xor:"form" required:"" help:"Everything that is kept."`
	Samples bool    `help:"With --csv: a row for each second instead."`
	Out     string  `short:"o" placeholder:"FILE" help:"Write to this file, which must not be there yet; else to standard output."`
}

func (s *swimsExport) Validate() error {
	if s.Samples && s.JSON {
		return errors.New("--samples goes with --csv; JSON has the samples anyway")
	}
	return nil
}

func (s *swimsExport) Run(c console, line *commandLine) error {
	st, err := line.Swims.open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	ids := s.Swims
	if len(ids) == 0 {
		swims, err := st.List(store.Which{Swimmer: line.Swimmer})
		if err != nil {
			return err
		}
		for _, w := range swims {
			ids = append(ids, w.ID)
		}
	}
	for _, id := range ids { // before the first byte is written
		if _, err := st.Swim(id); err != nil {
			return err
		}
	}
	return writeNew(s.Out, c.out, func(out io.Writer) error { return s.write(out, st, ids) })
}

func (s *swimsExport) write(out io.Writer, st *store.Store, ids []int64) error {
	records := func(yield func(*store.Record) error) error {
		for _, id := range ids {
			r, err := st.Record(id)
			if err != nil {
				return err
			}
			if err := yield(r); err != nil {
				return err
			}
		}
		return nil
	}
	switch {
	case s.Samples:
		return store.SamplesCSV(out, records)
	case s.CSV:
		return store.BlocksCSV(out, records)
	}
	sep := "[\n"
	err := records(func(r *store.Record) error {
		text, err := json.Marshal(r)
		if err == nil {
			_, err = io.WriteString(out, sep+string(text))
		}
		sep = ",\n"
		return err
	})
	if err != nil {
		return err
	}
	if len(ids) == 0 {
		_, err = io.WriteString(out, "[]\n")
		return err
	}
	_, err = io.WriteString(out, "\n]\n")
	return err
}

// writeNew writes to a new file, whole or not at all, or to out where no name is given.
func writeNew(name string, out io.Writer, write func(io.Writer) error) error {
	if name == "" {
		return write(out)
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already", name)
	} else if err != nil {
		return err
	}
	if err = errors.Join(write(f), f.Close()); err != nil {
		os.Remove(name)
	}
	return err
}

type swimsDelete struct {
	Swim int64 `arg:"" help:"Number of the swim."`
	Yes  bool  `help:"Without asking."`
}

func (s *swimsDelete) Run(c console, line *commandLine) error {
	st, err := line.Swims.open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	w, err := st.Swim(s.Swim)
	if err != nil {
		return err
	}
	if !s.Yes {
		if !isTerminal(c.out) {
			return errors.New("a swim that is deleted is gone: say --yes")
		}
		fmt.Fprintf(c.out, "Swim %d, %s, %s: delete it for good? Type its number: ", w.ID, when(w), w.Title)
		var answer string
		fmt.Fscanln(c.in, &answer)
		if answer != strconv.FormatInt(w.ID, 10) {
			return errors.New("not confirmed; nothing was deleted")
		}
	}
	if err := st.Delete(w.ID); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Swim %d is deleted.\n", w.ID)
	return nil
}

// backupCommand copies the store, while swims go on.
type backupCommand struct {
	Store string `placeholder:"FOLDER" help:"Folder with the swims; else as with swims."`
	File  string `arg:"" help:"The copy, which must not be there yet."`
}

func (b *backupCommand) Run(c console, line *commandLine) error {
	st, err := (&swimsCommand{Store: b.Store}).open(line)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.Backup(b.File); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s has all swims until %s.\n", b.File, time.Now().Format("15:04:05"))
	return nil
}

// restoreCommand puts a copy in the place of the store.
type restoreCommand struct {
	Store string `placeholder:"FOLDER" help:"Folder for the swims; else as with swims."`
	File  string `arg:"" help:"A copy made by backup."`
	Yes   bool   `help:"Without asking."`
}

func (r *restoreCommand) Run(c console, line *commandLine) error {
	dir, err := (&swimsCommand{Store: r.Store}).folder(line)
	if err != nil {
		return err
	}
	if !r.Yes {
		if !isTerminal(c.out) {
			return errors.New("what is in the place of the copy will be gone: say --yes")
		}
		fmt.Fprintf(c.out, "All swims in %s will be those of %s. Type yes: ", dir, r.File)
		var answer string
		fmt.Fscanln(c.in, &answer)
		if strings.ToLower(answer) != "yes" {
			return errors.New("not confirmed; nothing was changed")
		}
	}
	aside, err := store.Restore(dir, r.File)
	if aside != "" {
		fmt.Fprintf(c.out, "The damaged file is now %s.\n", aside)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s has the swims of %s.\n", dir, r.File)
	return nil
}
