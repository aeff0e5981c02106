package forward

import (
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
)

// sampleEvery is how many packets of a node come to one whose checksum is verified.
// A router need not verify any; a sample finds a node that compresses addresses
// against another context 0, whose packets nobody answers (RFC 6282, section 3.1.2).
const sampleEvery = 16

// sampleChecksum verifies the checksum of one packet of n in sampleEvery, the first
// one included, and counts the result with the node. The packet goes on either way:
// its destination decides.
func sampleChecksum(n *node.Node, p ipv6.Packet, received uint64) {
	if received%sampleEvery != 1 {
		return
	}
	switch p.NextHeader() {
	case ipv6.ProtoICMPv6, ipv6.ProtoUDP, ipv6.ProtoTCP:
	default:
		return // behind an extension header, or of a protocol without a checksum
	}
	t := n.Traffic()
	t.ChecksumsTried.Add(1)
	if !ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), p.NextHeader(), p.Payload()) {
		t.ChecksumsWrong.Add(1)
	}
}
