package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"syscall"
)

// newLog writes to a terminal or file as lines with their time, and to the supervisor's journal with the weight of each line in front of it (sd-daemon(3):
// "<3>" is an error), so that journalctl -p err has what went wrong and nothing else; the time is the journal's own then.
func newLog(out io.Writer) slog.Handler {
	f, ok := out.(*os.File)
	if !ok || !isJournal(f) {
		return slog.NewTextHandler(out, nil)
	}
	return newJournal(out)
}

// isJournal reports whether a file is the journal's: systemd.exec(5) names it by device and inode.
func isJournal(f *os.File) bool {
	info, err := f.Stat()
	if err != nil {
		return false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && os.Getenv("JOURNAL_STREAM") == fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

// weights are syslog's, and from which level of ours they count; the lightest first.
var weights = [...]struct {
	from   slog.Level
	prefix string
}{{slog.LevelDebug, "<7>"}, {slog.LevelInfo, "<6>"}, {slog.LevelWarn, "<4>"}, {slog.LevelError, "<3>"}}

// journalLog is one handler a weight.
type journalLog [len(weights)]slog.Handler

func newJournal(out io.Writer) (j journalLog) {
	for i, w := range weights {
		j[i] = slog.NewTextHandler(prefixed{w.prefix, out}, &slog.HandlerOptions{ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
				return slog.Attr{}
			}
			return a
		}})
	}
	return j
}

// prefixed puts a prefix before each write; a handler writes a whole line at once.
type prefixed struct {
	prefix string
	out    io.Writer
}

func (p prefixed) Write(b []byte) (int, error) {
	_, err := p.out.Write(append([]byte(p.prefix), b...))
	return len(b), err
}

func (j journalLog) of(l slog.Level) slog.Handler {
	for i := len(weights) - 1; i > 0; i-- {
		if l >= weights[i].from {
			return j[i]
		}
	}
	return j[0]
}

func (j journalLog) Enabled(ctx context.Context, l slog.Level) bool { return j.of(l).Enabled(ctx, l) }
func (j journalLog) Handle(ctx context.Context, r slog.Record) error {
	return j.of(r.Level).Handle(ctx, r)
}
func (j journalLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	return j.each(func(h slog.Handler) slog.Handler { return h.WithAttrs(attrs) })
}
func (j journalLog) WithGroup(name string) slog.Handler {
	return j.each(func(h slog.Handler) slog.Handler { return h.WithGroup(name) })
}
func (j journalLog) each(f func(slog.Handler) slog.Handler) (k journalLog) {
	for i, h := range j {
		k[i] = f(h)
	}
	return k
}
