package dissect

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"culvert/cmd/culvert/internal/cli"
)

// udpPortCoAP is the port of CoAP over UDP (RFC 7252, section 6.1).
const udpPortCoAP = 5683

// coapOptions names options (IANA registry of CoAP option numbers). The values of those in
// coapTexts are text, of those in coapNumbers unsigned numbers, of the others octets.
var (
	coapOptions = map[int]string{
		1: "If-Match", 3: "Uri-Host", 4: "ETag", 5: "If-None-Match", 6: "Observe", 7: "Uri-Port", 8: "Location-Path",
		9: "OSCORE", 11: "Uri-Path", 12: "Content-Format", 14: "Max-Age", 15: "Uri-Query", 16: "Hop-Limit", 17: "Accept",
		20: "Location-Query", 23: "Block2", 27: "Block1", 28: "Size2", 35: "Proxy-Uri", 39: "Proxy-Scheme", 60: "Size1",
		252: "Echo", 258: "No-Response", 292: "Request-Tag",
	}
	coapTexts   = []int{3, 8, 11, 15, 20, 35, 39}
	coapNumbers = []int{6, 7, 12, 14, 16, 17, 28, 60, 258}
	coapMethods = []string{"empty", "GET", "POST", "PUT", "DELETE", "FETCH", "PATCH", "iPATCH"}
)

// coap decodes the CoAP message from at to the end (RFC 7252, section 3). If there is none,
// it adds no row and returns false.
func (f *fields) coap(at int) bool {
	b := f.b[at:]
	if len(b) < 4 || b[0]>>6 != 1 || b[0]&15 > 8 || len(b) < 4+int(b[0]&15) {
		return false
	}
	before := len(f.rows)
	f.bits(at, 0, 2, "CoAP version", "1", "RFC 7252, 3")
	f.bits(at, 2, 2, "type", []string{"confirmable", "non-confirmable", "acknowledgement", "reset"}[b[0]>>4&3], "RFC 7252, 3")
	n := int(b[0] & 15)
	f.bits(at, 4, 4, "token length", cli.Plural(n, "octet"), "RFC 7252, 3")
	code := fmt.Sprintf("%d.%02d", b[1]>>5, b[1]&31)
	if int(b[1]) < len(coapMethods) {
		code = coapMethods[b[1]]
	}
	f.octets(at+1, 1, "code", code, "RFC 7252, 12.1")
	f.number(at+2, 2, "message id", "", "RFC 7252, 3")
	if n > 0 {
		f.octets(at+4, n, "token", "", "RFC 7252, 3")
	}
	if !f.coapOptions(at + 4 + n) {
		f.rows = f.rows[:before]
		return false
	}
	return true
}

// coapOptions adds a row for each option from at on, and one for the payload
// (RFC 7252, section 3.1).
func (f *fields) coapOptions(at int) bool {
	number := 0
	for at < len(f.b) {
		if f.b[at] == 0xff {
			if at+1 == len(f.b) {
				return false
			}
			f.octets(at, 1, "payload marker", "", "RFC 7252, 3")
			f.rest(at+1, "CoAP payload")
			return true
		}
		start := at
		delta, length := int(f.b[at]>>4), int(f.b[at]&15)
		at++
		ok := true
		if delta, at, ok = f.coapExtended(delta, at); !ok {
			return false
		}
		if length, at, ok = f.coapExtended(length, at); !ok || length > len(f.b)-at {
			return false
		}
		number += delta
		f.octets(start, at+length-start, "option", coapOption(number, f.b[at:at+length]), "RFC 7252, 3.1")
		at += length
	}
	return true
}

// coapExtended returns the value of option nibble n, whose extension octets start at at.
func (f *fields) coapExtended(n, at int) (value, next int, ok bool) {
	switch {
	case n < 13:
		return n, at, true
	case n == 13 && at+1 <= len(f.b):
		return 13 + int(f.b[at]), at + 1, true
	case n == 14 && at+2 <= len(f.b):
		return 269 + int(binary.BigEndian.Uint16(f.b[at:])), at + 2, true
	}
	return 0, at, false
}

func coapOption(number int, v []byte) string {
	name := coapOptions[number]
	if name == "" {
		name = fmt.Sprintf("number %d", number)
	}
	switch {
	case slices.Contains(coapTexts, number):
		return name + " " + strings.Trim(fmt.Sprintf("%q", v), `"`)
	case slices.Contains(coapNumbers, number) && len(v) <= 4:
		n := 0
		for _, o := range v {
			n = n<<8 | int(o)
		}
		return fmt.Sprintf("%s %d", name, n)
	case number == 23 || number == 27:
		return name + " " + coapBlock(v)
	case len(v) == 0:
		return name
	}
	return name + " " + hex.EncodeToString(v[:min(len(v), 16)])
}

// coapBlock describes a block option (RFC 7959, section 2.2).
func coapBlock(v []byte) string {
	if len(v) > 3 {
		return "of invalid length"
	}
	n := 0
	for _, o := range v {
		n = n<<8 | int(o)
	}
	size := cli.Plural(16<<(n&7), "octet")
	if n&7 == 7 {
		size = "a reserved size"
	}
	return fmt.Sprintf("number %d, %s, %s", n>>4, choose(n&8 != 0, "more follow", "the last"), size)
}
