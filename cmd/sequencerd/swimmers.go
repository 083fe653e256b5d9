package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// swimmersCommand is everything about who swims.
type swimmersCommand struct {
	Store string `placeholder:"FOLDER" help:"Folder of the store; else as with swims."`

	List      swimmersList      `cmd:"" default:"withargs" help:"List who swims here, with threshold and cap."`
	Show      swimmersShow      `cmd:"" help:"Show somebody: threshold and how sure it is, timed swims, hold-on tests, predicted times."`
	Add       swimmersAdd       `cmd:"" help:"Make somebody known."`
	Swam      swimmersSwam      `cmd:"" help:"Put in a timed swim, swum as fast as could be; two or more give a threshold."`
	Threshold swimmersThreshold `cmd:"" help:"Set the threshold by hand; it counts until another timed swim is there."`
	Offset    swimmersOffset    `cmd:"" help:"Set how much faster the threshold is in the flume than in the pool."`
	Cap       swimmersCap       `cmd:"" help:"Set the fastest water for somebody, as for a child."`
	Export    swimmersExport    `cmd:"" help:"Write swimmers as JSON."`
	Import    swimmersImport    `cmd:"" help:"Read swimmers that were exported."`
	Forget    swimmersForget    `cmd:"" help:"Forget somebody for good."`
}

// open opens the store for a change, or to look. For a change it is made where it is not there.
func (s *swimmersCommand) open(line *commandLine, change bool) (*store.Store, *settings.Settings, error) {
	cfg, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return nil, nil, err
	}
	dir := s.Store
	if dir == "" {
		if dir, err = storeFolder(cfg); err != nil {
			return nil, nil, err
		}
	}
	st, err := store.Open(dir)
	if errors.Is(err, store.ErrNone) && change {
		if st, err = store.OpenToRecord(dir); err == nil {
			if err = st.Close(); err == nil { // only made: somebody else may record
				st, err = store.Open(dir)
			}
		}
	}
	return st, cfg, err
}

// with finds somebody, and changes or shows them.
func (s *swimmersCommand) with(line *commandLine, name string, f func(st *store.Store, k *roster.Known) error) error {
	st, cfg, err := s.open(line, false)
	if errors.Is(err, store.ErrNone) {
		return fmt.Errorf("swimmer %q: %w; sequencerd swimmers add %q makes somebody known", name, store.ErrNobody, name)
	}
	if err != nil {
		return err
	}
	defer st.Close()
	k, err := roster.Look(st, name, roster.Simulated(cfg))
	if err != nil {
		return err
	}
	return f(st, k)
}

type swimmersList struct{}

func (l *swimmersList) Run(c console, line *commandLine) error {
	st, cfg, err := line.Swimmers.open(line, false)
	var names []string
	if err == nil {
		defer st.Close()
		all, err := st.Swimmers()
		if err != nil {
			return err
		}
		for _, w := range all {
			names = append(names, w.Name)
		}
	} else if !errors.Is(err, store.ErrNone) {
		return err
	}
	if cfg == nil {
		return err
	}
	return listSwimmers(c.out, st, cfg, names)
}

type swimmersShow struct {
	Name string `arg:"" help:"Who."`
}

func (s *swimmersShow) Run(c console, line *commandLine) error {
	return line.Swimmers.with(line, s.Name, func(_ *store.Store, k *roster.Known) error { return showSwimmer(c.out, k, time.Now()) })
}

type swimmersAdd struct {
	Name string  `arg:"" help:"Who."`
	Unit string  `default:"m" enum:"m,yd" help:"What distances count in for them: m or yd."`
	Cap  float64 `placeholder:"M/S" help:"The fastest water for them, in m/s, 0.2 to 3."`
}

func (a *swimmersAdd) Run(c console, line *commandLine) error {
	w := &store.Swimmer{Name: a.Name, Cap: units.MetresPerSecond(a.Cap)}
	var err error
	if w.Unit, err = units.ParseUnit(a.Unit); err != nil {
		return err
	}
	if err := roster.Check(w); err != nil {
		return err
	}
	st, _, err := line.Swimmers.open(line, true)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.AddSwimmer(w); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s is known now. Two timed swims give a threshold: sequencerd swimmers swam %q 400%s 6:10\n", w.Name, w.Name, w.Unit)
	return nil
}

type swimmersSwam struct {
	Name     string `arg:"" help:"Who."`
	Distance string `arg:"" optional:"" help:"How far, as in 400m or 500yd; a bare number counts in the swimmer's unit."`
	Time     string `arg:"" optional:"" help:"In what time, as in 5:49.2."`
	Day      string `placeholder:"DATE" help:"When, as in 2026-05-20; else today."`
	Flume    bool   `help:"In the flume; else in a pool."`
	Drop     int64  `placeholder:"NUMBER" help:"Take back the timed swim of that number."`
}

func (s *swimmersSwam) Run(c console, line *commandLine) error {
	if s.Drop == 0 && s.Time == "" {
		return refused{exitUsage, errors.New("say how far and in what time, as in 400m 5:49, or --drop NUMBER")}
	}
	return line.Swimmers.with(line, s.Name, func(st *store.Store, k *roster.Known) error {
		if s.Drop != 0 {
			if err := st.DropTimed(k.Name, s.Drop); err != nil {
				return err
			}
		} else if err := s.add(st, k); err != nil {
			return err
		}
		return line.Swimmers.with(line, s.Name, func(_ *store.Store, now *roster.Known) error {
			if len(now.History) > len(k.History) {
				fmt.Fprintf(c.out, "%s has a new threshold.\n", k.Name)
			}
			return showThreshold(c.out, now, time.Now())
		})
	})
}

