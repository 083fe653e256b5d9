package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

// The weights are those of sd-daemon(3).
func TestTheJournalIsToldTheWeight(t *testing.T) {
	var b bytes.Buffer
	l := slog.New(newJournal(&b))
	l.Info("state", "state", "ready")
	l.Warn("said", "text", "a caution")
	l.Error("said", "text", "a stop")
	l.Debug("nothing of this")
	l.With("swim", 3).Error("again")
	if want := "<6>msg=state state=ready\n<4>msg=said text=\"a caution\"\n<3>msg=said text=\"a stop\"\n<3>msg=again swim=3\n"; b.String() != want {
		t.Errorf("%s\nwant\n%s", b.String(), want)
	}
}

// JOURNAL_STREAM, systemd.exec(5): device and inode in decimal, of the file that leads to the journal.
func TestWhichFileIsTheJournals(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "f"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var st syscall.Stat_t
	if err := syscall.Fstat(int(f.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	for value, want := range map[string]bool{fmt.Sprintf("%d:%d", st.Dev, st.Ino): true, fmt.Sprintf("%d:%d", st.Dev, st.Ino+1): false, "": false} {
		t.Setenv("JOURNAL_STREAM", value)
		if isJournal(f) != want {
			t.Errorf("JOURNAL_STREAM=%q: %v", value, !want)
		}
	}
}

func TestWeightOfWhatIsSaid(t *testing.T) {
	for _, c := range []struct {
		level safety.Level
		why   fault.Code
		want  slog.Level
	}{
		{safety.Fast, fault.LinkLost, slog.LevelError}, {safety.Soft, fault.NobodyStop, slog.LevelError}, {safety.Slow, fault.NobodySlow, slog.LevelWarn},
		{safety.Caution, fault.NobodySeen, slog.LevelWarn}, {safety.Notice, fault.Edited, slog.LevelInfo}, {safety.Fast, fault.NotReset, slog.LevelInfo},
		{safety.Fast, fault.StopPressed, slog.LevelInfo},
	} {
		if got := weight(c.level, c.why); got != c.want {
			t.Errorf("%s at level %d weighs %v, want %v", c.why, c.level, got, c.want)
		}
	}
}
