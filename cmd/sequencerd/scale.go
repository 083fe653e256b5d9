package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

type scaleCommand struct {
	File    string `arg:"" help:"Session file; - for standard input."`
	Shorter string `xor:"how" required:"" placeholder:"20%" help:"Leave that share away: rounds first, then lengths."`
	Slower  string `xor:"how" required:"" placeholder:"3s" help:"All paces that many seconds per 100 slower."`
	Unit    string `xor:"how" required:"" placeholder:"yd" help:"The same speeds in the other unit, over distances that are round there: m or yd."`
}

// change is what is asked for, ready to be done.
func (k *scaleCommand) change() (func(*schedule.Session) (string, error), error) {
	switch {
	case k.Shorter != "":
		text, percent := strings.CutSuffix(k.Shorter, "%")
		n, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if err != nil || !percent || !(n > 0 && n < 100) {
			return nil, fmt.Errorf("--shorter %s: allowed is more than 0%% and less than 100%%, as in 20%%", k.Shorter)
		}
		return func(s *schedule.Session) (string, error) { return s.Shorter(n / 100) }, nil
	case k.Slower != "":
		d, err := time.ParseDuration(k.Slower)
		if err != nil || d < 100*time.Millisecond || d > time.Minute {
			return nil, fmt.Errorf("--slower %s: allowed is 0.1s to 60s, as in 3s", k.Slower)
		}
		return func(s *schedule.Session) (string, error) { return s.Slower(d.Seconds()) }, nil
	}
	u, err := units.ParseUnit(k.Unit)
	if err != nil {
		return nil, fmt.Errorf("--unit: %w", err)
	}
	return func(s *schedule.Session) (string, error) { return s.In(u) }, nil
}

// Validate is called by kong before Run: its errors are usage errors.
func (k *scaleCommand) Validate() error {
	_, err := k.change()
	return err
}

func (k *scaleCommand) Run(c console) error {
	change, err := k.change()
	if err != nil {
		return err
	}
	text, err := readFile(k.File)
	if err != nil {
		return err
	}
	session, err := schedule.Parse(k.File, text)
	if err != nil {
		return err
	}
	changed, err := change(session)
	if err != nil {
		return err
	}
	_, err = io.WriteString(c.out, changed)
	return err
}
