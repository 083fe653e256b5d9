//go:build !race

package safety_test

const raceEnabled = false
