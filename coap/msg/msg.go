// Package msg holds CoAP requests and responses as every door and resource sees them:
// options, paths, blocks, links and URIs (RFC 7252, 7959, 6690). It does no I/O, reads
// no clock and logs nothing.
package msg

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Limits of every message. They are our choice.
const (
	MaxBody    = 64 << 10 // octets of a request's body, and of a node's response
	MaxOptions = 64       // options of one message
)

// Parameters of RFC 7252, section 4.8, towards clients, and by default towards nodes.
const (
	AckTimeout       = 2 * time.Second
	AckRandomFactor  = 1.5
	MaxRetransmit    = 4
	ExchangeLifetime = 247 * time.Second
	NonLifetime      = 145 * time.Second
)

// DefaultMaxAge is the Max-Age of a response without that option, in seconds (RFC
// 7252, section 5.10.5).
const DefaultMaxAge = 60

// PortCoAP is the default port (RFC 7252, section 6.1).
const PortCoAP = 5683

// Option numbers without a name in go-coap.
const (
	OptOSCORE   message.OptionID = 9  // RFC 8613
	OptHopLimit message.OptionID = 16 // RFC 8768
)

// OptConfirmed says, on the control socket alone, that a person has confirmed the write.
// The number is one for experiments (RFC 7252, section 12.2); it is critical and unsafe
// to forward, so that every other door answers 4.02.
const OptConfirmed message.OptionID = 65003

// CodeHopLimitReached is 5.08 Hop Limit Reached (RFC 8768, section 4).
const CodeHopLimitReached codes.Code = 5<<5 | 8

// CodeTooMany is 4.29 Too Many Requests (RFC 8516): Max-Age says when to try again.
const CodeTooMany codes.Code = 4<<5 | 29

// Content-Formats (RFC 7252, section 12.3; RFC 8428, section 12.3).
const (
	FormatText      = 0
	FormatLink      = 40
	FormatJSON      = 50
	FormatSenMLJSON = 110
	FormatSenMLCBOR = 112
)
