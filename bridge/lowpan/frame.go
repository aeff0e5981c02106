package lowpan

import (
	"encoding/binary"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// reader reads the octets of a frame.
type reader struct {
	b    []byte
	at   int      // offset of the next octet
	list *listing // records the fields for Describe; else nil
}

// take returns the next n octets, or the error short if there are fewer.
func (r *reader) take(n int, short *drop.Error) ([]byte, error) {
	if len(r.b)-r.at < n {
		return nil, short
	}
	r.at += n
	return r.b[r.at-n : r.at : r.at], nil
}

func (r *reader) octet(short *drop.Error) (byte, error) {
	if r.at >= len(r.b) {
		return 0, short
	}
	r.at++
	return r.b[r.at-1], nil
}

// The dispatch octets (RFC 4944, section 5.1; RFC 6282, section 2).
const (
	octetIPv6 = 0x41
	octetHC1  = 0x42
	octetBC0  = 0x50
)

// dispatch is the meaning of a dispatch octet.
type dispatch uint8

const (
	dispatchReserved dispatch = iota // including ESC, whose extensions are not in use
	dispatchNALP                     // 00xxxxxx
	dispatchIPv6                     // 0x41
	dispatchHC1                      // 0x42
	dispatchBC0                      // 0x50
	dispatchIPHC                     // 011xxxxx, 0x7f included
	dispatchMesh                     // 10xxxxxx; in page 1 a 6LoWPAN routing header
	dispatchFRAG1                    // 11000xxx
	dispatchFRAGN                    // 11100xxx
	dispatchRFRAG                    // 111010xx (RFC 8931, section 5)
	dispatchPage                     // 1111xxxx (RFC 8025, section 3)
)

func dispatchOf(o byte) dispatch {
	switch {
	case o < 0x40:
		return dispatchNALP
	case o == octetIPv6:
		return dispatchIPv6
	case o == octetHC1:
		return dispatchHC1
	case o == octetBC0:
		return dispatchBC0
	case o>>5 == 0b011:
		return dispatchIPHC
	case o>>6 == 0b10:
		return dispatchMesh
	case o>>3 == 0b11000:
		return dispatchFRAG1
	case o>>3 == 0b11100:
		return dispatchFRAGN
	case o>>2 == 0b111010:
		return dispatchRFRAG
	case o>>4 == 0b1111:
		return dispatchPage
	}
	return dispatchReserved
}

// FragmentKind is the kind of a frame's fragment header (RFC 4944, section 5.3).
type FragmentKind uint8

// The kinds of fragment headers.
const (
	Whole         FragmentKind = iota // no fragment header: the frame holds a whole datagram
	FirstFragment                     // FRAG1
	NextFragment                      // FRAGN
)

// Frame is a frame with its headers before the datagram: mesh, broadcast and fragment header,
// each optional, in this order (RFC 4944, section 5).
type Frame struct {
	Mesh              bool            // has a mesh header (section 5.2)
	Originator, Final ieee802154.Addr // of the mesh header
	HopsLeft          uint8           // of the mesh header, or Deep Hops Left

	Broadcast bool  // has a broadcast header (section 11.1)
	Sequence  uint8 // of the broadcast header

	Fragment FragmentKind
	Size     uint16 // datagram_size: octets of the whole IPv6 packet, uncompressed
	Tag      uint16 // datagram_tag
	Offset   int    // of a next fragment, in octets of the uncompressed packet

	Payload []byte // the rest of the frame, in place; at least one octet
}

// ParseFrame reads the headers before the datagram in the MAC payload b, but not the datagram
// itself. Errors are *drop.Error: headers out of order, truncated or with invalid contents.
func ParseFrame(b []byte) (Frame, error) {
	r := reader{b: b}
	return r.frame()
}

func (r *reader) frame() (Frame, error) {
	var f Frame
	for {
		if r.at == len(r.b) {
			return Frame{}, errEmpty
		}
		var err error
		switch dispatchOf(r.b[r.at]) {
		case dispatchMesh:
			if f.Mesh || f.Broadcast {
				return Frame{}, errMeshTwice
			}
			err = r.mesh(&f)
		case dispatchBC0:
			if f.Broadcast {
				return Frame{}, errBC0Twice
			}
			err = r.broadcast(&f)
		case dispatchFRAG1, dispatchFRAGN:
			if err = r.fragment(&f); err == nil {
				f.Payload = r.b[r.at:]
				return f, nil
			}
		default:
			f.Payload = r.b[r.at:]
			return f, nil
		}
		if err != nil {
			return Frame{}, err
		}
	}
}

// mesh reads a mesh addressing header (RFC 4944, section 5.2). V and F are 1 for
// a 16-bit address.
func (r *reader) mesh(f *Frame) error {
	at := r.at
	o := r.b[r.at]
	r.at++
	f.Mesh, f.HopsLeft = true, o&0xf
	deep := f.HopsLeft == 0xf
	if deep {
		hops, err := r.octet(errDeepCut)
		if err != nil {
			return err
		}
		f.HopsLeft = hops
	}
	var err error
	if f.Originator, err = r.linkAddr(o&0x20 != 0); err != nil {
		return err
	}
	if f.Final, err = r.linkAddr(o&0x10 != 0); err != nil {
		return err
	}
	if r.list != nil {
		r.list.mesh(at, *f, deep)
	}
	if f.HopsLeft == 0 {
		return errMeshHops
	}
	return nil
}

func (r *reader) linkAddr(short bool) (ieee802154.Addr, error) {
	n := 8
	if short {
		n = 2
	}
	b, err := r.take(n, errMeshCut)
	if err != nil {
		return ieee802154.Addr{}, err
	}
	if short {
		return ieee802154.Short(binary.BigEndian.Uint16(b)), nil
	}
	return ieee802154.Extended(binary.BigEndian.Uint64(b)), nil
}

// broadcast reads a broadcast header (RFC 4944, section 11.1).
func (r *reader) broadcast(f *Frame) error {
	at := r.at
	r.at++
	seq, err := r.octet(errBC0Cut)
	if err != nil {
		return err
	}
	f.Broadcast, f.Sequence = true, seq
	if r.list != nil {
		r.list.broadcast(at, seq)
	}
	return nil
}

// fragment reads a fragment header (RFC 4944, section 5.3). It refuses one that cannot belong
// to any datagram.
func (r *reader) fragment(f *Frame) error {
	at := r.at
	f.Fragment = FirstFragment
	n := 4
	if dispatchOf(r.b[at]) == dispatchFRAGN {
		f.Fragment, n = NextFragment, 5
	}
	b, err := r.take(n, errFragCut)
	if err != nil {
		return err
	}
	f.Size = binary.BigEndian.Uint16(b) & 0x7ff
	f.Tag = binary.BigEndian.Uint16(b[2:])
	if f.Fragment == NextFragment {
		f.Offset = 8 * int(b[4])
	}
	if r.list != nil {
		r.list.fragment(at, *f)
	}
	switch {
	case f.Size < 40 || f.Size > MTU:
		return errFragSize
	case f.Fragment == NextFragment && f.Offset == 0:
		return errFragOffset
	case r.at == len(r.b):
		return errFragEmpty
	}
	return nil
}

// The first octets of the fragment headers, three bits of datagram_size cleared.
const (
	octetFRAG1 = 0b11000_000
	octetFRAGN = 0b11100_000
)

// AppendFirstFragment appends a FRAG1 header (RFC 4944, section 5.3). size is at
// most 2047.
func AppendFirstFragment(dst []byte, size, tag uint16) []byte {
	dst = binary.BigEndian.AppendUint16(dst, octetFRAG1<<8|size&0x7ff)
	return binary.BigEndian.AppendUint16(dst, tag)
}

// AppendNextFragment appends a FRAGN header. offset, in octets, is a multiple of 8
// and at most 2040.
func AppendNextFragment(dst []byte, size, tag uint16, offset int) []byte {
	dst = binary.BigEndian.AppendUint16(dst, octetFRAGN<<8|size&0x7ff)
	dst = binary.BigEndian.AppendUint16(dst, tag)
	return append(dst, byte(offset/8))
}
