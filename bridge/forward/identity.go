package forward

// A node that says that two link addresses are its own has to prove it, or it could
// draw another node's packets to itself: it sends from one of them, so it is asked at
// the other. The question is an Echo Request (RFC 4443, section 4.1; every IPv6 node
// answers it) with a random secret, to the link-local address of the EUI-64, in a frame
// to the link address in question. The proof is the secret, in a frame from the address
// that the node sent from.

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/binary"
	"net/netip"
	"sync/atomic"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/nd"
	"culvert/bridge/node"
)

// Our own bounds.
const (
	maxChallenges  = 64 // at one time
	challengeTries = 4
	challengeWait  = 2 * time.Second // after the first question; twice as long after each next one
	secretLen      = 20              // octets: identifier, sequence number and data of the echo
)

// challenge is a question that is out.
type challenge struct {
	pair   nd.Pair
	secret [secretLen]byte
	tries  int
	next   time.Time
}

// challenges are the questions that are out, by the link address that the node sent
// from. The lock of neighbour discovery guards them.
type challenges struct {
	out     map[ieee802154.Addr]*challenge
	pending atomic.Int32 // len(out), for the packet path
}

// other returns the link address that the node did not send from.
func (c *challenge) other() ieee802154.Addr {
	if c.pair.From == c.pair.EUI64 {
		return c.pair.Short
	}
	return c.pair.EUI64
}

// challenge asks for the proof of a node's word. The caller holds discovery.mu.
func (f *Forwarder) challenge(p nd.Pair, now time.Time) {
	s := &f.discovery.challenges
	if !f.table.MayAssociate(p.From, p.EUI64, p.Short) {
		return
	}
	old := s.out[p.From]
	switch {
	case old != nil && old.pair == p:
		return
	case old == nil && len(s.out) >= maxChallenges:
		return // the node says it again with its next solicitation
	}
	c := &challenge{pair: p}
	_, _ = rand.Read(c.secret[:]) // never fails
	if s.out == nil {
		s.out = map[ieee802154.Addr]*challenge{}
	}
	s.out[p.From] = c
	s.pending.Store(int32(len(s.out)))
	f.ask(c, now)
}

// ask sends the question, in the queue of the node that said so: what it costs counts
// against that node.
func (f *Forwarder) ask(c *challenge, now time.Time) {
	c.next = now.Add(challengeWait << c.tries)
	c.tries++
	n := f.table.ByLink(c.pair.From)
	iid, ok := ipv6.IIDOf(c.pair.EUI64)
	if n == nil || !ok {
		return
	}
	src, dst := netip.AddrFrom16(f.own.Load().linkLocal), ipv6.LinkLocal(iid)
	b := ipv6.Header{PayloadLen: 4 + secretLen, NextHeader: ipv6.ProtoICMPv6, HopLimit: 255, Source: src, Destination: dst}.AppendTo(nil)
	b = append(b, ipv6.TypeEchoRequest, 0, 0, 0)
	b = append(b, c.secret[:]...)
	binary.BigEndian.PutUint16(b[ipv6.HeaderLen+2:], ipv6.Checksum(b[8:24], b[24:40], ipv6.ProtoICMPv6, b[ipv6.HeaderLen:]))
	f.sayTo(n, c.other(), b)
}

// isProof reports whether p, which came from the link address from, answers a question
// that is out, and carries out what that proves.
func (f *Forwarder) isProof(p ipv6.Packet, from ieee802154.Addr, now time.Time) bool {
	if p.NextHeader() != ipv6.ProtoICMPv6 || len(p) != ipv6.HeaderLen+4+secretLen || p[ipv6.HeaderLen] != ipv6.TypeEchoReply ||
		!f.own.Load().isLocal(p.DestinationBytes()) ||
		!ipv6.ChecksumOK(p.SourceBytes(), p.DestinationBytes(), ipv6.ProtoICMPv6, p.Payload()) {
		return false
	}
	d := &f.discovery
	d.mu.Lock()
	defer d.mu.Unlock()
	c := d.challenges.out[from]
	if c == nil || subtle.ConstantTimeCompare(c.secret[:], p[ipv6.HeaderLen+4:]) == 0 {
		return false
	}
	d.challenges.end(from)
	ch := f.table.Associate(c.pair.From, c.pair.EUI64, c.pair.Short, now)
	f.log(ch)
	if n := ch.Node; n != nil && n.State() == node.Joining {
		f.log(f.table.Confirm(n, now))
	}
	f.counters.from.handled.Add(1)
	return true
}

// tickChallenges repeats questions, and gives those up that nobody answers.
func (f *Forwarder) tickChallenges(now time.Time) {
	d := &f.discovery
	if d.challenges.pending.Load() == 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for from, c := range d.challenges.out {
		switch {
		case now.Before(c.next):
		case c.tries >= challengeTries:
			d.challenges.end(from)
			f.opt.Log.Warn("a node did not prove that two link addresses are its own",
				"from", from.String(), "eui64", c.pair.EUI64.String(), "short", c.pair.Short.String())
		default:
			f.ask(c, now)
		}
	}
}

func (s *challenges) end(from ieee802154.Addr) {
	delete(s.out, from)
	s.pending.Store(int32(len(s.out)))
}
