package sim

import (
	"encoding/binary"
	"net/netip"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/frag"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/bridge/senml"
)

// nodeState is how far a node is.
type nodeState uint8

const (
	stateOff nodeState = iota
	stateScanning
	stateJoined
)

// String returns the state as listings show it.
func (s nodeState) String() string {
	switch s {
	case stateScanning:
		return "joining"
	case stateJoined:
		return "joined"
	}
	return "off"
}

// node is one device. What only some need at a time hangs on pointers, so that an
// idle node is small.
type node struct {
	name         string
	eui64, short ieee802154.Addr
	weather      *Climate
	station      *station        // nil in an ideal mesh
	receiver     *adapt.Receiver // nil while there is nothing to put together
	exchanges    []exchange
	extra        *extra
	period       time.Duration // of the reports
	reportAt     time.Duration // 0: none is due
	message      uint16        // id of the last CoAP message it sent by itself
	token        uint16        // of the last report
	tag          uint16        // of the next fragmented datagram
	sequence     uint32        // the last value of an Observe option
	state        nodeState
	known        bool // to the gateway
	tidying      bool // an eventTidy is on the agenda
	aged         bool // receiver holds the age of a broadcast
	output       uint8
	stats        counters
}

// counters are a node's own.
type counters struct {
	Sent, Received, Relayed, Lost, QueueFull uint32
	CoAPReceived, CoAPSent, Notifications    uint32
}

func (n *node) climate() Climate {
	if n.weather == nil {
		return Climate{}
	}
	return *n.weather
}

// adaptation is what the nodes share for their 6LoWPAN: only one of them is at work
// at a time.
type adaptation struct {
	receiver *adapt.Receiver   // for frames that leave nothing behind
	pool     []*adapt.Receiver // not in use
	out      adapt.Outgoing
	reply    []byte // the packet being sent
	upper    []byte // its upper-layer message
	frames   []*frame
}

// The bounds of a node's reassembly: it is a small device.
var nodeReassembly = adapt.Options{Reassembly: frag.Options{MaxDatagrams: 4, MaxPerSender: 4}}

// tidyAfter is when a receiver of a node's own is looked at: past the 60 s of RFC
// 4944, section 5.3.
const tidyAfter = 61 * time.Second

func (a *adaptation) init(*Mesh) {
	a.receiver = adapt.NewReceiver(nodeReassembly)
}

// powerUp sets a node to what it is after a boot.
func (m *Mesh) powerUp(n int32) {
	nd := &m.nodes[n]
	nd.period = m.period
	m.forgetAll(n)
	nd.receiver = nil
	nd.reportAt = 0
	nd.tag = uint16(m.random.Uint32())
}

// receive hands a frame to a node's adaptation layer, and the packet that it
// completes to the node.
func (m *Mesh) receive(n int32, f *frame) {
	nd := &m.nodes[n]
	b := f.payload()
	r := nd.receiver
	if r == nil && leavesNothing(b) {
		r = m.adaptation.receiver
	} else if r == nil {
		r = m.ownReceiver(n)
	}
	got, err := r.Receive(lowpan.Peer{From: f.from, To: f.to}, b, m.contexts, m.start.Add(m.now))
	if got.Ended.Err != nil {
		m.dropped(got.Ended.Err.Reason)
	}
	switch {
	case err != nil:
		m.dropped(drop.Of(err))
	case got.Packet != nil:
		m.packet(n, got.Packet)
	}
	if nd.receiver == nil {
		return
	}
	nd.aged = nd.aged || !isFragment(b)
	if !nd.aged && r.Len() == 0 {
		m.giveBack(n)
	}
}

// leavesNothing reports whether a frame is a whole packet, compressed (011xxxxx) or
// not (0x41), so that its receiver keeps nothing of it (RFC 4944, section 5.1).
func leavesNothing(b []byte) bool {
	return len(b) > 0 && (b[0]>>5 == 3 || b[0] == 0x41)
}

