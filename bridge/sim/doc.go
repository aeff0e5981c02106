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
//
// # What a node serves
//
// On UDP port 5683. Numbers in brackets are Content-Formats, the first one without an
// Accept option. Every representation has an entity tag and is validated by it
// (2.03), and If-Match and If-None-Match hold everywhere (4.12); a representation of
// more than 64 octets goes in blocks of 64 (Block2), requests to /config, /label and
// /log may come in blocks (Block1, 1,024 octets at most in all, one body at a time).
//
//	/.well-known/core  GET       links [40], filtered by one query (RFC 6690); Max-Age 3600
//	/temp /hum /batt   GET, obs  a number [0], SenML [110, 112]; Max-Age 10
//	/readings          GET, obs  all three as SenML [110, 112]; Max-Age 10
//	/period            GET, PUT  seconds between reports, 1 to 86400 [0]; Max-Age 0
//	/output            GET, PUT, obs  0 or 1 [0]; Max-Age 0; see below
//	/output/lease      GET       seconds that the lease still holds, rounded up; 0: there is none [0]; Max-Age 0
//	/label             GET, PUT, DELETE  a text of 1 to 1,024 octets [0]; not there at first (4.04);
//	                   PUT gives 2.01 the first time, then 2.04
//	/config            GET, PUT, FETCH, PATCH, iPATCH  three whole numbers [50, 60]:
//	                   {"temp_low":2,"temp_high":30,"hum_high":95}
//	/log               GET, POST, DELETE  about 2,000 octets of lines, the latest first [0];
//	                   POST of a line of 1 to 64 octets gives 2.01 with Location-Path log, NUMBER;
//	                   DELETE leaves it empty (2.05 without a payload)
//	/log/NUMBER        GET       one line [0]
//
// The limits in /config are kept, and nothing depends on them. PUT [50, 60] replaces
// all, what is missing takes its default. FETCH takes an array of names ["hum_high"]
// [50, 60] and answers with a map of those, in the format of the Accept option or of
// the request. PATCH and iPATCH take a merge patch [52] (RFC 7396); null brings a
// default back. A number out of range or an unknown name is 4.22, temp_low above
// temp_high 4.09.
//
// A boot brings all defaults back.
//
// Once a period a node publishes its readings: SenML [110] in a non-confirmable POST
// to the gateway's /readings. A node whose plan names a port (Place.Bare) sends a bare
// datagram of 7 octets from and to that port instead, in network order: int16, 0.01
// degrees Celsius; uint16, 0.1 % relative humidity; uint16, millivolts; uint8, bit 0:
// the output is on.
//
// # The output
//
// PUT /output with payload 1 (or on) and the query for=SECONDS, 1 to 86400, switches
// it on under a lease: when that ends, the node itself switches back to 0, whatever
// the radio does meanwhile. Every PUT replaces value and lease: 1 without for holds
// until the next write or boot, 0 (or off) ends both. Another query, or for with 0,
// is 4.00 and changes nothing. While the local interlock is engaged (command
// interlock, Mesh.Interlock) the output is 0 and PUT of 1 is refused with 4.09. GET
// /output tells the truth. Nothing moves behind a simulated output. On a real site
// one starts a pump: that needs an interlock beside the machine which holds whatever
// arrives over the network, and local codes decide.
//
// # Observation
//
// RFC 7641, by GET. A node has at most 4 observers; a fifth one is answered without
// the Observe option. An observer is an address, a port and a token; registering
// again replaces. A notification goes out each period (/period; one minute where the
// nodes publish nothing), and for /output at every change. Every 8th one, and one
// each 24 hours, is confirmable, the others not; while one is unacknowledged no other
// goes to that observer, and the latest state follows it. The Observe value goes up
// by one with each notification of the node, and starts anywhere after a boot.
// Notifications and the answer that begins an observation have a Max-Age of the
// period and 10 seconds. A long representation has its first block in the
// notification. An observation ends by GET with Observe 1 and its token, by a Reset,
// by five confirmable transmissions without an answer, by a boot.
//
// # Faults
//
// Each is a command (see Commands) and a method of Mesh: Slow, Silence, Mute,
// Reboot, StaleOrder, Duplicate, Interlock, ChangeTags, AddLog, Notify. NodeStats
// counts the CoAP messages that a node received and sent, everything included, and
// Observers tells who observes with which token.
package sim
