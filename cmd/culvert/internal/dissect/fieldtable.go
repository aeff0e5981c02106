package dissect

import (
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"culvert/cmd/culvert/internal/cli"
)

// row is one field of a frame or packet as explain prints it. Offsets count octets
// and bits from 0 at the most significant end, as the diagrams of the RFCs do.
type row struct {
	at      int    // octet at which the field starts
	octets  int    // how many it takes, if they are whole
	bit     int    // else its first bit,
	bits    int    // and how many; 0 of both is a field that is elided
	value   string // hex for octets, binary for bits
	field   string
	meaning string
	section string
}

// place returns the columns octet and bits.
func (r row) place() (octet, bits string) {
	octet = strconv.Itoa(r.at)
	switch {
	case r.octets == 0 && r.bits == 0:
		return "", ""
	case r.octets > 1:
		octet += "-" + strconv.Itoa(r.at+r.octets-1)
	case r.octets == 0 && r.bits == 1:
		bits = strconv.Itoa(r.bit)
	case r.octets == 0 && r.bits > 1:
		bits = fmt.Sprintf("%d-%d", r.bit, r.bit+r.bits-1)
	}
	return octet, bits
}

// maxValue bounds what stands in the value column, in characters: 0x and 16 octets.
// Frames and packets are printed in full elsewhere.
const maxValue = 2 + 2*16

// wholeOctets returns a row for n octets of b from at.
func wholeOctets(b []byte, at, n int, field, meaning, section string) row {
	v := cli.Cut("0x"+hex.EncodeToString(b[at:at+min(n, 17)]), maxValue)
	return row{at: at, octets: n, value: v, field: field, meaning: meaning, section: section}
}

// someBits returns a row for n bits of b from bit, counted from octet at. Bits that
// span octets keep their count: 12 to 31 is a flow label.
func someBits(b []byte, at, bit, n int, field, meaning, section string) row {
	var v strings.Builder
	for i := bit; i < bit+n; i++ {
		v.WriteByte('0' + b[at+i/8]>>(7-i%8)&1)
	}
	s := "0b" + v.String()
	if n >= 8 { // too long to be read in binary
		u, _ := strconv.ParseUint(v.String(), 2, 64)
		s = fmt.Sprintf("0x%0*x", (n+3)/4, u)
	}
	return row{at: at, bit: bit, bits: n, value: s, field: field, meaning: meaning, section: section}
}

// writeRows prints rows as a table under the heading of its columns, each line
// indented. The columns are as wide as what stands in them.
func writeRows(w io.Writer, rows []row) error {
	lines := [][]string{{"octet", "bits", "value", "field", "meaning", "section"}}
	for _, r := range rows {
		octet, bits := r.place()
		lines = append(lines, []string{octet, bits, r.value, r.field, r.meaning, r.section})
	}
	width := make([]int, len(lines[0]))
	for _, l := range lines {
		for i, s := range l {
			width[i] = max(width[i], utf8.RuneCountInString(s))
		}
	}
	var b strings.Builder
	for _, l := range lines {
		var line strings.Builder
		for i, s := range l {
			line.WriteString("  " + s + strings.Repeat(" ", width[i]-utf8.RuneCountInString(s)))
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeOctets prints b in hex, 16 octets a line with their offsets, and as text.
func writeOctets(w io.Writer, b []byte) error {
	var s strings.Builder
	for at := 0; at < len(b); at += 16 {
		part := b[at:min(at+16, len(b))]
		fmt.Fprintf(&s, "  %04x ", at)
		for i := range 16 {
			switch {
			case i >= len(part):
				s.WriteString("   ")
			default:
				fmt.Fprintf(&s, " %02x", part[i])
			}
		}
		s.WriteString("  ")
		for _, c := range part {
			if c < 0x20 || c > 0x7e {
				c = '.'
			}
			s.WriteByte(c)
		}
		s.WriteByte('\n')
	}
	_, err := io.WriteString(w, s.String())
	return err
}
