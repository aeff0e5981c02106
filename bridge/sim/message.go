package sim

import (
	"encoding/binary"
	"errors"
	"strings"
)

// Message types (RFC 7252, section 3).
const (
	typeCON byte = 0
	typeNON byte = 1
	typeACK byte = 2
	typeRST byte = 3
)

// Codes (RFC 7252, sections 5.8 and 5.9; RFC 7959, section 2.9; RFC 8132, section 6).
const (
	codeEmpty        byte = 0
	codeGET          byte = 1
	codePOST         byte = 2
	codePUT          byte = 3
	codeDELETE       byte = 4
	codeFETCH        byte = 5
	codePATCH        byte = 6
	codeIPATCH       byte = 7
	codeCreated      byte = 2<<5 | 1
	codeDeleted      byte = 2<<5 | 2
	codeValid        byte = 2<<5 | 3
	codeChanged      byte = 2<<5 | 4
	codeContent      byte = 2<<5 | 5
	codeContinue     byte = 2<<5 | 31
	codeBadRequest   byte = 4 << 5
	codeBadOption    byte = 4<<5 | 2
	codeNotFound     byte = 4<<5 | 4
	codeNoMethod     byte = 4<<5 | 5
	codeNotAccept    byte = 4<<5 | 6
	codeIncomplete   byte = 4<<5 | 8
	codeConflict     byte = 4<<5 | 9
	codePrecondition byte = 4<<5 | 12
	codeTooLarge     byte = 4<<5 | 13
	codeUnsupported  byte = 4<<5 | 15
	codeUnprocessed  byte = 4<<5 | 22
	codeInternal     byte = 5 << 5
	codeProxyRefused byte = 5<<5 | 5
)

// Option numbers (RFC 7252, section 5.10; RFC 7641, section 2; RFC 7959, section 2.1).
const (
	optionIfMatch       = 1
	optionUriHost       = 3
	optionETag          = 4
	optionIfNoneMatch   = 5
	optionObserve       = 6
	optionUriPort       = 7
	optionLocationPath  = 8
	optionUriPath       = 11
	optionContentFormat = 12
	optionMaxAge        = 14
	optionUriQuery      = 15
	optionAccept        = 17
	optionBlock2        = 23
	optionBlock1        = 27
	optionSize2         = 28
	optionProxyUri      = 35
	optionProxyScheme   = 39
	optionSize1         = 60
)

// Content formats (RFC 7252, section 12.3; RFC 8132, section 6; RFC 8428, section 12.3).
const (
	formatText      = 0
	formatLinks     = 40
	formatJSON      = 50
	formatMerge     = 52 // application/merge-patch+json, RFC 7396
	formatCBOR      = 60
	formatSenML     = 110
	formatSenMLCBOR = 112
)

// message is one CoAP message. Its slices alias what it was read from.
type message struct {
	kind    byte
	code    byte
	id      uint16
	token   []byte
	options []byte // checked: every option is whole
	payload []byte
}

// Errors of parseMessage. errIgnore: be silent about it. errFormat: a message format
// error, to be rejected; the message has kind and id (RFC 7252, sections 3 and 4.2).
var (
	errIgnore = errors.New("sim: no CoAP message of this version")
	errFormat = errors.New("sim: CoAP message format error")
)

// parseMessage reads a CoAP message from a UDP payload (RFC 7252, section 3).
func parseMessage(b []byte) (m message, err error) {
	if len(b) < 4 || b[0]>>6 != 1 {
		return m, errIgnore
	}
	m.kind = b[0] >> 4 & 3
	m.code = b[1]
	m.id = binary.BigEndian.Uint16(b[2:])
	n := int(b[0] & 15)
	rest := b[4:]
	if n > 8 || len(rest) < n {
		return m, errFormat
	}
	if m.code == codeEmpty && len(b) > 4 {
		return m, errFormat // section 4.1
	}
	m.token, rest = rest[:n:n], rest[n:]
	options := rest
	for len(rest) > 0 {
		if rest[0] == 0xff {
			m.payload = rest[1:]
			if len(m.payload) == 0 {
				return m, errFormat
			}
			break
		}
		_, _, after, ok := nextOption(rest)
		if !ok {
			return m, errFormat
		}
		rest = after
	}
	m.options = options[:len(options)-len(rest)]
	return m, nil
}

// nextOption reads the option at the start of b: the difference of its number to
// the one before, and its value (RFC 7252, section 3.1).
func nextOption(b []byte) (delta int, value, rest []byte, ok bool) {
	delta, length := int(b[0]>>4), int(b[0]&15)
	b = b[1:]
	if delta, b, ok = extended(delta, b); !ok {
		return 0, nil, nil, false
	}
	if length, b, ok = extended(length, b); !ok || len(b) < length {
		return 0, nil, nil, false
	}
	return delta, b[:length:length], b[length:], true
}

// extended completes a delta or length of 13 or 14; 15 is reserved.
func extended(v int, b []byte) (int, []byte, bool) {
	switch {
	case v < 13:
		return v, b, true
	case v == 13 && len(b) >= 1:
		return int(b[0]) + 13, b[1:], true
	case v == 14 && len(b) >= 2:
		return int(binary.BigEndian.Uint16(b)) + 269, b[2:], true
	}
	return 0, b, false
}

// uintOption reads an option value of the format uint (RFC 7252, section 3.2). Its
// length has been checked.
func uintOption(v []byte) (n uint32) {
	for _, o := range v {
		n = n<<8 | uint32(o)
	}
	return n
}

// composer appends a message; options must come in the order of their numbers.
type composer struct {
	b    []byte
	last int
}

// compose starts a message behind what is in b.
func compose(b []byte, kind, code byte, id uint16, token []byte) composer {
	b = append(b, 1<<6|kind<<4|byte(len(token)), code)
	b = binary.BigEndian.AppendUint16(b, id)
	return composer{b: append(b, token...)}
}

func (c *composer) option(number int, value []byte) {
	delta := number - c.last
	c.last = number
	at := len(c.b)
	c.b = append(c.b, 0)
	high := nibble(&c.b, delta)
	low := nibble(&c.b, len(value))
	c.b[at] = high<<4 | low
	c.b = append(c.b, value...)
}

// nibble returns the four bits for v and appends what extends them.
func nibble(b *[]byte, v int) byte {
	switch {
	case v < 13:
		return byte(v)
	case v < 269:
		*b = append(*b, byte(v-13))
		return 13
	}
	*b = binary.BigEndian.AppendUint16(*b, uint16(v-269))
	return 14
}

// uint adds an option of the format uint, without leading zeros.
func (c *composer) uint(number int, v uint32) {
	var raw [4]byte
	binary.BigEndian.PutUint32(raw[:], v)
	i := 0
	for i < 4 && raw[i] == 0 {
		i++
	}
	c.option(number, raw[i:])
}

// path adds an option for each segment of a path without its first slash.
func (c *composer) path(number int, path string) {
	for path != "" {
		var segment string
		segment, path, _ = strings.Cut(path, "/")
		c.option(number, []byte(segment))
	}
}

// payload ends the message.
func (c *composer) payload(p []byte) []byte {
	if len(p) > 0 {
		c.b = append(c.b, 0xff)
		c.b = append(c.b, p...)
	}
	return c.b
}
