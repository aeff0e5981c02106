package nodeclient

import (
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// Exchange is one request to a node, with all the messages that its body and its
// response take.
type Exchange struct {
	Code       codes.Code
	Options    message.Options // without those of blocks
	Body       []byte
	TakeBlocks bool // the request names a block size for the response (Block2)
	Deadline   time.Time
	Reply      func(msg.Response) // called once
	FromNode   bool               // set before Reply: the response is the node's own

	// Urgent is set for the write of an output's safe value, and for the read that confirms a
	// write to an output.
	// The exchange waits neither in the node's queue nor behind the one in progress, and no
	// limit refuses it. It is tried until Deadline, or until the node answers with class 2 or 4.
	Urgent bool
	// NotBefore, with Urgent, is when the first message is sent; the zero time: at once.
	NotBefore time.Time
	// Output is set for other writes to outputs: they go ahead of what waits in the node's
	// queue, and its limits do not count for them.
	Output bool
	// Anonymous is set where the client proved no identity: a few such exchanges may wait for
	// one node.
	Anonymous bool

	// Barred is set for a write to an output. It reports whether the write must not be
	// sent, or not once more.
	Barred func() bool
	// SendDeadline, with Barred, is the latest time at which the write may be transmitted,
	// also by a queue of the mesh.
	SendDeadline time.Time
	// SetSendDeadline tells the mesh the latest time at which a message from a port, with a
	// Message ID, may be transmitted to the node; nil if the mesh has no queues.
	SetSendDeadline func(port, id uint16, until time.Time) error

	fetch       *fetch       // the cache waits for the response
	observation *observation // with purpose
	purpose     purpose

	peer  *peer // since it was submitted
	phase phase
	transmission
	returns
	transfer
}

// phase is what an exchange waits for.
type phase uint8

const (
	awaitsTurn     phase = iota // in the node's queue; an urgent one: until due
	awaitsAck                   // its message is retransmitted until something comes back
	awaitsResponse              // acknowledged: the response comes as a message of its own (RFC 7252, section 5.2.2)
)

// purpose is what an exchange does about an observation of the node (RFC 7641).
type purpose uint8

const (
	registers purpose = iota
	registered
	deregisters
)

// transmission is the message that was sent last.
type transmission struct {
	token     [4]byte
	mid       uint16
	msg       []byte
	firstSent time.Time
	due       time.Time     // of the next retransmission
	wait      time.Duration // before it
	resent    int
}

// returns are the transmissions that an ICMPv6 error returned.
type returns struct {
	returnedNth      int          // the latest one, from 1; 0: none
	returnedResponse msg.Response // what its error says
	returnedSince    time.Time    // the first of an unbroken row
	returnedFor      time.Duration
}

// transfer is how far body and response have come, block by block (RFC 7959).
type transfer struct {
	mode     blockMode
	upload   msg.Block // of the body
	download msg.Block // of the response
	progress progress
	response msg.Response // as far as it is there; at the end what Reply gets
}

// blockMode is how a body goes to the node.
type blockMode uint8

const (
	bodyWhole     blockMode = iota
	bodyInBlocks            // by Block1
	withoutBlocks           // the node does not know blocks: neither Block1 nor Block2 is sent
)

// progress is how the response is read.
type progress uint8

const (
	fromFirstBlock progress = iota
	fromLaterBlock          // its first blocks came with a notification
	restarted               // it changed while it was read, and is read once more
)

// asksForBlocks reports whether the request names a block size for the response.
func (x *Exchange) asksForBlocks() bool { return x.TakeBlocks && x.mode != withoutBlocks }

// settled reports whether a response ends an urgent exchange before its deadline: the node
// took the request, or refused it for good (RFC 7252, section 5.9; 4.29 is RFC 8516).
func (x *Exchange) settled(r msg.Response) bool {
	return x.FromNode && r.Code>>5 != 5 && r.Code != msg.CodeTooMany
}

// Transmitted reports whether any message of the exchange was sent.
func (x *Exchange) Transmitted() bool { return x.msg != nil }

// verdict is what a message of a node means.
type verdict uint8

const (
	ignored         verdict = iota // late, or about nothing that was asked
	rejected                       // a Reset of the current message
	acknowledged                   // the response will come as a message of its own
	unreadable                     // an acknowledgement that cannot be read, or with another token
	answered                       // the response to the current message
	notified                       // a notification of an observation
	unexpected                     // it belongs to nothing: a confirmable one draws a Reset
	noLongerWatched                // a notification of an observation that has ended
)

// classify says what m means (RFC 7252, sections 4.2 and 5.3.2; RFC 7641, section 3.6). x
// is the node's exchange in progress, or nil; observed says that m has the token of an
// observation, and malformed that it could not be read.
func classify(x *Exchange, m *message.Message, observed, malformed bool) verdict {
	current := x != nil && uint16(m.MessageID) == x.mid
	ours := x != nil && len(m.Token) == len(x.token) && [4]byte(m.Token) == x.token
	switch m.Type {
	case message.Reset:
		if current {
			return rejected
		}
		return ignored
	case message.Acknowledgement:
		switch {
		case !current:
			return ignored
		case malformed:
			return unreadable
		case m.Code == codes.Empty:
			return acknowledged
		case !ours:
			return unreadable
		}
		return answered
	}
	switch {
	case malformed:
		return unexpected
	case ours:
		return answered
	case observed:
		return notified
	case m.Type == message.NonConfirmable && msg.Uint(m.Options, message.Observe) >= 0:
		return noLongerWatched
	}
	return unexpected
}
