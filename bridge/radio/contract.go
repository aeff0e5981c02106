// Package radio holds the contract between culvert and whatever moves its frames
// (Attachment), the radio link protocol that PROTOCOL.md beside this file
// describes, and the attachments that speak it: over a serial line, a stream
// socket, and the standard input and output of a process.
package radio

import (
	"errors"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Attachment is one connection to a radio side. One goroutine calls Receive and
// one calls Send; Close may be called from anywhere, more than once.
type Attachment interface {
	// Receive waits for the next event, whose slices alias b and are good until the
	// next call. b holds at least MaxRecord octets. The attachment reconnects by
	// itself (Down, then Up); an error is final: net.ErrClosed after Close, else
	// what cannot mend.
	Receive(b []byte) (Event, error)
	// Send hands over one frame under an id of the caller's choice, which no
	// unresolved frame may share. It neither waits for the radio nor keeps the
	// payload. A nil error promises one Result event with that id, or a Down event
	// that ends all that are unresolved. Any error promises no event, and the frame
	// did not leave: ErrNoCredit until a Result or Credits event, ErrDown until Up,
	// ErrTooLong and ErrAddress never with this frame.
	Send(f Frame, id uint32) error
	// Close ends both directions; a blocked call returns net.ErrClosed.
	Close() error
}

// Errors of Send, and the last one of what a radio may lack.
var (
	ErrNoCredit = errors.New("radio: no credit: as many frames are unresolved as the radio takes")
	ErrDown     = errors.New("radio: down")
	ErrTooLong  = errors.New("radio: payload longer than the radio carries to this address")
	ErrAddress  = errors.New("radio: frame without a destination")
	ErrID       = errors.New("radio: id of a frame that is unresolved")
	ErrNotAble  = errors.New("radio: the radio lacks the feature")
)

// Frame is one frame on the mesh. Payload is the MAC payload: what follows the
// MAC header, without security and check sequence.
type Frame struct {
	From, To ieee802154.Addr
	Payload  []byte
	At       time.Time // arrival, from the radio's microseconds since its boot
	Signal   int8      // dBm; 0 is unknown
	Hops     uint8     // radio links passed; 0 is unknown
	Priority Priority
}

// Priority is the class of a frame that is sent; a higher one goes first.
type Priority uint8

// The classes, lowest first (DEVELOPERS.md, sending).
const (
	PriorityData    Priority = iota // everything else
	PriorityControl                 // control writes
	PriorityNetwork                 // neighbour discovery and ICMPv6 errors
)

// Kind says what an Event is, and so which of its fields are set.
type Kind uint8

// The kinds of events. The fields that each sets stand beside it.
const (
	EventNone     Kind = iota
	EventUp            // Info, Credits: the radio is there; a list of its nodes follows
	EventDown          // Cause: the radio is gone, and all that was unresolved has failed
	EventFrame         // Frame: arrived from the mesh
	EventResult        // ID, Outcome: what became of a frame that was sent
	EventCredits       // Credits: how many frames may be unresolved in all, from now on
	EventAttached      // Node: has joined the mesh, or is listed after up
	EventDetached      // Node.Addr: has left the mesh
	EventParent        // Node.Addr, Node.Parents: takes other parents now
	EventSnapshot      // the list of nodes after up is complete; others are silent
	EventLink          // Link: statistics of one radio link
	EventBattery       // Node.Addr, Battery
	EventText          // Text: a line for the log
	EventDiscard       // Node.Addr, Reason, Count, Text: the radio threw frames away, and why
)

// Event is one thing that the radio says.
type Event struct {
	Kind    Kind
	Outcome Outcome
	ID      uint32
	Credits int
	Count   uint32 // frames that a discard speaks of; 0 means 1
	Frame   Frame
	Node    NodeInfo
	Info    Info
	Link    LinkStats
	Battery Battery
	Text    string
	Reason  drop.Reason // of a discard; the zero value means drop.RadioDiscard
	Cause   error
}

// Info is what a radio side says of itself when it comes up.
type Info struct {
	Version uint8           // of the link protocol, of the radio side
	EUI64   ieee802154.Addr // of the gateway's radio
	Short   ieee802154.Addr // of the gateway's radio; may be none
	// SendsFrom is the source address in the MAC headers of the frames that it sends;
	// none where that is not known. See Source.
	SendsFrom ieee802154.Addr
	PAN       uint16
	Boot      uint64   // differs after each boot of the radio
	Feature   Features // what else it can do
	// MaxShort and MaxExtended are the largest MAC payloads, in octets, that a frame
	// to a short and to an extended destination may carry.
	MaxShort, MaxExtended int
	Channel               uint8  // 0 is unknown, or hopping
	Name                  string // of its make and program, for the log
}

// Source returns the link address that the far end finds as the source of the frames
// sent. The interface identifier of a packet's source may be elided against this one
// only (RFC 6282, section 3.2.2). A radio that does not say from which address it sends
// must use its EUI-64 if it has no short address; if it has one, it may use either, and
// the result is none: nothing may be elided.
func (i *Info) Source() ieee802154.Addr {
	if i.SendsFrom.IsNone() && i.Short.IsNone() {
		return i.EUI64
	}
	return i.SendsFrom
}

// Features are a radio side's abilities.
type Features uint32

// The abilities that the link protocol knows.
const (
	FeatureMultihop  Features = 1 << iota // it delivers to nodes over several hops by itself
	FeatureBroadcast                      // it can send to 0xffff
	FeatureParents                        // it reports parents
	FeatureLinkStats                      // it reports link statistics
	FeatureAssign                         // it takes short addresses from the daemon
	FeatureCancel                         // it can drop a frame that waits
)

// NodeInfo is a node in the eyes of the radio.
type NodeInfo struct {
	Addr    ieee802154.Addr    // the EUI-64; a short address where the radio knows no other
	Short   ieee802154.Addr    // none if it has none
	Parents [2]ieee802154.Addr // preferred one first; none where there is none; the gateway's own for the root
	Hops    uint8              // 0 is unknown
}

// LinkStats are counts of one direction of one radio link since the radio booted.
type LinkStats struct {
	From, To ieee802154.Addr
	Channel  uint8 // 0: all channels together
	Attempts uint32
	Acked    uint32
	Signal   int8 // dBm, smoothed; 0 is unknown
}

// Battery is what a radio side knows of a node's supply.
type Battery struct {
	Millivolts uint16 // 0 is unknown
	Percent    uint8  // 255 is unknown
}

// Outcome says what became of a frame that was sent.
type Outcome uint8

// The outcomes.
const (
	OutcomeNone      Outcome = iota
	OutcomeFirstHop          // acknowledged by the next hop
	OutcomeDelivered         // acknowledged by the node itself
	OutcomeNoAck             // retries ran out
	OutcomeBusy              // the channel was never free
	OutcomeQueueFull         // no room in the radio's or a relay's queue: try again later
	OutcomeNoRoute           // the radio does not know the node
	OutcomeTooLong           // longer than the radio can carry
	OutcomeCancelled         // by the daemon's cancel
	OutcomeExpired           // waited in the radio for too long
	OutcomeLost              // no result came in time: the frame or its result was lost on the line
)

// OK reports whether the frame got on its way.
func (o Outcome) OK() bool { return o == OutcomeFirstHop || o == OutcomeDelivered }

// String returns the outcome as the log and PROTOCOL.md write it.
func (o Outcome) String() string {
	switch o {
	case OutcomeFirstHop:
		return "first-hop"
	case OutcomeDelivered:
		return "delivered"
	case OutcomeNoAck:
		return "no-ack"
	case OutcomeBusy:
		return "channel-busy"
	case OutcomeQueueFull:
		return "queue-full"
	case OutcomeNoRoute:
		return "no-route"
	case OutcomeTooLong:
		return "too-long"
	case OutcomeCancelled:
		return "cancelled"
	case OutcomeExpired:
		return "expired"
	case OutcomeLost:
		return "lost"
	}
	return "none"
}
