// Package adapt is one end of the 6LoWPAN adaptation layer. A Receiver turns the frames of a mesh
// into IPv6 packets, a Sender turns packets into frames. Package adapt joins lowpan (RFC 6282) and
// frag (RFC 4944, section 5.3) and keeps reassembly, datagram tags and the broadcasts received.
// The packet path, the simulator's nodes and the commands explain and compress use it. The time is
// passed in. It starts no goroutine and allocates nothing per packet.
package adapt
