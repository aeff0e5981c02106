package coap

import (
	"net/netip"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// RFC 7252, section 8, as this front has it (doc.go): whatever is sent to a group is
// neither answered nor carried out, by no door, and nothing of it is remembered. That
// takes in what the standard forbids alone: an answer to a confirmable message (8.1), a
// Reset (8.1), an empty result (RFC 6690, section 4.1) and errors (8.2).
func TestGroupsHearNothing(t *testing.T) {
	f := newFront(t)
	n := f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		return [][]byte{ack(m, codes.Changed, "")}
	})
	door := f.doors.FirstUDP()
	c := f.client()
	from := c.local()
	const con, non = message.Confirmable, message.NonConfirmable
	for _, x := range []struct {
		name string
		b    []byte
	}{
		{"confirmable GET", build(con, codes.GET, 1, "t", "nodes", "")},
		{"non-confirmable GET", build(non, codes.GET, 2, "t", "nodes", "")},
		{"links", build(non, codes.GET, 3, "t", ".well-known/core", "")},
		{"links, confirmable", build(con, codes.GET, 4, "t", ".well-known/core", "")},
		{"links, none", build(non, codes.GET, 5, "t", ".well-known/core", "", opt{message.URIQuery, "rt=none"})},
		{"not there", build(non, codes.GET, 6, "t", "nowhere", "")},
		{"critical option, not known", build(con, codes.GET, 7, "t", "nodes", "", opt{65001, "x"})},
		{"observation", build(non, codes.GET, 8, "t", own, "", opt{message.Observe, ""})},
		{"PUT to a node", build(non, codes.PUT, 9, "t", own, "1")},
		{"confirmable PUT to a node", build(con, codes.PUT, 10, "t", own, "1")},
		{"through the proxy", build(non, codes.PUT, 11, "t", "", "1", opt{message.ProxyURI, "coap://grain-bin/x"})},
		{"registration", build(non, codes.POST, 12, "t", "rd", "</a>", opt{message.URIQuery, "ep=x"}, opt{message.ContentFormat, u(msg.FormatLink)})},
		{"ping", msg.EmptyMessage(con, 13)},
		{"answer that nobody asked for", respond(con, 14, []byte("t"), codes.Content, "x")},
		{"token of 9 octets", []byte{0x49, 1, 0, 15, 1, 2, 3, 4, 5, 6, 7, 8, 9}},
		{"marker without a payload", []byte{0x40, 1, 0, 16, 0xff}},
		{"version 2", []byte{0x80, 1, 0, 17}},
		{"one octet", []byte{0x40}},
		{"nothing", nil},
	} {
		for _, group := range []string{"ff02::fd", "ff05::fd", "ff02::1", "ff0e::fd"} {
			if call := door.Datagram(x.b, pktinfo6(netip.MustParseAddr(group), 1), 0, from, make(message.Options, 0, msg.MaxOptions)); call != nil {
				t.Errorf("%s to %s: it is served", x.name, group)
			}
		}
	}
	c.silent("all that was sent to groups")
	if seen := len(n.seen()); seen != 0 {
		t.Errorf("%d requests reached the node", seen)
	}
	if s := f.Stats(); s.Observers != 0 || s.Observations != 0 {
		t.Errorf("%d observers", s.Observers)
	}
	if m := c.ask(codes.GET, "rd-lookup/ep", ""); len(m.Payload) != 0 {
		t.Errorf("registered: %s", m.Payload)
	}
	// The same Message IDs are free: nothing of it is remembered.
	for mid := uint16(1); mid < 3; mid++ {
		c.send(build(con, codes.PUT, mid, "t", own, "1"))
		if m := c.message(); m.Code != codes.Changed {
			t.Errorf("Message ID %d by itself: %v", mid, &m)
		}
	}
}
