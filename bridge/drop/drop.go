// Package drop is the closed set of reasons for which a frame or a packet ends
// before it reached its destination. Every end is counted once, under one
// Reason; the log, the metrics and the documents use the same word for it.
package drop

// Reason says why a frame or packet ended. The zero value, None, is no end.
type Reason uint8

// The reasons, in the order in which a frame or packet could meet them. The
// comment beside each is in the table of String and About.
const (
	None Reason = iota

	// The attachment.
	RadioDiscard // the radio says that it threw a frame away
	RadioDown
	RadioFailed
	LinkRecord
	FrameTooLong
	Secured

	// The dispatch of a frame (RFC 4944, section 5).
	NotLowpan
	Dispatch
	HeaderOrder
	HC1
	Page
	RecoverableFragment
	RoutingHeader
	MeshHops
	MeshDestination
	MeshOriginator
	BroadcastDuplicate

	// The compressed headers (RFC 6282, RFC 7400).
	Truncated
	ReservedEncoding
	UnknownNHC
	UnknownContext
	NoLinkAddress
	ExtensionHeader
	GHCNotOffered
	GHCInvalid
	ChecksumElided
	PayloadLength

	// Reassembly (RFC 4944, section 5.3).
	FragmentSize
	FragmentOffset
	FragmentOverlap
	FragmentMismatch
	ReassemblyTimeout
	ReassemblyFull

	// The packet (RFC 8200, 4443, 4291, 4007).
	NotIPv6
	PacketTooBig
	HopLimit
	SourceInvalid
	DestinationInvalid
	LinkLocal
	Multicast
	NotOwnAddress
	SourceForeign
	UnknownNode
	NodeSilent
	NotAdmitted
	RoutingType0
	RoutingType3
	RoutingType4
	RPLOption
	KernelOwn
	GroupReport
	Policy
	PacketFragment
	RateLimited
	AirLimited
	NeighborInvalid
	RegistryBusy

	// The way to the node.
	QueueFull
	QueueExpired
	DeadlinePassed
	NodeRemoved
	NotSent
	TunDown
	TunWrite
	Shutdown

	// Count is the number of reasons, None included.
	Count
)

type about struct {
	word    string
	section string
	text    string
}

