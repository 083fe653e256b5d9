//go:build !race

package sequencer_test

const raceEnabled = false
