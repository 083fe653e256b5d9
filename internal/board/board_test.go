//go:build board

package board

import (
	"fmt"
	"testing"
)

// Boards are tried beside each other: each waits far more than it works.
func TestBoard(t *testing.T) {
	try := func(name string, test func(*testing.T)) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t)
		})
	}
	each, boards := stops()
	for i := range boards {
		try(fmt.Sprintf("stops %d", i+1), func(t *testing.T) { pressStops(t, each, uint64(i)) })
	}
	try("hands and sensors", handsAndSensors)
	try("faults", everyFault)
}