var table = [Count]about{
	None: {"none", "", "the frame or packet goes on"},

	RadioDiscard: {"radio-discard", "PROTOCOL.md, discard", "the radio reported that it threw a frame away"},
	RadioDown:    {"radio-down", "PROTOCOL.md, up and down", "the radio was not there"},
	RadioFailed:  {"radio-failed", "PROTOCOL.md, result", "the radio could not deliver a frame of the packet to the node"},
	LinkRecord:   {"link-record", "PROTOCOL.md, records", "a record of the radio link could not be read"},
	FrameTooLong: {"frame-too-long", "IEEE Std 802.15.4, 6.2", "a frame was longer than any that the attachment may carry"},
	Secured:      {"secured-frame", "IEEE Std 802.15.4, 9.2", "a secured frame that the kernel did not open"},

	NotLowpan:           {"not-lowpan", "RFC 4944, 5.1", "dispatch 00xxxxxx: the frame is not one of this adaptation layer"},
	Dispatch:            {"reserved-dispatch", "RFC 4944, 5.1; RFC 6282, 5", "the dispatch octet is reserved or its use is not defined"},
	HeaderOrder:         {"header-order", "RFC 4944, 5", "mesh, broadcast and fragment header not in this order, or twice"},
	HC1:                 {"hc1", "RFC 4944, 10; RFC 6282, 2", "the obsolete compression HC1 or HC2"},
	Page:                {"unsupported-page", "RFC 8025, 3", "a page of dispatch values that is not supported"},
	RecoverableFragment: {"recoverable-fragment", "RFC 8931, 5", "a recoverable fragment or its acknowledgement"},
	RoutingHeader:       {"routing-header", "RFC 8138, 4", "a critical 6LoWPAN routing header that cannot be processed"},
	MeshHops:            {"mesh-hops", "RFC 4944, 5.2", "a mesh header with no hops left"},
	MeshDestination:     {"mesh-destination", "RFC 4944, 5.2", "a mesh header whose final destination is another node"},
	MeshOriginator:      {"mesh-originator", "RFC 4944, 5.2", "a mesh header whose originator is not the node that sent the frame, where mesh_headers is false"},
	BroadcastDuplicate:  {"broadcast-duplicate", "RFC 4944, 11.1", "a broadcast that was already received"},

	Truncated:        {"truncated", "RFC 6282, 3 and 4", "the frame ended within a header"},
	ReservedEncoding: {"reserved-encoding", "RFC 6282, 3.1.1 and 4.2", "a combination of bits in a compressed header that is reserved"},
	UnknownNHC:       {"unknown-nhc", "RFC 6282, 4.1", "a next header encoding that is not assigned"},
	UnknownContext:   {"unknown-context", "RFC 6282, 3.1.2; RFC 6775, 7.2", "a context that is not installed, or cannot serve here"},
	NoLinkAddress:    {"no-link-address", "RFC 6282, 3.2.2", "an elided interface identifier and no link address to take it from"},
	ExtensionHeader:  {"extension-header", "RFC 6282, 4.2", "a compressed extension header that cannot be restored"},
	GHCNotOffered:    {"ghc-not-offered", "RFC 7400, 3.3", "generic header compression from a peer to which it was not offered"},
	GHCInvalid:       {"ghc-invalid", "RFC 7400, 2", "generic header compression that cannot be expanded"},
	ChecksumElided:   {"checksum-elided", "RFC 6282, 4.3.2", "a UDP checksum left out for a port that is not listed for it"},
	PayloadLength:    {"payload-length", "RFC 8200, 3; RFC 4944, 5.3", "a Payload Length that disagrees with the frame or the datagram"},

	FragmentSize:      {"fragment-size", "RFC 4944, 5.3", "a datagram_size below 40 or above the link MTU"},
	FragmentOffset:    {"fragment-offset", "RFC 4944, 5.3", "a fragment that is empty, ends past the datagram, or does not cover whole units of 8 octets"},
	FragmentOverlap:   {"fragment-overlap", "RFC 4944, 5.3", "fragments overlap with different offset or length; what was gathered is discarded"},
	FragmentMismatch:  {"fragment-mismatch", "RFC 4944, 5.3", "a first fragment that cannot be expanded as the fragments so far require"},
	ReassemblyTimeout: {"reassembly-timeout", "RFC 4944, 5.3", "not every fragment came within 60 s"},
	ReassemblyFull:    {"reassembly-full", "RFC 4944, 13", "evicted from or refused by the bounded reassembly buffers"},

	NotIPv6:            {"not-ipv6", "RFC 8200, 3", "not an IPv6 packet, or shorter than its header says"},
	PacketTooBig:       {"packet-too-big", "RFC 8200, 5; RFC 4443, 3.2", "longer than the link MTU of 1280 octets"},
	HopLimit:           {"hop-limit", "RFC 8200, 3; RFC 4443, 3.3", "the hop limit ran out"},
	SourceInvalid:      {"source-invalid", "RFC 4291, 2.5 and 2.7", "a source that no packet in transit may have: unspecified, multicast, loopback, IPv4-mapped"},
	DestinationInvalid: {"destination-invalid", "RFC 4291, 2.5", "a destination that no packet in transit may have: unspecified, loopback, IPv4-mapped"},
	LinkLocal:          {"link-local", "RFC 4291, 2.5.6; RFC 4007, 9", "a link-local address that would leave its link"},
	Multicast:          {"multicast", "RFC 4291, 2.7; RFC 4007, 5", "a multicast that is not forwarded here"},
	NotOwnAddress:      {"not-own-address", "RFC 2827; RFC 6620", "a node sent from an address of the mesh that is not its own"},
	SourceForeign:      {"source-foreign", "RFC 2827", "from the mesh with a source outside the mesh prefix, or from outside with a source inside it"},
	UnknownNode:        {"unknown-node", "RFC 4443, 3.1; RFC 6583", "no node has the destination address"},
	NodeSilent:         {"node-silent", "DEVELOPERS.md, nodes", "the node is known to be unreachable now"},
	NotAdmitted:        {"not-admitted", "configuration, admit", "the node is not listed and admit is \"listed\""},
	RoutingType0:       {"routing-type-0", "RFC 5095, 3", "a type 0 routing header"},
	RoutingType3:       {"routing-type-3", "RFC 6554, 5.1", "a type 3 routing header (RPL source route) with segments left: it may not cross the border of the mesh"},
	RoutingType4:       {"routing-type-4", "RFC 8754, 5.1", "a type 4 routing header (segment routing) with segments left: it may not cross the border of the mesh"},
	RPLOption:          {"rpl-option", "RFC 6554, 5.1; RFC 9008, 12", "an RPL option from outside the mesh, or one from a node that cannot be overwritten"},
	KernelOwn:          {"kernel-own", "RFC 4861; RFC 3810", "what the gateway's kernel says by itself on the interface: router and neighbour solicitations, group reports"},
	GroupReport:        {"group-report", "RFC 3810; RFC 2710", "a node's report of the groups that it listens to: nothing is forwarded to groups here"},
	Policy:             {"policy", "RFC 6092; RFC 4890", "no rule allows it"},
	PacketFragment:     {"packet-fragment", "RFC 7112, 5; RFC 5722, 3", "a fragment of an IPv6 packet that hides or rewrites what the rules look at, or that is malformed"},
	RateLimited:        {"rate-limited", "RFC 6583, 7; RFC 4443, 2.4 f; configuration, rate", "a rule lets it pass, but not so many in that time; or a second ICMPv6 error within a second about one flow"},
	AirLimited:         {"air-limited", "RFC 6583, 7; configuration, airtime", "the air that packets to the node, or to the mesh, may take was used up"},
	NeighborInvalid:    {"neighbor-invalid", "RFC 4861, 6.1 and 7.1; RFC 6980, 5", "a neighbour discovery message that is not valid, or stands behind an extension header"},
	RegistryBusy:       {"registry-busy", "DEVELOPERS.md, state", "a neighbour discovery message whose changes could not be kept: too many wait for the disk"},

	QueueFull:      {"queue-full", "RFC 7567, 1", "the queue of the node was full"},
	QueueExpired:   {"queue-expired", "DEVELOPERS.md, sending", "waited in the queue of the node for too long"},
	DeadlinePassed: {"deadline-passed", "DEVELOPERS.md, sending", "a write to an output that had not left for the node by its deadline, or was locked out while it waited"},
	NodeRemoved:    {"node-removed", "DEVELOPERS.md, nodes", "the node left while the packet waited for it"},
	NotSent:        {"not-sent", "RFC 4944, 5.3", "the packet could be put into no frames for this node"},
	TunDown:        {"tun-down", "-", "the TUN interface was gone"},
	TunWrite:       {"tun-write", "-", "the kernel did not take the packet"},
	Shutdown:       {"shutdown", "-", "the daemon was stopping"},
}