func (s *swimmersSwam) add(st *store.Store, k *roster.Known) error {
	t, err := roster.ReadTimed(s.Distance, s.Time, s.Day, k.Unit, s.Flume, time.Now())
	if err == nil {
		_, err = st.AddTimed(k.Name, t)
	}
	return err
}

type swimmersThreshold struct {
	Name  string `arg:"" help:"Who."`
	Pace  string `arg:"" help:"The threshold, as in 1:35/100m; a bare pace is per 100 of the swimmer's unit."`
	Day   string `placeholder:"DATE" help:"Since when; else today."`
	Flume bool   `help:"It is one of the flume: no offset comes on top."`
}

func (t *swimmersThreshold) Run(c console, line *commandLine) error {
	return line.Swimmers.with(line, t.Name, func(st *store.Store, k *roster.Known) error {
		found, err := roster.ReadThreshold(t.Pace, t.Day, k.Unit, t.Flume, time.Now())
		if err != nil {
			return err
		}
		if err := st.AddThreshold(k.Name, found); err != nil {
			return err
		}
		return line.Swimmers.with(line, t.Name, func(_ *store.Store, now *roster.Known) error { return showThreshold(c.out, now, time.Now()) })
	})
}

type swimmersOffset struct {
	Name   string  `arg:"" help:"Who."`
	Faster float64 `xor:"way" required:"" placeholder:"SECONDS" help:"In the flume the threshold is so many seconds per 100 m faster; 0 to 15."`
	Slower float64 `xor:"way" required:"" placeholder:"SECONDS" help:"Or slower."`
}

func (o *swimmersOffset) Run(c console, line *commandLine) error {
	return line.Swimmers.with(line, o.Name, func(st *store.Store, k *roster.Known) error {
		if k.Offset = o.Slower - o.Faster; o.Faster < 0 || o.Slower < 0 {
			return errors.New("the offset's seconds are no less than 0: --faster or --slower says which way")
		}
		return change(c, st, k)
	})
}

type swimmersCap struct {
	Name string  `arg:"" help:"Who."`
	Cap  float64 `arg:"" optional:"" name:"m/s" help:"The fastest water for them, in m/s, 0.2 to 3."`
	None bool    `help:"No cap of their own."`
}

func (p *swimmersCap) Run(c console, line *commandLine) error {
	if p.None == (p.Cap != 0) {
		return refused{exitUsage, errors.New("say the fastest water in m/s, 0.2 to 3, or --none")}
	}
	return line.Swimmers.with(line, p.Name, func(st *store.Store, k *roster.Known) error {
		k.Cap = units.MetresPerSecond(p.Cap)
		return change(c, st, k)
	})
}

func change(c console, st *store.Store, k *roster.Known) error {
	if err := roster.Check(&store.Swimmer{Name: k.Name, Cap: k.Cap, Offset: k.Offset}); err != nil {
		return err
	}
	if err := st.PutSwimmer(&k.Swimmer); err != nil {
		return err
	}
	return showThreshold(c.out, k, time.Now())
}

type swimmersExport struct {
	Name string `arg:"" optional:"" help:"Who; else everybody."`
	Out  string `short:"o" placeholder:"FILE" help:"Write to this file, which must not be there yet; else to standard output."`
}

func (e *swimmersExport) Run(c console, line *commandLine) error {
	st, cfg, err := line.Swimmers.open(line, false)
	if err != nil {
		return err
	}
	defer st.Close()
	all, err := roster.Export(st, e.Name, roster.Simulated(cfg))
	if err != nil {
		return err
	}
	return writeNew(e.Out, c.out, func(out io.Writer) error { return store.WriteSwimmers(out, all) })
}

type swimmersImport struct {
	File string `arg:"" help:"What swimmers export has written; - for standard input."`
}

func (i *swimmersImport) Run(c console, line *commandLine) error {
	text, err := readFile(i.File)
	if err != nil {
		return err
	}
	all, err := roster.ReadExported(text)
	if err != nil {
		return fault.Problem{File: i.File, Text: err.Error()}
	}
	st, _, err := line.Swimmers.open(line, true)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.AddSwimmers(all); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%d read.\n", len(all))
	return nil
}

type swimmersForget struct {
	Name  string `arg:"" help:"Who."`
	Swims bool   `help:"And everything that they swam; else it stays, as nobody's."`
	Yes   bool   `help:"Without asking."`
}

func (f *swimmersForget) Run(c console, line *commandLine) error {
	st, _, err := line.Swimmers.open(line, false)
	if err != nil {
		return err
	}
	defer st.Close()
	if !f.Yes {
		if !isTerminal(c.out) {
			return errors.New("who is forgotten is gone: say --yes")
		}
		fmt.Fprintf(c.out, "Forget %s for good? Type yes: ", f.Name)
		var answer string
		fmt.Fscanln(c.in, &answer)
		if strings.ToLower(answer) != "yes" {
			return errors.New("not confirmed; nobody was forgotten")
		}
	}
	if err := st.ForgetSwimmer(f.Name, f.Swims); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s is forgotten.\n", f.Name)
	return nil
}
