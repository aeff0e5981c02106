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

// pending is a message to be sent later, or retransmitted until acknowledged.
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

// receiveCoAP handles one UDP payload for a node's CoAP port.
func (m *Mesh) receiveCoAP(n int32, local netip.Addr, from netip.AddrPort, msg []byte) {
	m.nodes[n].stats.CoAPReceived++
	m.answer = m.serveCoAP(n, m.answer[:0], local, from, msg)
	if len(m.answer) > 0 {
		m.sendCoAP(n, local, from, m.answer)
	}
	m.updateObservers(n)
}

// canSend reports whether a node can send: it has joined and is not mute.
func (m *Mesh) canSend(n int32) bool { return m.nodes[n].state == stateJoined && !m.mute(n) }

// sendCoAP sends a CoAP message if the node can send.
func (m *Mesh) sendCoAP(n int32, local netip.Addr, to netip.AddrPort, msg []byte) {
	nd := &m.nodes[n]
	if !m.canSend(n) || to.Port() == 0 {
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

// transmitDue sends the pending messages that are due, and gives up on those with all
// retransmissions done.
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
			m.endObservationOf(n, gone.peer, gone.id())
			continue
		}
		m.transmit(n, p)
		if p.confirmable() {
			i++
			continue
		}
		if e := m.nodes[n].findExchange(p.peer, p.request, m.now); e != nil && p.msg[0]>>4&3 == typeACK {
			e.answer = p.msg
		}
		x.pending = slices.Delete(x.pending, i, i+1)
	}
}

// transmit sends or retransmits a pending message (RFC 7252, section 4.2).
func (m *Mesh) transmit(n int32, p *pending) {
	m.sendCoAP(n, p.local, p.peer, p.msg)
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
		m.endObservationOf(n, from, id)
	} else {
		m.confirmed(n, from, id)
	}
}
