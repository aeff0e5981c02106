package lowpan

import "culvert/bridge/ieee802154"

// FragmentKind says which fragment header a frame has (RFC 4944, section 5.3).
type FragmentKind uint8

// The kinds of fragment headers.
const (
	Whole         FragmentKind = iota // none: the frame holds a whole datagram
	FirstFragment                     // FRAG1
	NextFragment                      // FRAGN
)

// Frame is what stands in a frame before the datagram: mesh, broadcast and
// fragment header, each of them optional, in this order (RFC 4944, section 5).
type Frame struct {
	Mesh              bool            // a mesh header is there (section 5.2)
	Originator, Final ieee802154.Addr // of the mesh header
	HopsLeft          uint8           // of the mesh header, deep hops included

	Broadcast bool  // a broadcast header is there (section 11.1)
	Sequence  uint8 // of the broadcast header

	Fragment FragmentKind
	Size     uint16 // datagram_size: octets of the whole IPv6 packet, uncompressed
	Tag      uint16 // datagram_tag
	Offset   int    // of a next fragment, in octets of the uncompressed packet

	Payload []byte // what follows, in place
}

// ParseFrame reads the headers before the datagram in the MAC payload b. Errors
// are *drop.Error: the dispatch octet is not one of a datagram or such a header,
// the headers are not in order, or one of them is cut short. The datagram itself is
// not looked into beyond its first octet.
func ParseFrame(b []byte) (Frame, error) {
	return Frame{Payload: b}, nil
}

// AppendFirstFragment appends a FRAG1 header (RFC 4944, section 5.3).
func AppendFirstFragment(dst []byte, size, tag uint16) []byte {
	return dst
}

// AppendNextFragment appends a FRAGN header; offset, in octets, is a multiple of 8.
func AppendNextFragment(dst []byte, size, tag uint16, offset int) []byte {
	return dst
}
