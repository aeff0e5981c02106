// Package sim is a simulated mesh on the radio's side of the radio link protocol
// (bridge/radio, PROTOCOL.md): nodes with a 6LoWPAN adaptation layer of their own
// (RFC 4944, RFC 6282), that answer ICMPv6 echo (RFC 4443), serve CoAP (RFC 7252)
// and publish readings as SenML (RFC 8428), over a time-slotted multi-hop network
// that loses frames.
//
// A Mesh is the model: it has no goroutine, no lock and no clock, and the same seed
// with the same calls at the same times gives the same events. A Radio runs a Mesh
// against the wall clock and joins it to a connection.
//
// What the model leaves out: frames that disturb each other, acknowledgements that
// are lost though their frame arrived (so no frame comes twice), the octets that
// relays would need to find their way, energy, and security. The gateway's radio
// learns at once what becomes of a frame and where a node joins, where a real one
// would hear of it some slotframes later.
package sim
