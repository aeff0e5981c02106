package radio

import (
	"math"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// Version is the version of the link protocol that this package speaks.
const Version = 1

// RecordKind is the first element of a record.
type RecordKind uint8

// The kinds of records. Those up to 7 go to the radio, those from 8 to the daemon.
// The fields of Record that each sets stand beside it; those in brackets may be
// absent on the line, and are then zero.
const (
	RecordNone      RecordKind = 0  // a kind that this version does not know
	RecordHello     RecordKind = 1  // Info.Version, Session [Text: the daemon's name]
	RecordSend      RecordKind = 2  // ID, Frame.To, Frame.Payload [Frame.Priority]
	RecordCancel    RecordKind = 3  // ID
	RecordAssign    RecordKind = 4  // Node.Addr, Node.Short
	RecordKeepalive RecordKind = 5  // ID: a number to answer with
	RecordTime      RecordKind = 6  // Clock: microseconds since 1970 (UTC)
	RecordUp        RecordKind = 8  // Info.Version, Session, Info, Credits [Clock, Text: the radio's name]
	RecordFrame     RecordKind = 9  // Frame.From, Frame.To, Frame.Payload [Clock, Frame.Signal, Frame.Hops]
	RecordResult    RecordKind = 10 // ID, Outcome
	RecordCredits   RecordKind = 11 // Credits
	RecordAttached  RecordKind = 12 // Node.Addr [Node.Short, Node.Hops, Node.Parents]
	RecordDetached  RecordKind = 13 // Node.Addr
	RecordParents   RecordKind = 14 // Node.Addr [Node.Hops, Node.Parents]
	RecordSnapshot  RecordKind = 15 // the list of nodes after up is complete
	RecordLink      RecordKind = 16 // Link
	RecordBattery   RecordKind = 17 // Node.Addr [Battery]
	RecordText      RecordKind = 18 // Text
	RecordDiscard   RecordKind = 19 // Discard [Node.Addr, Count, Text]
	RecordAlive     RecordKind = 20 // ID: the number asked with, Info.Boot [Clock]
)

// Record is one record of the link protocol, of either direction. Which fields are
// set depends on Kind.
type Record struct {
	Kind    RecordKind
	Outcome Outcome
	Discard DiscardReason
	ID      uint32
	Session uint32 // which hello an up answers; 0: none, the radio has just booted
	Count   uint32 // frames that a discard speaks of; 0 on the line means 1
	Credits int    // frames that may be unresolved in all
	Clock   uint64 // microseconds: since the radio's boot, 0 unknown; of RecordTime since 1970
	Frame   Frame  // At is not used: see Clock
	Node    NodeInfo
	Info    Info
	Link    LinkStats
	Battery Battery
	Text    []byte // UTF-8
}

// DiscardReason says why a radio side threw frames away.
type DiscardReason uint8

// The reasons of a discard.
const (
	DiscardOther     DiscardReason = iota // none of the following
	DiscardOverflow                       // no room on the way to the daemon
	DiscardSecurity                       // failed authentication, or no key for it
	DiscardTooLong                        // more than this link may carry
	DiscardMalformed                      // a MAC header that makes no sense
	DiscardForeign                        // of another PAN, or from a device that is no node of this mesh
)

// String returns the reason as the log and PROTOCOL.md write it.
func (d DiscardReason) String() string {
	switch d {
	case DiscardOverflow:
		return "overflow"
	case DiscardSecurity:
		return "security"
	case DiscardTooLong:
		return "too-long"
	case DiscardMalformed:
		return "malformed"
	case DiscardForeign:
		return "foreign"
	}
	return "other"
}

// Reason returns the drop reason under which the frames are counted.
func (d DiscardReason) Reason() drop.Reason {
	switch d {
	case DiscardSecurity:
		return drop.Secured
	case DiscardTooLong:
		return drop.FrameTooLong
	}
	return drop.RadioDiscard
}

// Bounds of what a record may hold.
const (
	// MaxCredits is the largest number of unresolved frames that a link allows,
	// whatever the radio offers.
	MaxCredits = 256
	// MaxText is the largest text in octets: a name, or a line for the log.
	MaxText = 512
)

// AppendTo appends r as one CBOR array (RFC 8949), without framing. Texts beyond
// MaxText are cut; a payload beyond MaxPayload is the caller's defect, and the far
// end discards it.
func (r *Record) AppendTo(b []byte) []byte {
	switch r.Kind {
	case RecordSend:
		return appendSend(b, r.ID, &r.Frame)
	case RecordFrame:
		return appendFrame(b, &r.Frame, r.Clock)
	case RecordResult:
		return appendUint(appendUint(open(b, r.Kind, 3), uint64(r.ID)), uint64(r.Outcome))
	case RecordHello:
		b = appendUint(open(b, r.Kind, 4), uint64(r.Info.Version))
		return appendText(appendUint(b, uint64(r.Session)), r.text())
	case RecordCancel, RecordKeepalive:
		return appendUint(open(b, r.Kind, 2), uint64(r.ID))
	case RecordAssign:
		return appendAddr(appendAddr(open(b, r.Kind, 3), r.Node.Addr), r.Node.Short)
	case RecordTime:
		return appendUint(open(b, r.Kind, 2), r.Clock)
	case RecordUp:
		return r.appendUp(b)
	case RecordCredits:
		return appendUint(open(b, r.Kind, 2), uint64(r.Credits))
	case RecordAttached:
		b = appendAddr(open(b, r.Kind, 6), r.Node.Addr)
		return r.appendPlace(appendAddr(b, r.Node.Short))
	case RecordDetached:
		return appendAddr(open(b, r.Kind, 2), r.Node.Addr)
	case RecordParents:
		return r.appendPlace(appendAddr(open(b, r.Kind, 5), r.Node.Addr))
	case RecordSnapshot:
		return open(b, r.Kind, 1)
	case RecordLink:
		b = appendAddr(appendAddr(open(b, r.Kind, 7), r.Link.From), r.Link.To)
		b = appendUint(appendUint(b, uint64(r.Link.Channel)), uint64(r.Link.Attempts))
		return appendInt(appendUint(b, uint64(r.Link.Acked)), int64(r.Link.Signal))
	case RecordBattery:
		b = appendUint(appendAddr(open(b, r.Kind, 4), r.Node.Addr), uint64(r.Battery.Millivolts))
		return appendUint(b, uint64(r.Battery.Percent))
	case RecordText:
		return appendText(open(b, r.Kind, 2), r.text())
	case RecordDiscard:
		b = appendAddr(appendUint(open(b, r.Kind, 5), uint64(r.Discard)), r.Node.Addr)
		return appendText(appendUint(b, uint64(max(r.Count, 1))), r.text())
	case RecordAlive:
		b = appendUint(appendUint(open(b, r.Kind, 4), uint64(r.ID)), r.Info.Boot)
		return appendUint(b, r.Clock)
	}
	return open(b, r.Kind, 1)
}

// open appends the head of an array of n elements, and the first of them.
func open(b []byte, k RecordKind, n uint64) []byte {
	return appendUint(appendHead(b, majorArray, n), uint64(k))
}

func (r *Record) text() []byte { return r.Text[:min(len(r.Text), MaxText)] }

func appendSend(b []byte, id uint32, f *Frame) []byte {
	b = appendAddr(appendUint(open(b, RecordSend, 5), uint64(id)), f.To)
	return appendUint(appendBytes(b, f.Payload), uint64(f.Priority))
}

func appendFrame(b []byte, f *Frame, clock uint64) []byte {
	b = appendAddr(appendAddr(open(b, RecordFrame, 7), f.From), f.To)
	b = appendUint(appendBytes(b, f.Payload), clock)
	return appendUint(appendInt(b, int64(f.Signal)), uint64(f.Hops))
}

func (r *Record) appendUp(b []byte) []byte {
	i := &r.Info
	b = appendUint(open(b, RecordUp, 14), uint64(i.Version))
	b = appendUint(appendUint(b, uint64(r.Session)), i.Boot)
	b = appendUint(appendAddr(appendAddr(b, i.EUI64), i.Short), uint64(i.PAN))
	b = appendUint(appendUint(b, uint64(i.MaxShort)), uint64(i.MaxExtended))
	b = appendUint(appendUint(b, uint64(r.Credits)), uint64(i.Feature))
	b = appendUint(appendUint(b, uint64(i.Channel)), r.Clock)
	return appendText(b, r.text())
}

// appendPlace appends where a node stands in the mesh.
func (r *Record) appendPlace(b []byte) []byte {
	b = appendUint(b, uint64(r.Node.Hops))
	return appendAddr(appendAddr(b, r.Node.Parents[0]), r.Node.Parents[1])
}

// Parse reads the record in body, whose slices r then aliases. A kind that is not
// known gives RecordNone and no error, if the rest can be passed over. An error is
// a RecordError; r.Kind tells as much as was understood.
func (r *Record) Parse(body []byte) error {
	*r = Record{}
	c := reader{b: body}
	c.begin()
	if c.bad {
		return c.why
	}
	r.Kind = kind(&c)
	if !c.bad {
		r.parse(&c)
		c.end()
	}
	if c.bad {
		return c.why
	}
	return nil
}

// kind reads the first element.
func kind(c *reader) RecordKind {
	if !c.more() {
		c.fail(RecordNotArray)
		return RecordNone
	}
	c.item()
	major, _, n := c.head()
	switch {
	case c.bad || major == majorUint && n <= uint64(RecordAlive):
		return RecordKind(n)
	case major != majorUint && major != majorNint:
		c.fail(RecordNotArray)
	}
	return RecordNone
}

func (r *Record) parse(c *reader) {
	switch r.Kind {
	case RecordSend:
		r.ID, r.Frame.To, r.Frame.Payload = c.uint32(), c.addr(), c.str(majorBytes, MaxPayload)
		c.optional = true
		r.Frame.Priority = Priority(c.uint(math.MaxUint8))
	case RecordFrame:
		r.Frame.From, r.Frame.To, r.Frame.Payload = c.addr(), c.addr(), c.str(majorBytes, MaxPayload)
		c.optional = true
		r.Clock, r.Frame.Signal, r.Frame.Hops = c.uint(math.MaxUint64), c.int8(), c.uint8()
	case RecordResult:
		r.ID, r.Outcome = c.uint32(), Outcome(c.uint8())
	case RecordHello:
		r.Info.Version = c.uint8()
		r.Session = c.uint32()
		c.optional = true
		r.Text = c.str(majorText, MaxText)
	case RecordCancel, RecordKeepalive:
		r.ID = c.uint32()
	case RecordAssign:
		r.Node.Addr, r.Node.Short = c.addr(), c.addr()
	case RecordTime:
		r.Clock = c.uint(math.MaxUint64)
	case RecordUp:
		r.parseUp(c)
	case RecordCredits:
		r.Credits = int(c.uint(math.MaxInt32))
	case RecordAttached:
		r.Node.Addr = c.addr()
		c.optional = true
		r.Node.Short = c.addr()
		r.parsePlace(c)
	case RecordDetached:
		r.Node.Addr = c.addr()
	case RecordParents:
		r.Node.Addr = c.addr()
		c.optional = true
		r.parsePlace(c)
	case RecordLink:
		r.Link.From, r.Link.To, r.Link.Channel = c.addr(), c.addr(), c.uint8()
		r.Link.Attempts, r.Link.Acked = c.uint32(), c.uint32()
		c.optional = true
		r.Link.Signal = c.int8()
	case RecordBattery:
		r.parseBattery(c)
	case RecordText:
		r.Text = c.str(majorText, MaxText)
	case RecordDiscard:
		r.Discard = DiscardReason(c.uint8())
		c.optional = true
		r.Node.Addr, r.Count, r.Text = c.addr(), max(c.uint32(), 1), c.str(majorText, MaxText)
	case RecordAlive:
		r.ID, r.Info.Boot = c.uint32(), c.uint(math.MaxUint64)
		c.optional = true
		r.Clock = c.uint(math.MaxUint64)
	case RecordSnapshot:
	default:
		r.Kind = RecordNone
	}
}

// parseUp reads no further than the version where that is not ours: what follows
// may have changed.
func (r *Record) parseUp(c *reader) {
	i := &r.Info
	if i.Version = c.uint8(); i.Version != Version {
		return
	}
	r.Session, i.Boot = c.uint32(), c.uint(math.MaxUint64)
	i.EUI64, i.Short, i.PAN = c.addr(), c.addr(), uint16(c.uint(math.MaxUint16))
	i.MaxShort, i.MaxExtended = int(c.uint(MaxPayload)), int(c.uint(MaxPayload))
	r.Credits = int(c.uint(math.MaxInt32))
	c.optional = true
	i.Feature, i.Channel = Features(c.uint32()), c.uint8()
	r.Clock = c.uint(math.MaxUint64)
	r.Text = c.str(majorText, MaxText)
}

func (r *Record) parsePlace(c *reader) {
	r.Node.Hops = c.uint8()
	r.Node.Parents = [2]ieee802154.Addr{c.addr(), c.addr()}
}

func (r *Record) parseBattery(c *reader) {
	r.Node.Addr = c.addr()
	c.optional = true
	r.Battery.Millivolts = uint16(c.uint(math.MaxUint16))
	r.Battery.Percent = 255 // unknown
	if c.item() {
		// Not through uint8: an absent one is unknown, and 0 is empty.
		major, _, n := c.head()
		switch {
		case c.bad:
		case major != majorUint:
			c.fail(RecordType)
		case n > 100 && n != 255:
			c.fail(RecordRange)
		default:
			r.Battery.Percent = uint8(n)
		}
	}
}

func (r *reader) uint8() uint8   { return uint8(r.uint(math.MaxUint8)) }
func (r *reader) uint32() uint32 { return uint32(r.uint(math.MaxUint32)) }
