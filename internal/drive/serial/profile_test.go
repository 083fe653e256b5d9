package serial

import "testing"

// CiA 402 table 30: over all status words the four states of mask 4Fh have 2048 words each, the four of mask 6Fh 1024, and 53248 words are undefined.
func TestEveryStatusWord(t *testing.T) {
	var count [states]int
	for word := range 1 << 16 {
		count[stateOf(uint16(word))]++
		s := velocity{}.understand(uint16(word))
		if s.running && !s.enabled || s.running && s.fault {
			t.Fatalf("%04X: %+v", word, s)
		}
	}
	want := [states]int{
		notReady: 2048, switchOnDisabled: 2048, faultReaction: 2048, inFault: 2048,
		readyToSwitchOn: 1024, switchedOn: 1024, operationEnabled: 1024, quickStopActive: 1024, undefined: 53248,
	}
	if count != want {
		t.Errorf("words by state: %v, want %v", count, want)
	}
}

// Words as drives send them, from the same table's samples; and the control words that lead on, from the published list of commands.
func TestWayThroughTheStates(t *testing.T) {
	for _, c := range []struct {
		word    uint16
		state   state
		next    uint16
		halt    uint16
		enabled bool
	}{
		{0x0250, switchOnDisabled, 0x06, 0x02, false},
		{0x0231, readyToSwitchOn, 0x07, 0x02, false},
		{0x0233, switchedOn, 0x7F, 0x02, false},
		{0x0237, operationEnabled, 0x7F, 0x02, true},
		{0x0217, quickStopActive, 0x00, 0x00, true}, // at rest: switched off
		{0x021F, faultReaction, 0x00, 0x02, true},
		{0x0218, inFault, 0x00, 0x02, false},
	} {
		s := velocity{}.understand(c.word)
		if got := stateOf(c.word); got != c.state || s.enabled != c.enabled {
			t.Errorf("%04X is %v, enabled %v; want %v, %v", c.word, got, s.enabled, c.state, c.enabled)
		}
		if got := (velocity{}).next(s); got != c.next {
			t.Errorf("%v: next control word %02X, want %02X", c.state, got, c.next)
		}
		if got := (velocity{}).halt(s, false); got != c.halt {
			t.Errorf("%v: control word of a stop %02X, want %02X", c.state, got, c.halt)
		}
		if got := (velocity{}).halt(s, true); got != quickStop {
			t.Errorf("%v: control word of a stop while the motor turns %02X, want 02", c.state, got)
		}
	}
	if up := (velocity{}).clear(); up&0x80 == 0 || quickStop&0x80 != 0 {
		t.Errorf("a fault is reset by the rising edge of bit 7, not by %02X after %02X", up, quickStop)
	}
}

func TestPlainStatus(t *testing.T) {
	p := plain{runs: bits{4, 4}, faulty: bits{0x100, 0x100}, isReady: bits{3, 1}, run: 1, stop: 0}
	for _, c := range []struct {
		word                                uint16
		running, enabled, fault, ready, run bool
	}{
		{0x0001, false, false, false, true, true},
		{0x0000, false, false, false, false, false},
		{0x0003, false, false, false, false, false}, // locked
		{0x0005, true, true, false, true, true},
		{0x0105, false, true, true, true, true}, // running down with a fault; a backend gives no orders to a drive with a fault
		{0x0101, false, false, true, true, true},
	} {
		s := p.understand(c.word)
		if s.running != c.running || s.enabled != c.enabled || s.fault != c.fault || s.ready != c.ready || p.next(s) == p.run != c.run {
			t.Errorf("%04X: %+v, next %d; want %+v", c.word, s, p.next(s), c)
		}
	}
}
