package serial

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Function codes of the MODBUS Application Protocol Specification V1.1b3, clause 6.
const (
	readHolding   = 3
	readInput     = 4
	writeSingle   = 6
	writeMultiple = 16
	failed        = 0x80 // added to the function code by an answer that refuses, clause 7
)

// request is one question to a drive, and how its answer can be told from all else on the line.
type request struct {
	frame  []byte // as it goes over the line, checksum included
	length int    // of a good answer, checksum included
	echo   []byte // the whole answer, where that is known beforehand: to a write
}

// readRequest asks for registers (function 3 or 4).
func readRequest(unit, function byte, address uint16, count int) request {
	f := binary.BigEndian.AppendUint16([]byte{unit, function}, address)
	f = binary.BigEndian.AppendUint16(f, uint16(count))
	return request{frame: sealed(f), length: 5 + 2*count}
}

// writeRequest sets registers one after the other (function 6 for one, function 16 for any).
func writeRequest(unit, function byte, address uint16, values ...uint16) request {
	f := binary.BigEndian.AppendUint16([]byte{unit, function}, address)
	if function == writeSingle {
		f = sealed(binary.BigEndian.AppendUint16(f, values[0]))
		return request{frame: f, length: len(f), echo: f} // clause 6.6: the answer is the request
	}
	f = binary.BigEndian.AppendUint16(f, uint16(len(values)))
	echo := sealed(bytes.Clone(f)) // clause 6.12: address and number, not the values
	f = append(f, byte(2*len(values)))
	for _, v := range values {
		f = binary.BigEndian.AppendUint16(f, v)
	}
	return request{frame: sealed(f), length: len(echo), echo: echo}
}

// answer looks for the request's answer in what has come over the line: the registers that were read, or an error where the drive refuses.
// It is not done while the answer may still be on its way. Bytes before the answer are passed over: drivers of the line make some when they switch.
func (q request) answer(got []byte) (registers []uint16, done bool, err error) {
	unit, function := q.frame[0], q.frame[1]
	for ; len(got) > 0; got = got[1:] {
		if got[0] != unit {
			continue
		}
		switch {
		case len(got) < 2:
			return nil, false, nil
		case got[1] == function|failed:
			if len(got) < 5 {
				return nil, false, nil
			}
			if intact(got[:5]) {
				return nil, true, refusal{q.frame[1], got[2]}
			}
		case got[1] != function:
		case q.echo != nil:
			switch {
			case len(got) < q.length:
				return nil, false, nil
			case bytes.Equal(got[:q.length], q.echo):
				return nil, true, nil
			case intact(got[:q.length]) && bytes.Equal(got[2:4], q.echo[2:4]):
				return nil, true, notTaken(binary.BigEndian.Uint16(got[4:]))
			}
		case len(got) < 3:
			return nil, false, nil
		case int(got[2]) == q.length-5:
			if len(got) < q.length {
				return nil, false, nil
			}
			if intact(got[:q.length]) {
				return words(got[3 : q.length-2]), true, nil
			}
		}
	}
	return nil, false, nil
}

func words(b []byte) []uint16 {
	out := make([]uint16, len(b)/2)
	for i := range out {
		out[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return out
}

// refusal is an answer that says no.
type refusal struct{ function, code byte }

const busy = 6

// notTaken is an answer to a write that tells of another number than was written.
type notTaken uint16

func (n notTaken) Error() string {
	return fmt.Sprintf("the drive has not taken what was written: it answers %d", uint16(n))
}

func (r refusal) Error() string {
	why, ok := map[byte]string{ // clause 7
		1:    "it does not know this function",
		2:    "it has no such register",
		3:    "it does not take this value",
		4:    "it failed to do it",
		busy: "it is busy",
	}[r.code]
	if !ok {
		why = "no reason is known for this code"
	}
	return fmt.Sprintf("the drive refuses function %d, code %d: %s", r.function, r.code, why)
}

// sealed adds the checksum, low byte first: MODBUS over Serial Line V1.02, clause 2.5.1.2.
func sealed(f []byte) []byte { return binary.LittleEndian.AppendUint16(f, checksum(f)) }

func intact(f []byte) bool {
	return checksum(f[:len(f)-2]) == binary.LittleEndian.Uint16(f[len(f)-2:])
}

// checksum is the CRC of the same clause: it begins with all ones, its polynomial is A001, reversed.
func checksum(b []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, c := range b {
		sum ^= uint16(c)
		for range 8 {
			odd := sum&1 == 1
			if sum >>= 1; odd {
				sum ^= 0xA001
			}
		}
	}
	return sum
}
