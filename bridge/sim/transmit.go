package sim

import (
	"encoding/binary"
	"net/netip"
	"slices"
	"time"

	"culvert/bridge/ipv6"
)

// Transmission parameters of a node (RFC 7252, section 4.8).
const (
	ackTimeout    = 2 * time.Second
	maxRetransmit = 4
	// maxPending bounds the messages of a node that wait to be sent or acknowledged:
	// a confirmable notification for each observer, and late answers.
	maxPending = 8
)

// pending is a message that a node holds until due, or repeats until it is
// acknowledged.
type pending struct {
	peer  netip.AddrPort
	local netip.Addr // from which it goes; zero: past the mesh
	msg   []byte
	due   time.Duration // of the next transmission, or of giving up
	wait  time.Duration // the last retransmission time
	sent  uint8         // transmissions so far
	late  bool          // the answer to a request, whose MID is request
	// request is that of an answer on the acknowledgement.
	request uint16
}

func (p *pending) id() uint16        { return binary.BigEndian.Uint16(p.msg[2:]) }
func (p *pending) confirmable() bool { return p.msg[0]>>4&3 == typeCON }

// awaits reports whether a confirmable message to a peer is under way: then no other
// one is begun (NSTART is 1: RFC 7252, section 4.7).
func (x *extra) awaits(peer netip.AddrPort) bool {
	return slices.ContainsFunc(x.pending, func(p pending) bool { return p.sent > 0 && p.peer == peer })
}

// hearCoAP handles one UDP payload for a node's CoAP port.
func (m *Mesh) hearCoAP(n int32, local netip.Addr, from netip.AddrPort, msg []byte) {
	m.nodes[n].stats.CoAPReceived++
	m.answer = m.serveCoAP(n, m.answer[:0], local, from, msg)
	if len(m.answer) > 0 {
		m.say(n, local, from, m.answer)
	}
	m.attend(n)
}

// speaks reports whether a node can say anything: it is in the mesh, and not mute.
func (m *Mesh) speaks(n int32) bool { return m.nodes[n].state == stateJoined && !m.mute(n) }

// say sends a CoAP message, if the node speaks.
func (m *Mesh) say(n int32, local netip.Addr, to netip.AddrPort, msg []byte) {
	nd := &m.nodes[n]
	if !m.speaks(n) || to.Port() == 0 {
		return
	}
	times := 1
	if x := nd.extra; x != nil && x.duplicate && msg[1] != codeEmpty {
		x.duplicate = false
		times = 2
	}
	for range times {
		nd.stats.CoAPSent++
		if !local.IsValid() {
			if m.direct != nil {
				m.direct(nd.name, to, msg)
			}
			continue
		}
		b := beginUDP(m.adaptation.upper[:0], portCoAP, to.Port())
		b = append(b, msg...)
		m.adaptation.upper = b
		src, link := m.address(n, local, to.Addr())
		m.sendUpper(n, link, src, to.Addr(), ipv6.ProtoUDP, b)
	}
}

// transmitDue sends what a node's pending messages ask for by now, and gives up on
// those that were repeated often enough.
func (m *Mesh) transmitDue(n int32) {
	x := m.nodes[n].extra
	for i := 0; i < len(x.pending); {
		p := &x.pending[i]
		if p.due > m.now {
			i++
			continue
		}
		if p.sent == 0 && p.confirmable() && x.awaits(p.peer) {
			p.due = m.now + ackTimeout/8 // look again then
			i++
			continue
		}
		if p.sent > maxRetransmit {
			gone := *p
			x.pending = slices.Delete(x.pending, i, i+1)
			m.unobserved(n, gone.peer, gone.id())
			continue
		}
		m.transmit(n, p)
		if p.confirmable() {
			i++
			continue
		}
		if e := m.nodes[n].answered(p.peer, p.request, m.now); e != nil && p.msg[0]>>4&3 == typeACK {
			e.answer = p.msg
		}
		x.pending = slices.Delete(x.pending, i, i+1)
	}
}

// transmit sends a pending message once more (RFC 7252, section 4.2).
func (m *Mesh) transmit(n int32, p *pending) {
	m.say(n, p.local, p.peer, p.msg)
	if p.sent == 0 {
		p.wait = m.between(ackTimeout, ackTimeout*3/2)
	} else {
		p.wait *= 2
	}
	p.sent++
	p.due = m.now + p.wait
}

// acknowledged ends a pending message of a node that was acknowledged or reset, and
// the observation whose notification was reset.
func (m *Mesh) acknowledged(n int32, from netip.AddrPort, id uint16, reset bool) {
	x := m.nodes[n].extra
	if x == nil {
		return
	}
	for i := range x.pending {
		if p := &x.pending[i]; p.sent > 0 && p.confirmable() && p.id() == id && p.peer == from {
			x.pending = slices.Delete(x.pending, i, i+1)
			break
		}
	}
	if reset {
		m.unobserved(n, from, id)
	} else {
		m.confirmed(n, from, id)
	}
}
