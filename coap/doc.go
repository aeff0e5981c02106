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

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Limits of ours.
const (
	maxBody       = 64 << 10 // octets of a request's body, and of a node's answer
	maxDatagram   = 2048     // octets of a request in one UDP datagram
	maxOptions    = 64       // options of one message
	maxQueue      = 16       // requests that wait for one node, the one under way included
	maxQueued     = 8192     // requests that wait for all nodes
	maxQueuedBody = 16 << 20 // octets of their bodies
	maxUploads    = 64       // bodies being put together from blocks
	uploadIdle    = time.Minute
	maxTransfers  = 1024     // bodies kept for the next block
	maxTransfer   = 64 << 20 // octets of them
	transferIdle  = 2 * time.Minute
	listingAge    = time.Second // for how long one rendering of a listing serves everybody
	maxSeparate   = 1024        // answers of a UDP door that wait for their acknowledgement
	maxRemembered = 1 << 16     // exchanges that a UDP door remembers against repetition
	maxRememberIP = 1 << 13     // of them, of one address
	rememberBytes = 32 << 20    // octets of answers remembered
	maxStreams    = 256         // connections of a stream door
	maxInFlight   = 64          // unanswered requests of one connection
	maxNames      = 64          // names of readings of one node
)

// Parameters of RFC 7252, section 4.8, towards clients, and by default towards
// nodes.
const (
	ackTimeout       = 2 * time.Second
	ackRandomFactor  = 1.5
	maxRetransmit    = 4
	exchangeLifetime = 247 * time.Second
	nonLifetime      = 145 * time.Second
	// defaultAckDelay is after how long the empty acknowledgement goes out (section
	// 5.2.2: before the client's retransmission timer fires).
	defaultAckDelay = time.Second
	defaultMaxAge   = 60 // seconds, section 5.10.5
)

// Option numbers that go-coap has no name for.
const (
	optOSCORE   message.OptionID = 9  // RFC 8613
	optHopLimit message.OptionID = 16 // RFC 8768
)

// Code of RFC 8768, section 4: Hop Limit Reached.
const codeHopLimitReached codes.Code = 5<<5 | 8

// Content-Formats (RFC 7252, section 12.3).
const (
	formatText      = 0
	formatLink      = 40
	formatJSON      = 50
	formatSenMLJSON = 110 // RFC 8428
	formatSenMLCBOR = 112
)

// portCoAP is the default port (RFC 7252, section 6.1).
const portCoAP = 5683
