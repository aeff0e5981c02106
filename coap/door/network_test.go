package door

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"pgregory.net/rapid"

	"culvert/coap/msg"
)

// A crowd knows its most crowded network, as a plain count of all does.
func TestCrowd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, plain := newCrowd(), map[netip.Prefix]int{}
		nets := []netip.Prefix{}
		for _, s := range []string{"2001:db8:1::/64", "2001:db8:2::/64", "192.0.2.0/24", "198.51.100.0/24"} {
			nets = append(nets, netip.MustParsePrefix(s))
		}
		for range rapid.IntRange(0, 60).Draw(t, "steps") {
			p := rapid.SampledFrom(nets).Draw(t, "network")
			n := rapid.SampledFrom([]int{1, 1, -1}).Draw(t, "by")
			if plain[p]+n < 0 {
				continue
			}
			plain[p] += n
			c.add(p, n)
			most := 0
			for _, n := range plain {
				most = max(most, n)
			}
			if c.most() != most {
				t.Fatalf("most is %d, want %d of %v", c.most(), most, plain)
			}
			for _, p := range nets {
				if c.by[p] != plain[p] || plain[p] > 0 && c.crowded(p) != (plain[p] == most) {
					t.Fatalf("%v: %d, crowded %v; %v", p, c.by[p], c.crowded(p), plain)
				}
			}
		}
	})
}

// fakeStream is a connection that only notes that it was closed.
type fakeStream struct {
	net.Conn
	closed bool
}

func (c *fakeStream) Close() error { c.closed = true; return nil }

// Connections without an identity give way, those of the most crowded network first; those
// with one never do.
func TestStreamsGiveWay(t *testing.T) {
	now := time.Unix(0, 0)
	d := newNetDoor(&Doors{now: func() time.Time { now = now.Add(time.Second); return now }}, msg.DoorTCP, nil)
	open := func(host string) *fakeStream {
		c := &fakeStream{}
		if !d.add(c, netip.MustParseAddr(host)) {
			t.Fatalf("%s is refused", host)
		}
		return c
	}
	operator := open("2001:db8:7::1")
	d.proved(operator)
	lone := open("2001:db8:8::1")
	var crowd []*fakeStream
	for i := range 200 { // one network, many addresses
		crowd = append(crowd, open(netip.AddrFrom16([16]byte{0x20, 1, 0xd, 0xb8, 0, 9, 15: byte(i)}).String()))
	}
	if operator.closed || lone.closed || !crowd[0].closed || crowd[199].closed || d.crowd.most() != maxStreamsIP {
		t.Errorf("operator closed %v, lone %v, oldest %v, newest %v; %d of the network", operator.closed, lone.closed, crowd[0].closed, crowd[199].closed, d.crowd.most())
	}
	for i := range 64 { // 64 networks with ever more connections
		for range 4 {
			open(netip.AddrFrom16([16]byte{0x20, 1, 0xd, 0xb8, 1, byte(i), 15: 1}).String())
		}
	}
	if operator.closed || d.anon > anonStreams || len(d.conns) > MaxStreams {
		t.Errorf("operator closed %v, %d without an identity, %d in all", operator.closed, d.anon, len(d.conns))
	}
	for i := range MaxStreams - anonStreams - 1 { // identities find the room that is left
		d.proved(open(netip.AddrFrom16([16]byte{0x20, 1, 0xd, 0xb8, 2, byte(i), 15: 1}).String()))
	}
	if operator.closed || len(d.conns) > MaxStreams {
		t.Errorf("operator closed %v, %d in all", operator.closed, len(d.conns))
	}
}

// Sessions without an identity give way to others, those of the most crowded network first.
func TestSessionsGiveWay(t *testing.T) {
	d := &dtlsDoor{s: &Doors{now: time.Now}, byNumber: map[uint64]*dtlsSession{}, pending: map[netip.AddrPort]*dtlsSession{},
		open: map[netip.AddrPort]*dtlsSession{}, crowd: newCrowd(), anonymous: newCrowd()}
	number := uint64(0)
	open := func(host [16]byte, who *msg.Credential) *dtlsSession {
		number++
		x := newDTLSSession(d, number, netip.AddrPortFrom(netip.AddrFrom16(host), uint16(number)), nil)
		x.peer = msg.Peer{Door: msg.DoorDTLS, Addr: x.from, Proved: who}
		d.byNumber[number], d.pending[x.from] = x, x
		x.place = d.pendingOrder.PushBack(x)
		d.crowd.add(msg.Network(x.from.Addr()), 1)
		if !d.opened(x) {
			t.Fatal("not opened")
		}
		return x
	}
	closed := func(x *dtlsSession) bool { return d.open[x.from] != x }
	operator := open([16]byte{0x20, 1, 15: 1}, &msg.Credential{Name: "operator"})
	lone := open([16]byte{0x20, 2, 15: 1}, nil)
	for i := range 10_000 {
		open([16]byte{0x20, 3, 14: byte(i >> 8), 15: byte(i)}, nil)
	}
	if closed(operator) || closed(lone) || d.anonCount != anonSessions || d.openOrder.Len() != anonSessions+1 {
		t.Errorf("operator closed %v, lone closed %v, %d without an identity, %d in all", closed(operator), closed(lone), d.anonCount, d.openOrder.Len())
	}
	for i := range maxSessions - 1 {
		open([16]byte{0x20, 4, 14: byte(i >> 8), 15: byte(i)}, &msg.Credential{Name: "operator"})
	}
	if closed(operator) || d.anonCount != 0 || d.openOrder.Len() != maxSessions {
		t.Errorf("operator closed %v, %d without an identity, %d in all", closed(operator), d.anonCount, d.openOrder.Len())
	}
}
