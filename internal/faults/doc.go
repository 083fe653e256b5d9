// Package faults is a campaign of faults against the real program, and holds nothing but tests.
//
// The daemon is a process, and so is the motor at the other end of a serial line or of a broker. The motor is the only witness: whatever the daemon, its
// log or its panel say of a stop, what counts is when the motor began its quick stop, when it came to rest, and that nothing moved it afterwards
// until somebody had reset and started again.
//
//	go test ./internal/faults                              the short form: each class of fault
//	SEQUENCERD_FAULTS=1000 go test -timeout 2h ./internal/faults   so many faults, seed 1
//
// SEQUENCERD_FAULTS_SEED is another seed. SEQUENCERD_FAULTS_KEEP names a file for what was found: what is in there already is counted and not tried
// again, so that a campaign that was broken off goes on.
package faults
