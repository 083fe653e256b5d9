package serial

import (
	"bytes"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// published are the examples of the MODBUS Application Protocol Specification V1.1b3, clause 6, as unit 11h with a checksum that was worked out apart
// from this program.
var published = []struct {
	name             string
	q                request
	request, answers string
	registers        []uint16
}{
	{"function 3", readRequest(0x11, 3, 0x6B, 3), "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", []uint16{555, 0, 100}},
	{"function 4", readRequest(0x11, 4, 8, 1), "11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4", []uint16{10}},
	{"function 6", writeRequest(0x11, 6, 1, 3), "11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B", nil},
	{"function 16", writeRequest(0x11, 16, 1, 0x0A, 0x102), "11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "11 10 00 01 00 02 12 98", nil},
}

func TestFramesArePublishedOnes(t *testing.T) {
	for _, p := range published {
		t.Run(p.name, func(t *testing.T) {
			if want := unhex(t, p.request); !bytes.Equal(p.q.frame, want) {
				t.Errorf("request % x, want % x", p.q.frame, want)
			}
			full := unhex(t, p.answers)
			for n := range full {
				if _, done, err := p.q.answer(full[:n]); done || err != nil {
					t.Errorf("done after %d of %d bytes (%v)", n, len(full), err)
				}
			}
			for _, noise := range []string{"", "00", "FF FF", "11", "11 83 02 00 00"} {
				got, done, err := p.q.answer(append(unhex(t, noise), full...))
				if !done || err != nil || !slices.Equal(got, p.registers) {
					t.Errorf("after noise %q: %v, done %v, %v", noise, got, done, err)
				}
			}
			for i := range full {
				for bit := range 8 {
					bad := bytes.Clone(full)
					bad[i] ^= 1 << bit
					if got, done, err := p.q.answer(bad); done {
						t.Fatalf("bit %d of byte %d was turned over, and the answer counts: %v, %v", bit, i, got, err)
					}
				}
			}
		})
	}
}

// Exceptions of clause 7, with checksums worked out apart from this program.
func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		q    request
		says string
		code byte
	}{
		{readRequest(0x11, 3, 0x6B, 3), "11 83 02 C1 34", 2},
		{writeRequest(0x11, 6, 1, 3), "11 86 03 03 A4", 3},
		{writeRequest(0x11, 16, 1, 1, 2), "11 90 04 4C 06", 4},
		{readRequest(1, 3, 0, 10), "01 83 02 C0 F1", 2},
	} {
		_, done, err := c.q.answer(unhex(t, c.says))
		var no refusal
		if !done || !errors.As(err, &no) || no.code != c.code {
			t.Errorf("%s: done %v, %v", c.says, done, err)
		}
	}
}

// A drive may keep to another number than it is told, and answer with that.
func TestWriteNotTaken(t *testing.T) {
	q := writeRequest(0x11, 6, 1, 3)
	_, done, err := q.answer(sealed(unhex(t, "11 06 00 01 00 02")))
	var other notTaken
	if !done || !errors.As(err, &other) || other != 2 {
		t.Errorf("answered 2 to a 3: done %v, %v", done, err)
	}
	if _, done, err := q.answer(sealed(unhex(t, "11 06 00 02 00 03"))); done {
		t.Errorf("another register's answer counts: %v", err)
	}
}

// From public test vectors of other projects; "123456789" is the check value of CRC-16/MODBUS in catalogues of checksums (from memory).
func TestChecksum(t *testing.T) {
	for in, want := range map[string]uint16{"02 07": 0x1241, hex.EncodeToString([]byte("123456789")): 0x4B37, "01 03 00 00 00 0A": 0xCDC5} {
		if got := checksum(unhex(t, in)); got != want {
			t.Errorf("checksum of %s is %04X, want %04X", in, got, want)
		}
	}
	if got := sealed(unhex(t, "01 03 00 00 00 0A")); !bytes.HasSuffix(got, unhex(t, "C5 CD")) {
		t.Errorf("on the line: % x, want … C5 CD", got)
	}
}

// Whatever comes over the line: no panic, and what counts as an answer is one.
func FuzzAnswer(f *testing.F) {
	for _, p := range published {
		f.Add(unhex(f, p.answers))
	}
	f.Add(unhex(f, "11 83 02 C1 34"))
	f.Add([]byte{0x11})
	f.Fuzz(func(t *testing.T, got []byte) {
		for _, p := range published {
			registers, done, err := p.q.answer(got)
			switch {
			case !done && (err != nil || registers != nil):
				t.Fatalf("not done, and yet %v, %v", registers, err)
			case done && err == nil && p.q.echo != nil && !bytes.Contains(got, p.q.echo):
				t.Fatalf("a write counts as done without its echo in % x", got)
			case done && err == nil && p.q.echo == nil && len(registers) != (p.q.length-5)/2:
				t.Fatalf("%d registers out of % x", len(registers), got)
			}
		}
	})
}
