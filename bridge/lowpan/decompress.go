package lowpan

import (
	"encoding/binary"

	"culvert/bridge/ipv6"
)

// maxHeaders is how many IPv6 headers fit into a packet of MTU octets.
const maxHeaders = MTU / ipv6.HeaderLen

// AppendDecompressed appends to dst the IPv6 packet in b, which starts with the dispatch octet
// behind mesh, broadcast and fragment header. For a first fragment, size is its datagram_size
// and the result is the beginning of the packet; else size is 0. On an error, which is a
// *drop.Error, dst is unchanged. dst grows by MTU octets at most, and nothing is allocated if it
// has that capacity. An elided UDP checksum is left zero: see Head.ChecksumAt. dst and b must
// not overlap.
func AppendDecompressed(dst, b []byte, p Peer, c *Contexts, size int) (out []byte, h Head, err error) {
	d := decoder{reader: reader{b: b}, out: dst}
	h, err = d.datagram(p, c, size)
	if err != nil {
		return dst, Head{ChecksumAt: -1}, err
	}
	return d.out, h, nil
}

// decoder restores one packet, or the beginning of one.
type decoder struct {
	reader
	out        []byte // dst and the packet behind it
	start      int    // offset of the packet in out
	limit      int    // greatest length of the packet
	size       int    // datagram_size; 0: the frame holds the whole packet
	contexts   *Contexts
	ghc        bool
	from, to   link // source of elided interface identifiers
	header     int  // offset in the packet of the latest IPv6 header
	nextHeader int  // offset in the packet of the Next Header field still to be filled in
	udp        int  // offset in the packet of the UDP header; 0: none
	elided     bool // the UDP checksum was elided
	// With either of these, an elided checksum cannot be computed: the destination is not the
	// final one, or the packet holds only part of the message (RFC 8200, section 8.1).
	routed, fragmented bool
	// The offsets of the IPv6 headers whose Payload Length is still to be filled in.
	headers     [maxHeaders]int16
	headerCount int
}

// link is the interface identifier that the encapsulating header gives for an elided one (RFC
// 6282, section 3.2.2), if ok.
type link struct {
	iid uint64
	ok  bool
}

// datagram restores the packet that starts at d.at.
func (d *decoder) datagram(p Peer, c *Contexts, size int) (Head, error) {
	first := d.at
	d.start, d.size, d.limit = len(d.out), size, MTU
	if size > 0 {
		d.limit = size
	}
	d.contexts, d.ghc = c, p.GHC
	d.from, d.to = linkOf(p.From), linkOf(p.To)

	kind, err := d.pages()
	if err != nil {
		return Head{}, err
	}
	switch kind {
	case dispatchIPHC:
		err = d.compressed()
	case dispatchIPv6:
		err = d.uncompressed()
	default:
		err = misplaced(kind)
	}
	if err != nil {
		return Head{}, err
	}
	h := Head{Consumed: d.at - first, Emitted: len(d.out) - d.start, ChecksumAt: -1}
	if d.elided {
		h.ChecksumAt, h.HeaderAt = d.udp+udpChecksum, d.header
	}
	return h, d.payload()
}

// misplaced returns the error for a dispatch that starts no datagram.
func misplaced(kind dispatch) error {
	switch kind {
	case dispatchNALP:
		return errNotLowpan
	case dispatchHC1:
		return errHC1
	case dispatchRFRAG:
		return errRFRAG
	case dispatchMesh:
		return errMeshTwice
	case dispatchBC0:
		return errBC0Twice
	case dispatchFRAG1, dispatchFRAGN:
		return errFragTwice
	}
	return errDispatch
}

// uncompressed skips the dispatch octet 0x41 and removes padding of the MAC layer behind the
// packet (RFC 4944, section 5.1).
func (d *decoder) uncompressed() error {
	d.at++
	b := d.b[d.at:]
	switch {
	case d.size == 0 && len(b) < ipv6.HeaderLen:
		return errIPv6Cut
	case len(b) == 0:
		return errIPv6Cut
	case b[0]>>4 != 6:
		return errVersion
	}
	if len(b) >= 6 { // a first fragment may be shorter
		n := ipv6.HeaderLen + int(binary.BigEndian.Uint16(b[4:]))
		switch {
		case d.size > 0 && n != d.size:
			return errPayloadLen
		case d.size == 0 && n > MTU:
			return errTooBig
		case d.size == 0 && n > len(b):
			return errPayloadLen
		case d.size == 0:
			d.padding(n)
		}
	}
	return nil
}

// padding removes what follows the n octets of a packet.
func (d *decoder) padding(n int) {
	if d.list != nil && len(d.b) > d.at+n {
		d.list.add(d.at+n, 0, 8*(len(d.b)-d.at-n), "MAC padding", "not part of the packet", secIPv6)
	}
	d.b = d.b[:d.at+n]
}

// compressed restores the headers of a packet that starts with IPHC.
func (d *decoder) compressed() error {
	more, err := d.iphc()
	for more && err == nil {
		more, err = d.nhc()
		if err == nil && len(d.out)-d.start > d.limit {
			err = d.overlong()
		}
	}
	return err
}

// overlong returns the error for a packet longer than d.limit.
func (d *decoder) overlong() error {
	if d.size > 0 {
		return errMismatch
	}
	return errTooBig
}

// payload copies what follows the headers and fills in the lengths, which a frame never holds
// (RFC 6282, sections 3.1 and 4.3.3).
func (d *decoder) payload() error {
	rest := d.b[d.at:]
	if len(d.out)-d.start+len(rest) > d.limit {
		return d.overlong()
	}
	if d.list != nil {
		d.list.payload(d.at, rest, d.headerCount > 0)
	}
	d.out = append(d.out, rest...)
	pkt := d.out[d.start:]
	total := len(pkt)
	if d.size > 0 {
		total = d.size
	}
	for _, at := range d.headers[:d.headerCount] {
		binary.BigEndian.PutUint16(pkt[at+4:], uint16(total-int(at)-ipv6.HeaderLen))
	}
	if d.udp > 0 {
		binary.BigEndian.PutUint16(pkt[d.udp+udpLength:], uint16(total-d.udp))
	}
	return nil
}
