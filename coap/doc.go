// Package coap is the CoAP front: one tree of resources behind every door (UDP and
// DTLS, RFC 7252; TCP and TLS, RFC 8323; the control socket, RFC 8323 framing on a
// Unix stream socket), and the client side that the commands use. What stands below
// /nodes/NODE/own is the node's own CoAP server, which the front reaches as an
// ordinary IPv6 program does: through the kernel and the mesh's TUN interface.
//
// A request takes these steps, whatever its door:
//
//  1. The door reads a message, and answers by itself what never gets further:
//     what is malformed, a ping, a repetition (udp.go, stream.go).
//  2. Server.serve asks whether who asks may (access.go), checks the options, puts a
//     body in blocks together (block.go) and finds the resource (tree.go).
//  3. The resource answers at once (nodes.go, readings.go, links.go), or queues
//     the request for its node (upstream.go), which answers later.
//  4. The answer is cut into blocks if it has to be, and goes back to its door.
//
// What was sent to a group is passed over, whatever it is (RFC 7252, section 8): nothing
// here is for groups, no group is joined, and an answer would make every host of a link
// a target. Gateways are found by mDNS.
//
// Nothing waits in a goroutine of its own: a request that is on its way to a node
// is an entry in that node's queue.
package coap
