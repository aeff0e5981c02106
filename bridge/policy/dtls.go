package policy

import "encoding/binary"

// DTLS records (RFC 6347, section 4.1; RFC 9147, section 4; RFC 9146, section 4).
const (
	contentFirst     = 20 // change_cipher_spec
	contentHandshake = 22
	contentCID       = 25 // tls12_cid
	contentLast      = 26 // ack
	recordHeaderLen  = 13
	versionMajor     = 0xfe // of DTLS 1.0 and 1.2; in DTLS 1.3 of plaintext records

	messageHeaderLen = 12 // of a handshake message (RFC 6347, section 4.2.2)
	clientHello      = 1

	// The unified header of DTLS 1.3 (RFC 9147, section 4): 001CSLEE.
	unifiedMask, unified = 0xe0, 0x20
	unifiedCID           = 0x10
	unifiedLongSequence  = 0x08
	unifiedLength        = 0x04
)

// readRecords goes through all records of a datagram. hello reports that one of them is a
// ClientHello or a piece of one; readable, that the datagram holds nothing but records, none
// of which can hide a handshake in the clear.
func readRecords(b []byte) (hello, readable bool) {
	if len(b) == 0 {
		return false, false
	}
	for len(b) > 0 {
		n := 0
		switch c := b[0]; {
		case c == contentCID:
			// Only the two ends know how long the connection ID is, and so where the next
			// record begins.
			return false, !hidesHandshake(b[1:])
		case c >= contentFirst && c <= contentLast:
			if len(b) < recordHeaderLen || b[1] != versionMajor {
				return false, false
			}
			n = recordHeaderLen + int(binary.BigEndian.Uint16(b[11:]))
			if h, ok := helloIn(b[:min(n, len(b))]); h || !ok || n > len(b) {
				return h, h && n <= len(b)
			}
		case c&unifiedMask == unified:
			if c&unifiedCID != 0 || c&unifiedLength == 0 { // without a length it ends with the datagram
				return false, !hidesHandshake(b[1:])
			}
			at := 2
			if c&unifiedLongSequence != 0 {
				at = 3
			}
			if len(b) < at+2 {
				return false, false
			}
			if n = at + 2 + int(binary.BigEndian.Uint16(b[at:])); n > len(b) {
				return false, false
			}
		default:
			return false, false
		}
		b = b[n:]
	}
	return false, true
}

// helloIn reports whether a record, which begins with its 13 octets of header, carries a
// piece of a ClientHello in the clear, and whether its handshake messages can be read.
func helloIn(b []byte) (hello, readable bool) {
	if b[0] != contentHandshake || b[3] != 0 || b[4] != 0 { // in epoch 0 nothing is encrypted
		return false, true
	}
	for b = b[recordHeaderLen:]; len(b) > 0; {
		if len(b) < messageHeaderLen {
			return false, false
		}
		if b[0] == clientHello {
			return true, true
		}
		n := messageHeaderLen + int(b[9])<<16 + int(binary.BigEndian.Uint16(b[10:]))
		if n > len(b) {
			return false, false
		}
		b = b[n:]
	}
	return false, true
}

// hidesHandshake reports whether a handshake in the clear may begin anywhere in b.
func hidesHandshake(b []byte) bool {
	for ; len(b) >= recordHeaderLen; b = b[1:] {
		if b[0] == contentHandshake && b[1] == versionMajor && b[3] == 0 && b[4] == 0 {
			return true
		}
	}
	return false
}
