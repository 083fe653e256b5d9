package wall

import (
	"context"
	"testing"
	"time"
)

// FuzzCommand: whatever comes down the socket of a simulated wall is done or refused, and takes no longer than the longest press.
func FuzzCommand(f *testing.F) {
	for _, line := range []string{"press", "hold 2.5s", "hold -1s", "stop press", "stop  open", "line broken cover", "line whole x", "show", "", "hold 1e9h"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		w, err := Open(Config{Simulated: true}, func() {})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Microsecond) // nobody waits for presses here
		defer cancel()
		w.Command(ctx, line)
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}
