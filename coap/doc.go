// Package coap is the CoAP front: the tree of resources behind every door. It assembles
// the rooms below it (DEVELOPERS.md lists them). What stands below /nodes/NODE/own is the
// node's own CoAP server, which the front reaches as an ordinary IPv6 program does: through
// the kernel and the mesh's TUN interface.
//
// A request takes these steps, whatever its door:
//
//  1. The door (coap/door) reads a message and parses the request's path. It answers by
//     itself what is malformed, a ping, or a repeated request.
//  2. Server.serve checks the client's rights (refuse.go) and the options, assembles a body
//     that arrives in blocks, and finds the resource (tree.go).
//  3. The resource responds at once, or the request is queued for its node
//     (coap/nodeclient), which responds later.
//  4. The response is cut into blocks if need be, and goes back to its door.
//
// Requests to a group are ignored (RFC 7252, section 8): no resource is for groups, the
// front joins none, and a response would make every host of a link a target. Gateways are
// found by mDNS.
//
// A request in progress is an entry in its node's queue and has no goroutine. Only writes to
// outputs and lock-outs have one each, while they wait for the disk.
package coap
