//go:build race

package sequencer_test

const raceEnabled = true