// isFragment reports whether a frame is a fragment, 11x00xxx, with no mesh header
// before it (RFC 4944, section 5.3).
func isFragment(b []byte) bool { return len(b) > 0 && b[0]>>6 == 3 }

func (m *Mesh) ownReceiver(n int32) *adapt.Receiver {
	nd, a := &m.nodes[n], &m.adaptation
	if k := len(a.pool); k > 0 {
		nd.receiver, a.pool = a.pool[k-1], a.pool[:k-1]
	} else {
		nd.receiver = adapt.NewReceiver(nodeReassembly)
	}
	nd.receiver.SetOwn(nd.eui64, nd.short)
	if !nd.tidying {
		nd.tidying = true
		m.agenda.push(m.now+tidyAfter, eventTidy, n)
	}
	return nd.receiver
}

// giveBack takes a receiver with nothing in it from a node.
func (m *Mesh) giveBack(n int32) {
	nd, a := &m.nodes[n], &m.adaptation
	if len(a.pool) < maxFree {
		a.pool = append(a.pool, nd.receiver)
	}
	nd.receiver, nd.aged = nil, false
}

// tidy ends what a node could not put together in time, and takes its receiver back
// when nothing is left in it.
func (m *Mesh) tidy(n int32) {
	nd := &m.nodes[n]
	nd.tidying = false
	r := nd.receiver
	if r == nil {
		return
	}
	for {
		end, ok := r.Expire(m.start.Add(m.now))
		if !ok {
			break
		}
		if end.Err != nil {
			m.dropped(end.Err.Reason)
		}
	}
	if r.Len() == 0 {
		m.giveBack(n)
		return
	}
	nd.tidying = true
	m.agenda.push(m.now+tidyAfter/8, eventTidy, n)
}

// owns reports whether an address is a node's, or a group that it is in, and the
// link address that goes with it. Its addresses are those that RFC 6282, section 3.2.2, derives from its link
// addresses, link-local and under the mesh's prefix. Prefixes that a router
// advertises (RFC 4861, RFC 6775) will be asked for here too.
func (m *Mesh) owns(n int32, a netip.Addr) (link ieee802154.Addr, ok bool) {
	if a.IsMulticast() {
		return m.nodes[n].eui64, m.listens(n, a)
	}
	if !a.IsLinkLocalUnicast() && !m.site.Prefix.Contains(a) || a.IsLinkLocalUnicast() && ipv6.LinkLocal(ipv6.IIDIn(a)) != a {
		return link, false
	}
	iid := ipv6.IIDIn(a)
	for _, l := range [...]ieee802154.Addr{m.nodes[n].eui64, m.nodes[n].short} {
		if i, ok := ipv6.IIDOf(l); ok && i == iid {
			return l, true
		}
	}
	return link, false
}

// listens reports whether a node is in a group: all nodes (RFC 4291, section 2.7.1,
// interface-local and link-local) and the solicited-node groups of its addresses.
func (m *Mesh) listens(n int32, group netip.Addr) bool {
	if group == ipv6.AllNodes || group == netip.IPv6LinkLocalAllNodes() {
		return true
	}
	for _, l := range [...]ieee802154.Addr{m.nodes[n].eui64, m.nodes[n].short} {
		if i, ok := ipv6.IIDOf(l); ok && group == ipv6.SolicitedNode(ipv6.LinkLocal(i)) {
			return true
		}
	}
	return false
}

// address returns the address from which a node answers what came to another of
// its own or to a group, and the link address that goes with it.
func (m *Mesh) address(n int32, asked, far netip.Addr) (netip.Addr, ieee802154.Addr) {
	if link, ok := m.owns(n, asked); ok && !asked.IsMulticast() {
		return asked, link
	}
	iid, _ := ipv6.IIDOf(m.nodes[n].eui64)
	if far.IsLinkLocalUnicast() {
		return ipv6.LinkLocal(iid), m.nodes[n].eui64
	}
	return ipv6.Join(m.site.Prefix.Addr(), iid), m.nodes[n].eui64
}

