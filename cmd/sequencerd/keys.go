package main

import (
	"io"
	"os"
	"time"

	"golang.org/x/term"

	"flume.example/sequencerd/internal/task"
)

// What a terminal in raw mode sends in place of a signal.
const (
	ctrlC = 3
	ctrlZ = 26
)

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// readKeys takes single keys from a terminal until restore, which puts the terminal back as it was.
// The reader goes with the process: a read from a terminal cannot be taken back. Should it panic, failed is told.
func readKeys(in *os.File, failed func(error)) (<-chan byte, func(), error) {
	old, err := term.MakeRaw(int(in.Fd()))
	if err != nil {
		return nil, nil, err
	}
	keys := make(chan byte, 16)
	task.Start("reader of the keys", failed, func() {
		var b [16]byte
		for {
			n, err := in.Read(b[:])
			if err != nil {
				return
			}
			for _, k := range b[:n] {
				select {
				case keys <- k:
				default: // more keys than anybody means
				}
			}
		}
	})
	return keys, func() { term.Restore(int(in.Fd()), old) }, nil
}

func secondsToDuration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