// String returns the word for r that the log, the metrics and the documents use.
func (r Reason) String() string {
	if r >= Count {
		return "invalid"
	}
	return table[r].word
}

// Section names the standard and section, or the document, that r rests on.
func (r Reason) Section() string {
	if r >= Count {
		return ""
	}
	return table[r].section
}

// About says in one sentence what r means.
func (r Reason) About() string {
	if r >= Count {
		return ""
	}
	return table[r].text
}

// ByWord returns the reason with the given word.
func ByWord(word string) (Reason, bool) {
	for r := None; r < Count; r++ {
		if table[r].word == word {
			return r, true
		}
	}
	return None, false
}

// Error is an end in a codec: the reason, and which field it was. Codecs keep
// their errors in package variables, so that returning one allocates nothing.
type Error struct {
	Reason  Reason
	Field   string // the header field at fault, in the words of the standard
	Section string // where the standard defines it
}

// NewError returns an Error for a package variable.
func NewError(r Reason, field, section string) *Error {
	return &Error{Reason: r, Field: field, Section: section}
}

// Error returns "truncated: traffic class (RFC 6282, 3.1.1)".
func (e *Error) Error() string {
	return e.Reason.String() + ": " + e.Field + " (" + e.Section + ")"
}

// Of returns the reason of an error that a codec returned: None for nil. An
// error that is no *Error is a defect of ours, and counts as reserved-encoding.
func Of(err error) Reason {
	if err == nil {
		return None
	}
	if e, ok := err.(*Error); ok {
		return e.Reason
	}
	return ReservedEncoding
}
