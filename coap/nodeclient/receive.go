package nodeclient

import (
	"encoding/binary"
	"errors"
	"net"
	"net/netip"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/coap/msg"
)

// receive takes one datagram (RFC 7252, sections 4.2, 5.2 and 5.3.2).
func (u *queues) receive(b []byte, from netip.AddrPort) {
	if len(b) < 4 || b[0]>>6 != 1 {
		return
	}
	m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
	_, err := coder.DefaultCoder.Decode(b, &m)
	class := m.Code >> 5
	malformed := err != nil || m.Code == codes.Empty && len(b) > 4 || m.Code != codes.Empty && class != 2 && class != 4 && class != 5
	m.Type, m.MessageID = message.Type(b[0]>>4&3), int32(binary.BigEndian.Uint16(b[2:])) // also where the rest is malformed
	mid, confirmable := uint16(m.MessageID), m.Type == message.Confirmable

	u.mu.Lock()
	now := u.now()
	p := u.peers[from]
	var x *Exchange
	if p != nil {
		x = p.inProgress(&m)
	}
	var ended []*Exchange
	var deliver func()
	w := p.observationOf(m.Token)
	v := classify(x, &m, w != nil, malformed)
	if confirmable && (v == answered || v == notified) {
		u.acknowledgeLocked(p, mid)
	}
	switch v {
	case rejected:
		ended = u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node rejected the request"), now)
	case unreadable:
		ended = u.endLocked(p, x, msg.Errorf(codes.BadGateway, "the node's answer could not be read"), now)
	case acknowledged:
		p.measure(x, true, now)
		x.phase = awaitsResponse // x.due is not looked at any more
	case notified:
		deliver, ended = u.notificationLocked(p, w, &m, now)
	case answered:
		p.measure(x, m.Type == message.Acknowledgement, now)
		ended = u.answeredLocked(p, x, &m, now)
	case noLongerWatched:
		if p != nil {
			u.rejectLocked(p, from, mid)
		}
	case unexpected:
		if confirmable {
			u.rejectLocked(p, from, mid)
		}
	}
	u.mu.Unlock()
	answerAll(ended)
	if deliver != nil {
		deliver()
	}
}

// read takes what nodes send until the socket is closed.
func (u *queues) read() error {
	u.mu.Lock()
	conn := u.conn
	u.mu.Unlock()
	buf := make([]byte, 1<<16)
	for {
		n, from, err := conn.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			continue // what ICMP says of an earlier datagram: tick asks what exactly
		}
		u.receive(buf[:n], from)
	}
}

// rejectLocked answers a confirmable message that fits nothing with a reset; the
// repetition of the last separate answer is acknowledged once more.
func (u *queues) rejectLocked(p *peer, from netip.AddrPort, mid uint16) {
	kind := message.Reset
	if p != nil && p.hadCON && p.lastCON == mid {
		kind = message.Acknowledgement
	}
	_ = u.writeLocked(msg.EmptyMessage(kind, mid), from) // lost is lost: it comes again
}

func (u *queues) acknowledgeLocked(p *peer, mid uint16) {
	p.lastCON, p.hadCON = mid, true
	_ = u.writeLocked(msg.EmptyMessage(message.Acknowledgement, mid), p.addr)
}
