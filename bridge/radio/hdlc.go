package radio

import (
	"encoding/binary"
	"hash/crc32"
)

// Octets of the framing (RFC 1662, sections 3.1, 4.2 and 7.1).
const (
	frameFlag = 0x7e // ends one frame and begins the next
	escape    = 0x7d // the next octet was complemented in its sixth bit
	flip      = 0x20
	xon       = 0x11 // software flow control that the line may put in by itself
	xoff      = 0x13
	fcsSize   = 4 // the 32-bit FCS (RFC 1662, appendix C.3)
)

// The bounds of this link. A frame with fewer octets than minFrame between its
// flags is dropped without being counted as an error (RFC 1662, 4.3, which asks it
// of those below 4; ours must hold an FCS, an array head and a kind).
const (
	// MaxPayload is the largest MAC payload in octets that a record can carry:
	// aMaxPHYPacketSize is 127 for most PHYs of IEEE Std 802.15.4 and 2047 for the
	// SUN ones.
	MaxPayload = 2047
	// MaxRecord is the largest record in octets, with its check sequence, before
	// octets are escaped. Longer ones are discarded up to the next flag.
	MaxRecord = 2304

	minFrame = 6
)

// AppendFramed appends body to dst as it goes over the line: a flag, the body and
// its FCS with octets escaped, a flag (RFC 1662, section 4).
func AppendFramed(dst, body []byte) []byte {
	var fcs [fcsSize]byte
	binary.LittleEndian.PutUint32(fcs[:], crc32.ChecksumIEEE(body))
	dst = append(dst, frameFlag)
	dst = appendEscaped(dst, body)
	dst = appendEscaped(dst, fcs[:])
	return append(dst, frameFlag)
}

func appendEscaped(dst, b []byte) []byte {
	start := 0
	for i, c := range b {
		if !special(c) {
			continue
		}
		dst = append(dst, b[start:i]...)
		dst = append(dst, escape, c^flip)
		start = i + 1
	}
	return append(dst, b[start:]...)
}

// special reports whether c is one of the four octets that are escaped: it is asked
// for each octet of the line, hence two comparisons for four.
func special(c byte) bool { return c-escape < 2 || c|2 == xoff }

// LineStats count what a Splitter met. Idle flags are in none of them.
type LineStats struct {
	Frames  uint64 // good ones
	BadFCS  uint64 // frames whose check sequence is wrong
	Short   uint64 // frames of fewer than 6 octets
	Aborted uint64 // frames that ended in 0x7d 0x7e
	TooLong uint64 // frames of more than MaxRecord octets
	Garbage uint64 // octets of the line that belonged to no good frame
}

// Splitter finds the frames in a stream of octets. It resynchronises at every
// flag, holds one frame of at most MaxRecord octets, and never fails. The zero
// value is ready.
type Splitter struct {
	stats   LineStats
	n       int  // octets of the frame so far
	raw     int  // the same as they came, escapes included
	escaped bool // the last octet was an escape
	skip    bool // too long: discard up to the next flag
	buf     [MaxRecord]byte
}

// Feed takes octets from in until a good frame is complete or in is used up. It
// returns the number taken and the frame's body without its FCS, nil if none is
// complete. The body is good until the next Feed.
func (s *Splitter) Feed(in []byte) (body []byte, taken int) {
	for i := 0; i < len(in); {
		if s.escaped && in[i] != frameFlag {
			s.escaped = false
			s.put(in[i] ^ flip)
			s.raw++
			i++
			continue
		}
		run := i
		for run < len(in) && !special(in[run]) {
			run++
		}
		s.put(in[i:run]...)
		s.raw += run - i
		if i = run; i == len(in) {
			break
		}
		c := in[i]
		i++
		switch c {
		case frameFlag:
			if body := s.end(); body != nil {
				return body, i
			}
			continue
		case escape:
			s.escaped = true
		case xon, xoff:
			// Put in by the line: a sender escapes its own (RFC 1662, section 4.2).
		}
		s.raw++
	}
	return nil, len(in)
}

// put adds octets to the frame, which is given up when it grows too long.
func (s *Splitter) put(b ...byte) {
	if s.skip {
		return
	}
	if s.n+len(b) > len(s.buf) {
		s.skip = true
		s.stats.TooLong++
		return
	}
	s.n += copy(s.buf[s.n:], b)
}

// end judges what stands before a flag, and begins the next frame.
func (s *Splitter) end() []byte {
	n, raw, escaped, skip := s.n, s.raw, s.escaped, s.skip
	s.n, s.raw, s.escaped, s.skip = 0, 0, false, false
	switch {
	case raw == 0: // flags may repeat while the line idles (RFC 1662, section 4.1)
		return nil
	case skip: // counted when it grew too long
	case escaped:
		s.stats.Aborted++
	case n < minFrame:
		s.stats.Short++
	case crc32.ChecksumIEEE(s.buf[:n-fcsSize]) != binary.LittleEndian.Uint32(s.buf[n-fcsSize:]):
		s.stats.BadFCS++
	default:
		s.stats.Frames++
		return s.buf[:n-fcsSize]
	}
	s.stats.Garbage += uint64(raw)
	return nil
}

// Stats returns the counts so far.
func (s *Splitter) Stats() LineStats { return s.stats }
