//go:build race

package safety_test

const raceEnabled = true
