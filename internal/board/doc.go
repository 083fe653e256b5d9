// Package board is the whole thing on a virtual board, and holds nothing but tests, behind the build tag "board": they want QEMU and a kernel.
//
// The board is QEMU's arm64 "virt" machine with Debian's stock kernel, to which pins (PL061), serial line (16550 on PCI), hardware watchdog (i6300esb),
// disk (virtio), network and clock (PL031) are real devices. On it runs the program as it is shipped, started by a small first process (package
// guest) as a service manager would. Outside are an independent drive at the other end of a serial line at 19200 baud, whose motor is the witness, and the
// hands at the wires: what counts is when the drive's register held the stop, not what the program says.
//
//	make board-test              the short form, as CI runs it: some stops, and each of the other faults once
//	make board-test STOPS=200    the long form; its table is docs/board.md
//	go test -tags board -run TestBoard/./stops ./internal/board   the stops alone
//
// SEQUENCERD_BOARD_KERNEL is the folder that fetch-kernel.sh has filled, SEQUENCERD_BOARD_STOPS how many stops are pressed, SEQUENCERD_BOARD_KEEP a file for
// what the consoles said.
package board
