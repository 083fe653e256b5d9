//go:build board

package board

import (
	"fmt"
	"testing"
)

// Four boards are tried beside each other: each waits far more than it works, and more are too many for two cores. Whoever is done presses stop as long
// as there are stops to press.
func TestBoard(t *testing.T) {
	left.Store(int64(stops()))
	for board, before := range []func(*testing.T){nil, nil, handsAndSensors, everyFault} {
		t.Run(fmt.Sprint(board+1), func(t *testing.T) {
			t.Parallel()
			if before != nil {
				t.Run("faults", before)
			}
			t.Run("stops", func(t *testing.T) { pressStops(t, uint64(board)) })
		})
	}
}
