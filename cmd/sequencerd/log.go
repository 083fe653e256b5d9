package main

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// sayAgain is how long the same bare line is not written again.
const sayAgain = 10 * time.Second

// sparse is a log handler for a daemon. Libraries write bare lines, and write them each time: a wire that broke is read a hundred times a second. Of those
// the same one is written once in ten seconds; what is logged with attributes is ours, and all of it is written.
type sparse struct {
	slog.Handler
	said *said
}

type said struct {
	mu    sync.Mutex
	lines map[string]time.Time
}

func newSparse(h slog.Handler) *sparse {
	return &sparse{h, &said{lines: map[string]time.Time{}}}
}

func (s *sparse) Handle(ctx context.Context, r slog.Record) error {
	if r.NumAttrs() == 0 && !s.said.anew(r.Message, r.Time) {
		return nil
	}
	return s.Handler.Handle(ctx, r)
}

func (s *said) anew(line string, at time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if last, ok := s.lines[line]; ok && at.Sub(last) < sayAgain {
		return false
	}
	if len(s.lines) > 1000 {
		clear(s.lines)
	}
	s.lines[line] = at
	return true
}
