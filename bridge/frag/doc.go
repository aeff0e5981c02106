// Package frag cuts datagrams into fragments and puts them together again (RFC
// 4944, section 5.3): the arithmetic of a fragmenter, and a reassembler with
// bounded memory. The headers' octets are lowpan's. Times are passed in.
package frag

import (
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Key tells datagrams in reassembly apart (RFC 4944, section 5.3): the mesh
// header's Originator and Final address where there is one, else the MAC header's,
// datagram_size and datagram_tag.
type Key struct {
	From, To  ieee802154.Addr
	Size, Tag uint16
}

// Options bound a Reassembler. Zero values mean the defaults.
type Options struct {
	Timeout      time.Duration // from a datagram's first fragment to its end; 60 s
	MaxDatagrams int           // in reassembly at once; 1024, of 1280 octets each
	MaxPerSender int           // of one Key.From; 16
}

// Fragment is a part of a datagram, its headers uncompressed.
type Fragment struct {
	Offset int // in the datagram, in octets
	Data   []byte
	Mark   uint32 // of the fragment with offset 0; comes back with the Datagram
	Frame  uint64 // the caller's number for the frame; comes back with an End
}

// Datagram is a complete one. Octets are good until the next call of Add.
type Datagram struct {
	Octets []byte // nil: not complete
	Mark   uint32
	Frames int
}

// End is a datagram that ended without being complete. The zero value, with Err
// nil, is none.
type End struct {
	Key
	Frames int    // that were kept
	Frame  uint64 // the number of the first of them
	Err    *drop.Error
}
