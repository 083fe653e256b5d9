//go:build board

package board

import "testing"

// Four boards are tried beside each other: each waits far more than it works, and more are too many for two cores. Whoever is done presses stop as long
// as there are stops to press.
func TestBoard(t *testing.T) {
	try := func(name string, test func(*testing.T)) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t)
		})
	}
	left.Store(int64(stops()))
	try("stops", func(t *testing.T) { pressStops(newPlace(t), 1) })
	try("more stops", func(t *testing.T) { pressStops(newPlace(t), 2) })
	try("hands and sensors", func(t *testing.T) {
		handsAndSensors(t)
		pressStops(newPlace(t), 3)
	})
	try("faults", func(t *testing.T) {
		everyFault(t)
		pressStops(newPlace(t), 4)
	})
}