// scheduleReport sets when a node publishes next, unless its mesh publishes nothing.
func (m *Mesh) scheduleReport(n int32, at time.Duration) {
	nd := &m.nodes[n]
	if nd.period <= 0 {
		return
	}
	nd.reportAt = max(at, 1)
	m.agenda.push(nd.reportAt, eventReport, n)
}

// report publishes a node's readings: a SenML pack in a non-confirmable POST to the
// gateway's /readings, or a bare datagram where the plan says so.
func (m *Mesh) report(e event) {
	nd := &m.nodes[e.node]
	if nd.reportAt != e.at || nd.state == stateOff {
		return
	}
	m.scheduleReport(e.node, m.now+nd.period)
	if !m.speaks(e.node) {
		return
	}
	if port := m.bare[e.node]; port != 0 {
		m.reportBare(e.node, port)
		return
	}
	body, err := senml.AppendJSON(m.scratch[:0], pack(nd.eui64, m.readingsOf(e.node), sensors[:]...))
	if err != nil {
		return
	}
	m.scratch = body
	nd.message++
	nd.token++
	var token [2]byte
	binary.BigEndian.PutUint16(token[:], nd.token)
	c := compose(m.answer[:0], typeNON, codePOST, nd.message, token[:])
	c.option(optionUriPath, []byte("readings"))
	c.uint(optionContentFormat, formatSenML)
	m.answer = c.payload(body)
	m.stats.Reports++
	to := m.gatewayAddr()
	m.say(e.node, to, netip.AddrPortFrom(to, portCoAP), m.answer)
}

// sendUpper sends an upper-layer message, whose checksum it fills in, and the length of a
// UDP datagram (RFC 768; 0 there would be a jumbogram, RFC 2675, section 4).
func (m *Mesh) sendUpper(n int32, link ieee802154.Addr, src, dst netip.Addr, proto byte, msg []byte) {
	b := ipv6.Header{PayloadLen: len(msg), NextHeader: proto, HopLimit: 64, Source: src, Destination: dst}.
		AppendTo(m.adaptation.reply[:0])
	at := len(b)
	b = append(b, msg...)
	m.adaptation.reply = b
	p := ipv6.Packet(b)
	if proto == ipv6.ProtoUDP {
		binary.BigEndian.PutUint16(b[at+4:], uint16(len(msg)))
		binary.BigEndian.PutUint16(b[at+6:], ipv6.UDPChecksum(p.SourceBytes(), p.DestinationBytes(), b[at:]))
	} else {
		binary.BigEndian.PutUint16(b[at+2:], ipv6.Checksum(p.SourceBytes(), p.DestinationBytes(), proto, b[at:]))
	}
	m.sendPacket(n, link, p)
}

// sendPacket puts a node's packet into frames to the gateway, all of them or none.
func (m *Mesh) sendPacket(n int32, link ieee802154.Addr, p ipv6.Packet) {
	nd, a := &m.nodes[n], &m.adaptation
	m.stats.PacketsSent++
	peer := lowpan.Peer{From: link, To: m.nodes[gateway].eui64, Full: m.full}
	s := adapt.NewSender(nd.tag)
	nd.tag++
	if err := s.Start(&a.out, p, peer, m.contexts, MaxExtended); err != nil {
		m.dropped(drop.Of(err))
		return
	}
	a.frames = a.frames[:0]
	for !a.out.Done() {
		f := m.newFrame()
		f.from, f.to, f.final = peer.From, peer.To, gateway
		f.n = len(a.out.Append(f.data[:0]))
		a.frames = append(a.frames, f)
	}
	if nd.station != nil && len(nd.station.queue)+len(a.frames) > m.air.Queue {
		nd.stats.QueueFull++
		m.dropped(drop.QueueFull)
		for _, f := range a.frames {
			m.release(f)
		}
		return
	}
	for _, f := range a.frames {
		f.priority = radio.PriorityData
		m.originate(f, n)
	}
}
