// Package node is the table of the nodes of one mesh: an internal record a node,
// found by its EUI-64, its short address, its place's name and its IPv6 addresses
// (RFC 6282, section 3.2.2, derives them from link addresses; RFC 6775 and RFC
// 8505 register others). Look-ups take no lock that all share and allocate
// nothing; changes are serialised. The table is bounded, holds no clock and logs
// nothing.
package node

import (
	"encoding/binary"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// Place is where a node stands on the site. What it is called and what is known of
// it outlives the device. It is immutable once in a table.
type Place struct {
	Name   string          // a DNS label; CheckName
	EUI64  ieee802154.Addr // of the device that stands there; none if there is none yet
	Full   bool            // the device decodes every next header encoding (encoding = "full")
	Period time.Duration   // between its reports; 0 is the mesh's, or learned
}

// Address is one IPv6 address of a node.
type Address struct {
	Addr   netip.Addr
	Origin Origin
	Since  time.Time // when the node got it; zero for derived ones
}

// Link is what the radio counted on one direction of one radio link of the node.
type Link struct {
	Peer     ieee802154.Addr
	FromNode bool  // the direction
	Channel  uint8 // 0: all channels together
	Attempts uint32
	Acked    uint32
	Signal   int8 // dBm; 0 is unknown
}

// identity is what lookups and the packet path need of a node. It is immutable; a
// change replaces it.
type identity struct {
	eui, short ieee802154.Addr
	pan        uint16
	place      *Place
	label      string
	send       ieee802154.Addr
	admitted   bool
	extra      []Address // registered and claimed
}

// Node is one node. Its methods may be called from any goroutine.
type Node struct {
	slot  int
	first time.Time
	id    atomic.Pointer[identity]

	clock           *clock
	radio           *radioState
	heard           atomic.Int64 // on the clock
	since           atomic.Int64
	due             atomic.Int64 // start of the time in which reports can be missed: when the node last came back; never if it did not
	state           atomic.Uint32
	confirmedOutage atomic.Uint32 // number of the last outage of the radio after which the node was listed or heard
	listed          atomic.Bool   // the radio lists it as attached
	gone            atomic.Bool   // the radio reported it detached
	removed         atomic.Bool
	listedLinks     atomic.Uint32 // the kinds of link address that the radio listed: listedEUI64, listedShort
	ghc             atomic.Bool
	offered         atomic.Bool
	hops            atomic.Uint32
	signal          atomic.Int32
	battery         atomic.Uint32 // millivolts << 8 | percent
	parents         atomic.Pointer[[2]ieee802154.Addr]

	traffic Traffic
	epoch   uint32 // of the last radio snapshot that listed it; guarded by the table's mu

	linkMu sync.Mutex
	links  []Link // guarded by linkMu

	reports reports
}

// Everyone returns a record that stands for every node of the link at once: frames
// to it go to the broadcast address. It is in no table, and its slot is -1.
func Everyone() *Node {
	n := &Node{slot: -1, clock: newClock(time.Time{}), radio: &radioState{}}
	n.id.Store(&identity{short: ieee802154.Broadcast, send: ieee802154.Broadcast, label: "everyone", admitted: true})
	return n
}

// Slot is a small number that no other node of the table has; it may be given
// again after the node was removed.
func (n *Node) Slot() int { return n.slot }

// Label names the node everywhere: its place's name, else its EUI-64, else
// short-PAN-XXXX.
func (n *Node) Label() string { return n.id.Load().label }

// EUI64 returns the EUI-64, none while it is unknown.
func (n *Node) EUI64() ieee802154.Addr { return n.id.Load().eui }

// Short returns the short address, none if there is none.
func (n *Node) Short() ieee802154.Addr { return n.id.Load().short }

// PAN returns the PAN of the short address.
func (n *Node) PAN() uint16 { return n.id.Load().pan }

// SendTo returns the link address for frames to the node: the short one, whose
// MAC header is 6 octets shorter, where there is one. None if nothing was ever
// heard of the node.
func (n *Node) SendTo() ieee802154.Addr { return n.id.Load().send }

// HasLink reports whether a is one of the node's link addresses.
func (n *Node) HasLink(a ieee802154.Addr) bool {
	id := n.id.Load()
	return !a.IsNone() && (a == id.short || a == id.eui)
}

// Place returns where the node stands, nil if its place has no name.
func (n *Node) Place() *Place { return n.id.Load().place }

// Full reports whether the node is known to decode every next header encoding.
func (n *Node) Full() bool {
	p := n.id.Load().place
	return p != nil && p.Full
}

// GHC reports whether the node offered generic header compression (RFC 7400, 3.4).
func (n *Node) GHC() bool { return n.ghc.Load() }

// SetGHC records whether the node offers generic header compression.
func (n *Node) SetGHC(v bool) { n.ghc.Store(v) }

// OfferedGHC reports whether generic header compression was offered to the node: it
// may use it from then on, whether it understands it itself or not.
func (n *Node) OfferedGHC() bool { return n.offered.Load() }

// SetOfferedGHC records that generic header compression was offered to the node.
func (n *Node) SetOfferedGHC(v bool) { n.offered.Store(v) }

// Admitted reports whether the node is served. One that is not is listed and
// counted, and its packets go nowhere.
func (n *Node) Admitted() bool { return n.id.Load().admitted }

// Removed reports whether the record left its table.
func (n *Node) Removed() bool { return n.removed.Load() }

// Reachable reports whether the radio could have a way to the node: it has a link
// address, and the radio did not say that it is gone.
func (n *Node) Reachable() bool {
	return !n.gone.Load() && !n.id.Load().send.IsNone() && !n.removed.Load()
}

// State returns the state. That of a node that was heard of is Unknown while its
// radio is down.
func (n *Node) State() State {
	s := n.record()
	if s != Expected && s != Retired && n.doubtful() {
		return Unknown
	}
	return s
}

// record returns the state as it was before an outage of the radio.
func (n *Node) record() State {
	if s := State(n.state.Load()); s != overdue {
		return s
	}
	return Silent
}

// doubtful reports whether the radio is down, or came back and neither listed the
// node nor heard it since.
func (n *Node) doubtful() bool {
	o := n.radio.outage.Load()
	return o != 0 && n.confirmedOutage.Load() != o
}

// settle ends the doubt about a node that was heard or listed, and reports whether
// there was any.
func (n *Node) settle() bool {
	o := n.radio.outage.Load()
	return o != 0 && n.confirmedOutage.Swap(o) != o
}

// Since returns when the present state began.
func (n *Node) Since() time.Time {
	if n.State() == Unknown {
		return n.clock.time(n.radio.since.Load())
	}
	return n.clock.time(n.since.Load())
}

// FirstSeen returns when the record was made.
func (n *Node) FirstSeen() time.Time { return n.first }

// LastHeard returns when the last frame of the node arrived, zero if none did.
func (n *Node) LastHeard() time.Time { return n.clock.time(n.heard.Load()) }

// Hops returns the number of radio links to the gateway, 0 if unknown.
func (n *Node) Hops() uint8 { return uint8(n.hops.Load()) }

// Signal returns the signal with which the gateway's radio received the node's last
// frame, in dBm, 0 if unknown. The node itself sent that frame only if it is one hop
// away; Table.ParentSignal is about its own link.
func (n *Node) Signal() int8 { return int8(n.signal.Load()) }

// Parents returns the node's parents, preferred one first; none where there is
// none.
func (n *Node) Parents() [2]ieee802154.Addr {
	if p := n.parents.Load(); p != nil {
		return *p
	}
	return [2]ieee802154.Addr{}
}

// Battery returns the supply in millivolts (0 is unknown) and percent (255 is
// unknown).
func (n *Node) Battery() (millivolts uint16, percent uint8) {
	v := n.battery.Load()
	return uint16(v >> 8), uint8(v)
}

// Links returns a copy of the statistics of the node's radio links.
func (n *Node) Links() []Link {
	n.linkMu.Lock()
	defer n.linkMu.Unlock()
	return slices.Clone(n.links)
}

// Traffic returns the node's counters, to be read or added to.
func (n *Node) Traffic() *Traffic { return &n.traffic }

// owned reports whether a packet of the node may have the source a, given the mesh
// prefix, and how the node came to it: derived, also a link-local one, or
// registered or claimed. only leaves derived addresses of the prefix out.
func (n *Node) owned(a netip.Addr, prefix uint64, only bool) (Origin, bool) {
	id := n.id.Load()
	b := a.As16()
	if hi := binary.BigEndian.Uint64(b[:]); hi == linkLocalPrefix || hi == prefix && !only {
		iid := ipv6.IID(binary.BigEndian.Uint64(b[8:]))
		if id.derives(iid) {
			return Derived, true
		}
	}
	for i := range id.extra {
		if id.extra[i].Addr == a {
			return id.extra[i].Origin, true
		}
	}
	return Derived, false
}

// derives reports whether iid comes from one of the link addresses. The form of
// RFC 4944, section 6, with the PAN in it is recognised: some stacks form it.
func (id *identity) derives(iid ipv6.IID) bool {
	if i, ok := ipv6.IIDOf(id.eui); ok && i == iid {
		return true
	}
	if i, ok := ipv6.IIDOf(id.short); ok && i == iid {
		return true
	}
	s, ok := id.short.Short()
	return ok && ipv6.IIDOfPAN(id.pan, s) == iid
}

// Heard records a frame of the node that arrived at the given time, with its
// signal in dBm and hop count where they are known (0 is unknown). The packet path
// calls it for each frame.
func (n *Node) Heard(at time.Time, signal int8, hops uint8) {
	n.heard.Store(n.clock.number(at))
	if signal != 0 && n.signal.Load() != int32(signal) {
		n.signal.Store(int32(signal))
	}
	if hops != 0 && n.hops.Load() != uint32(hops) {
		n.hops.Store(uint32(hops))
	}
}

// Traffic counts what went to and came from one node. Frames count MAC payloads at
// the attachment.
type Traffic struct {
	FramesReceived   atomic.Uint64
	FramesSent       atomic.Uint64 // handed to the radio
	FramesAcked      atomic.Uint64 // got on their way by the radio's word
	FramesFailed     atomic.Uint64 // did not, for good
	PacketsReceived  atomic.Uint64 // from the node, restored and passed on
	PacketsDelivered atomic.Uint64 // to the node, all frames acknowledged
	PacketsDropped   atomic.Uint64 // to or from the node, of any reason
	ChecksumsTried   atomic.Uint64 // packets from the node whose checksum was verified: a sample
	ChecksumsWrong   atomic.Uint64 // of them, those with a wrong one
	Latency          atomic.Int64  // nanoseconds from handing over a frame to its result, smoothed by 1/8
}
