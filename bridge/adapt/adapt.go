// Package adapt is one end of the 6LoWPAN adaptation layer: a Receiver turns the
// frames of a mesh into IPv6 packets, a Sender turns packets into frames. It joins
// lowpan (RFC 6282) and frag (RFC 4944, section 5.3), and owns reassembly, datagram
// tags and the ages of broadcasts. The packet path, the simulator's nodes and the
// commands explain and compress use it alone. Times are passed in; nothing here
// starts a goroutine or allocates per packet.
package adapt
