package dissect

import (
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"culvert/cmd/culvert/internal/cli"
)

// row is one field of a frame or packet. Octets and bits count from 0 at the most
// significant end, as in the diagrams of the RFCs.
type row struct {
	at      int    // octet at which the field starts
	octets  int    // its size if it has whole octets
	bit     int    // else its first bit
	bits    int    // and its size in bits; octets and bits are 0 for an elided field
	value   string // hex for octets, binary for bits
	field   string
	meaning string
	section string
}

// place returns the text of the columns octet and bits.
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

// maxValue bounds the value column, in characters: 0x and 16 octets.
const maxValue = 2 + 2*16

// wholeOctets returns a row for n octets of b from at.
func wholeOctets(b []byte, at, n int, field, meaning, section string) row {
	v := cli.Cut("0x"+hex.EncodeToString(b[at:at+min(n, 17)]), maxValue)
	return row{at: at, octets: n, value: v, field: field, meaning: meaning, section: section}
}

// someBits returns a row for n bits of b from bit, counted from octet at. Bit numbers go on
// past the octet: a flow label is bits 12 to 31.
func someBits(b []byte, at, bit, n int, field, meaning, section string) row {
	var v strings.Builder
	for i := bit; i < bit+n; i++ {
		v.WriteByte('0' + b[at+i/8]>>(7-i%8)&1)
	}
	s := "0b" + v.String()
	if n >= 8 { // too long for binary
		u, _ := strconv.ParseUint(v.String(), 2, 64)
		s = fmt.Sprintf("0x%0*x", (n+3)/4, u)
	}
	return row{at: at, bit: bit, bits: n, value: s, field: field, meaning: meaning, section: section}
}

// writeRows prints rows as an indented table with a heading.
func writeRows(w io.Writer, rows []row) error {
	var b strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  octet\tbits\tvalue\tfield\tmeaning\tsection")
	for _, r := range rows {
		octet, bits := r.place()
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\n", octet, bits, r.value, r.field, r.meaning, r.section)
	}
	t.Flush() // writing to b never fails
	return writeIndented(w, b.String(), "")
}

// writeOctets prints b as a hex dump with offsets and text.
func writeOctets(w io.Writer, b []byte) error { return writeIndented(w, hex.Dump(b), "  ") }

// writeIndented prints each line of text behind indent, without the spaces at its end.
func writeIndented(w io.Writer, text, indent string) error {
	var b strings.Builder
	for line := range strings.Lines(text) {
		b.WriteString(strings.TrimRight(indent+line, " \n") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}
